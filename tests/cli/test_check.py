"""`benchtest check`, as a separate process."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

Run = Callable[..., Any]


def test_figures_at_full_white(run: Run, prop: Path) -> None:
    found = run("check", prop, "--json").json
    assert (found["strands"], found["nodes"], found["channels"]) == (4, 40, 120)
    assert found["universes"] == [1]
    (feed,) = found["feeds"]
    # 40 nodes of three channels at 12 mA and 0.8 mA, all at full headroom
    assert feed["amps"] == pytest.approx(40 * 36.8e-3, abs=1e-3)
    assert feed["watts"] == pytest.approx(feed["amps"] * 5.0, abs=1e-2)
    assert (feed["fuse_a"], feed["supply_a"]) == (5.0, 10.0)
    assert found["warnings"] == []


def test_a_small_fuse_gives_a_warning(run: Run, prop: Path) -> None:
    text = prop.read_text(encoding="utf-8")
    prop.write_text(text.replace("fuse_a = 5.0", "fuse_a = 1.0"), encoding="utf-8")
    done = run("check", prop)
    assert done.code == 0
    assert "Warning: feed main" in done.out
    assert "1 A fuse" in done.out
    (warning,) = run("check", prop, "--json").json["warnings"]
    assert "fuse" in warning


def test_low_node_volts_give_a_warning(run: Run, prop: Path) -> None:
    text = prop.read_text(encoding="utf-8")
    prop.write_text(text.replace("length_mm = 1500.0", "length_mm = 30000.0"), encoding="utf-8")
    (warning,) = run("check", prop, "--json").json["warnings"]
    assert "4.5 V" in warning
    assert "thicker wire" in warning


def test_text_output_has_sentences_and_a_table(run: Run, prop: Path) -> None:
    done = run("check", prop)
    assert done.code == 0
    assert "Willow fan: 4 strands, 40 nodes" in done.out
    assert "Lowest node" in done.out
    assert "of 5 A" in done.out
