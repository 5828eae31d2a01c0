"""Readings of earlier units, taken from the shelf."""

from __future__ import annotations

from collections.abc import Callable
from importlib.resources import files

import pytest

from benchtest.errors import InputError, NameFault
from benchtest.evidence.meter import DEFAULT_METER
from benchtest.prop.design import Design
from benchtest.prop.reader import parse_design
from benchtest.records.shelf import Shelf
from benchtest.session.log.events import CheckMade, NoteMade, ReadingTaken, RepairDone
from benchtest.session.report.unit_history import last_unit_readings
from benchtest.session.session import Session

Begin = Callable[..., Session]


def test_only_readings_that_still_hold_are_learned_from(
    begin: Begin, fan: Design, shelf: Shelf
) -> None:
    session = begin("WF-01")
    session.record(ReadingTaken("all", "foot:4+>4A+", 0.3))
    session.record(ReadingTaken("none", "foot:1+>foot:4+", 0.0021))
    session.record(RepairDone("4A+"))
    begin("WF-01").record(NoteMade("looked at again"))
    seen = last_unit_readings(shelf, "WF-01", fan)
    assert [str(reading.probe) for reading in seen.readings] == ["foot:1+>foot:4+"]
    session.record(ReadingTaken("none", "foot:1+>foot:4+", 0.0020))
    seen = last_unit_readings(shelf, "WF-01", fan)
    assert [reading.volts for reading in seen.readings] == [0.0021, 0.0020]
    assert (seen.meter, list(seen.repaired)) == (DEFAULT_METER, ["4A+"])


def test_measured_volts_are_returned_for_several_supplies_and_not_for_one(
    begin: Begin, fan: Design, shelf: Shelf
) -> None:
    session = begin("WF-01")
    session.record(CheckMade("supply", fan.feeds[0].name, True, volts=5.04))
    session.record(ReadingTaken("all", "4A", 4.8))
    assert last_unit_readings(shelf, "WF-01", fan).supply_v == {}
    text = files("benchtest.virtual").joinpath("gull-wing.toml").read_text("utf-8")
    session = Session.start(shelf, text, "GW-01", DEFAULT_METER)
    session.record(CheckMade("supply", "left", True, volts=5.04))
    session.record(ReadingTaken("all", "2A", 4.8))
    wing = parse_design(text, "gull-wing")
    assert last_unit_readings(shelf, "GW-01", wing).supply_v == {"left": 5.04}


def test_units_of_another_design_are_refused(fan: Design, shelf: Shelf, design_text: str) -> None:
    arch = design_text.replace("Small fan", "Tide arch")
    other = Session.start(shelf, arch, "TA-01", DEFAULT_METER)
    other.record(ReadingTaken("all", "main", None, 1.0))
    longer = design_text.replace("nodes = 10", "nodes = 12")
    Session.start(shelf, longer, "WF-09", DEFAULT_METER).record(
        ReadingTaken("all", "main", None, 1.0)
    )
    with pytest.raises(InputError, match="is a Tide arch, not a Small fan"):
        last_unit_readings(shelf, "TA-01", fan)
    with pytest.raises(InputError, match="wired differently"):
        last_unit_readings(shelf, "WF-09", fan)
    with pytest.raises(NameFault, match="not on this bench"):
        last_unit_readings(shelf, "WF-77", fan)
