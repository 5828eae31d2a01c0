"""What a session learns of the units that were on the bench before."""

from __future__ import annotations

from collections.abc import Callable

import pytest

from benchtest.circuit.predict import predict
from benchtest.errors import InputError, NameFault
from benchtest.evidence.meter import DEFAULT_METER
from benchtest.prop.design import Design
from benchtest.prop.lit import everything
from benchtest.prop.names import parse_probe
from benchtest.records.shelf import Shelf
from benchtest.session.earlier import seen_unit
from benchtest.session.events import NoteMade, ReadingTaken, RepairDone
from benchtest.session.live import Session

Begin = Callable[..., Session]


def _measured(begin: Begin, tag: str, built: Design) -> Session:
    session = begin(tag)
    amps = predict(built, everything(built)).feeds[0][1]
    session.record(ReadingTaken("all", "main", None, round(amps, 3)))
    return session


def test_a_session_expects_what_earlier_units_showed(begin: Begin, fan: Design) -> None:
    """A clamp says 12 % more current than the prop file; volts lost on the way follow it."""
    probe = parse_probe("4B", fan)
    first = _measured(begin, "WF-01", fan.scaled(current=1.12))
    for tag in ("WF-02", "WF-03"):
        _measured(begin, tag, fan.scaled(current=1.12))
    fourth = begin("WF-04")
    assert first.learned.taught == ()
    assert fourth.learned.taught == ("WF-01", "WF-02", "WF-03")
    assert fourth.learned.factors[0] == pytest.approx(1.12, rel=0.02)
    plain = predict(fan, everything(fan), [probe]).probes[0]
    volts, _ = fourth.expect(everything(fan), probe)
    assert volts < plain.volts
    assert first.expect(everything(fan), probe) == (plain.volts, plain.sd)
    assert fourth.engine.tolerances.current < first.engine.tolerances.current


def test_a_record_says_next_year_what_it_says_today(
    begin: Begin, fan: Design, shelf: Shelf
) -> None:
    _measured(begin, "WF-01", fan.scaled(current=1.12))
    second = _measured(begin, "WF-02", fan.scaled(current=1.1))
    today = second.learned
    _measured(begin, "WF-03", fan.scaled(current=0.9))
    assert Session.resume(shelf, second.row.id).learned == today


def test_only_readings_that_still_hold_are_learned_from(
    begin: Begin, fan: Design, shelf: Shelf
) -> None:
    session = begin("WF-01")
    session.record(ReadingTaken("all", "foot:4+>4A+", 0.3))
    session.record(ReadingTaken("all", "foot:1+>foot:4+", 0.0021))
    session.record(RepairDone("4A+"))
    begin("WF-01").record(NoteMade("looked at again"))
    seen = seen_unit(shelf, "WF-01", fan)
    assert [str(reading.probe) for reading in seen.readings] == ["foot:1+>foot:4+"]
    session.record(ReadingTaken("all", "foot:1+>foot:4+", 0.0020))
    seen = seen_unit(shelf, "WF-01", fan)
    assert [reading.volts for reading in seen.readings] == [0.0021, 0.0020]
    assert (seen.meter, list(seen.repaired)) == (DEFAULT_METER, ["4A+"])


def test_units_of_another_design_teach_nothing(
    begin: Begin, fan: Design, shelf: Shelf, design_text: str
) -> None:
    arch = design_text.replace("Small fan", "Tide arch")
    other = Session.start(shelf, arch, "TA-01", DEFAULT_METER)
    other.record(ReadingTaken("all", "main", None, 1.0))
    longer = design_text.replace("nodes = 10", "nodes = 12")
    Session.start(shelf, longer, "WF-09", DEFAULT_METER).record(
        ReadingTaken("all", "main", None, 1.0)
    )
    assert begin("WF-03").learned.taught == ()
    with pytest.raises(InputError, match="is a Tide arch, not a Small fan"):
        seen_unit(shelf, "TA-01", fan)
    with pytest.raises(InputError, match="wired otherwise"):
        seen_unit(shelf, "WF-09", fan)
    with pytest.raises(NameFault, match="not on this bench"):
        seen_unit(shelf, "WF-77", fan)
