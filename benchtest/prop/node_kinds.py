"""The node catalogue: what kinds of node there are, each figure with its source."""

from __future__ import annotations

import tomllib
from collections.abc import Mapping
from functools import cache
from importlib.resources import files
from typing import Any

from benchtest.prop.node_kinds import NodeKind


@cache
def catalogue() -> Mapping[str, NodeKind]:
    """Every kind that ships with the tool, by its name."""
    text = files("benchtest.prop").joinpath("nodes.toml").read_text(encoding="utf-8")
    return {name: _kind(name, table) for name, table in tomllib.loads(text).items()}


def _kind(name: str, table: Mapping[str, Any]) -> NodeKind:
    figures = dict(table)
    figures["colours"] = tuple(figures["colours"])
    figures["channel_bins_ma"] = tuple(figures["channel_bins_ma"])
    return NodeKind(name=name, **figures)
