"""Evidence is evaluated alike everywhere: the same typing slips are set aside."""

from __future__ import annotations

import json
from collections.abc import Callable, Sequence
from pathlib import Path

import pytest

from benchtest.circuit.prediction import predict
from benchtest.cli.main import main
from benchtest.comparison.unit_report import compare_with_earlier
from benchtest.diagnosis import Engine
from benchtest.evidence.meter import DEFAULT_METER
from benchtest.prop.design import Design
from benchtest.prop.lit_set import parse_lit_set
from benchtest.prop.notation import parse_probe
from benchtest.records.shelf import Shelf
from benchtest.session.log.events import ReadingTaken, Struck, VerdictGiven
from benchtest.session.log.evidence import accepted_readings, diagnose_state, odd_readings
from benchtest.session.report.report_content import report_content
from benchtest.session.session import Session

ENDS = [("all", f"{strand}{end}") for strand in (1, 2, 3, 4) for end in "AB"]
PADS = [("1 3", "crown:1+>crown:4+"), ("2 4", "foot:1+>foot:4+"), ("1 2", "crown:1+>crown:3+")]
TWO_SLIPS = {"1A": -0.9, "4A": -0.2}
"""Errors of two misread readings. [V]"""


def _healthy(
    design: Design,
    slips: dict[str, float],
    asked: Sequence[tuple[str, str]] = (*ENDS, *PADS),
    joint_ohm: dict[str, float] | None = None,
) -> list[ReadingTaken]:
    """Return displayed readings of a unit as designed, some misread by the given volts."""
    found = []
    for lit_text, probe_text in asked:
        lit, probe = parse_lit_set(lit_text, design), parse_probe(probe_text, design)
        volts = predict(design, lit, [probe], joint_ohm).probes[0].volts
        volts += slips.get(probe_text, 0.0)
        found.append(ReadingTaken(lit_text, probe_text, round(volts, 4 if abs(volts) < 0.6 else 3)))
    return found


def _tested(session: Session, readings: Sequence[ReadingTaken]) -> Session:
    for strand in session.design.strands:
        session.record(VerdictGiven(strand.number, passed=True))
    for reading in readings:
        session.record(reading)
    return session


@pytest.fixture(scope="module")
def engine(fan: Design) -> Engine:
    return Engine(fan)


def test_two_slips_are_set_aside_and_accuse_nothing(
    begin: Callable[..., Session], fan: Design, engine: Engine
) -> None:
    session = _tested(begin(), _healthy(fan, TWO_SLIPS))
    # weighed with both in it, one slip alone being reckoned with, rails that touch explain it best
    with_both = engine.diagnose(session.state.readings, session.state.evidence_marks, DEFAULT_METER)
    assert with_both.healthy < 0.01
    finding = diagnose_state(engine, session.state, DEFAULT_METER)
    assert finding.healthy > 0.9
    odd = odd_readings(session.state, finding)
    assert [(one.number, str(one.reading.probe)) for one in odd] == [(1, "1A"), (7, "4A")]
    assert len(finding.readings) == len(session.state.readings)
    kept = [str(reading.probe) for reading in accepted_readings(session.state, finding)]
    assert kept == [probe for _, probe in (*ENDS, *PADS) if probe not in TWO_SLIPS]


def test_a_reading_that_was_confirmed_is_not_set_aside(
    begin: Callable[..., Session], fan: Design, engine: Engine
) -> None:
    readings = _healthy(fan, {"4A": -0.2})
    (odd,) = [one for one in readings if one.probe == "4A"]
    session = _tested(begin(), [*readings, odd])
    finding = diagnose_state(engine, session.state, DEFAULT_METER)
    kept = [str(reading.probe) for reading in accepted_readings(session.state, finding)]
    assert kept.count("4A") == 2


def test_a_bad_joint_is_found_despite_a_typing_slip(
    begin: Callable[..., Session], fan: Design, engine: Engine
) -> None:
    asked = [*ENDS, *PADS, ("2", "foot:2+>2A+"), ("2", "crown:2+>2B+"), ("2 3", "foot:2+>2A+")]
    readings = _healthy(fan, {"4B": -0.3}, asked, {"2A+": 0.8})
    session = _tested(begin(), readings)
    finding = diagnose_state(engine, session.state, DEFAULT_METER)
    assert [one.number for one in odd_readings(session.state, finding)] == [8]
    assert finding.suspects[0].where == "2A+"


def test_report_and_comparison_use_the_same_readings(
    tmp_path: Path, begin: Callable[..., Session], shelf: Shelf, fan: Design
) -> None:
    _tested(begin(), _healthy(fan, {}))
    session = _tested(begin(), [*_healthy(fan, TWO_SLIPS), ReadingTaken("all", "2B", 4.1)])
    session.record(Struck(session.events[-1].seq))
    content = report_content(session)
    assert content.suspects == []
    gone = {row.number: row.why for row in content.readings if row.stale}
    assert gone == {
        1: "disagrees with all others", 7: "disagrees with all others", 12: "struck out",
    }  # fmt: skip
    out = tmp_path / "compared.json"
    comparison = compare_with_earlier(session)
    assert comparison is not None
    found = comparison.as_json()
    out.write_text(json.dumps(found))
    assert [test["readings"] for test in found["tests"]] == [11, 9]
    assert [change["joint"] for change in found["changes"]] == []
    aside = [words.partition(": ")[2] for words in found["left_out"]]
    assert [words.partition(",")[0] for words in aside] == ["reading 1 (1A", "reading 7 (4A"]


def test_compare_and_report_agree_at_the_command_line(
    tmp_path: Path,
    begin: Callable[..., Session],
    fan: Design,
    capsys: pytest.CaptureFixture[str],
) -> None:
    slips = {"2B": -0.9, "crown:1+>crown:3+": 0.005}
    _tested(begin(), _healthy(fan, {}))
    session = _tested(begin(), _healthy(fan, slips))
    folder = str(session.shelf.path.parent)
    assert main(["--bench", folder, "compare", session.tag]) == 0
    compared = capsys.readouterr().out
    assert "No joint has changed beyond noise." in compared
    assert "disagrees with all others" in compared
    page = tmp_path / "unit.html"
    assert main(["--bench", folder, "report", session.tag, "--output", str(page)]) == 0
    assert "No suspect above 5" in page.read_text()
