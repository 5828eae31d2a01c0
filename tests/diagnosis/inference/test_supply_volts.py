"""Supplies whose volts were measured at their feeds."""

from __future__ import annotations

from collections.abc import Callable

import pytest

from benchtest.diagnosis import Engine
from benchtest.evidence.readings import Reading
from benchtest.prop.design import Design
from benchtest.prop.lit_set import all_lit
from benchtest.prop.notation import parse_probe


@pytest.mark.parametrize("volts", [0.3, 1.0, 2.0])
def test_volts_that_no_supply_has_are_a_short(
    make_fan: Callable[..., Design], volts: float
) -> None:
    """Rail volts far below the design's are no reason to assume another supply."""
    design = make_fan(5, 10, feeds=("foot:1", "crown:5"))
    readings = [
        Reading(all_lit(design), parse_probe(feed.name, design), volts) for feed in design.feeds
    ]
    top = Engine(design).diagnose(readings).suspects[0]
    assert top.fault == "short"
    assert top.probability > 0.9
