"""An exported session and its tables give the same finding as its bench, to the last digit."""

from __future__ import annotations

import csv
import io
import json
import shutil
import subprocess
import sys
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

from benchtest.diagnosis import diagnose
from benchtest.errors import FileFaults, InputError
from benchtest.evidence.marks import parse_marks
from benchtest.evidence.meter import Meter
from benchtest.evidence.readings import parse_readings
from benchtest.evidence.rounding import infer_rounding_steps
from benchtest.records.json_lines import export_lines, import_lines
from benchtest.records.shelf import Shelf
from benchtest.session.log.events import (
    Concluded,
    MarkMade,
    NoteMade,
    ReadingTaken,
    RepairDone,
    VerdictGiven,
)
from benchtest.session.report.export_tables import (
    SessionEvidence,
    exported_evidence,
    last_evidence,
    marks_table,
    readings_table,
)
from benchtest.session.session import Session
from benchtest.wording import finding_json
from tests.golden import FINDINGS, RECORDS, TAGS, as_kept, evidence_of, finding_of

Begin = Callable[..., Session]


@pytest.fixture(scope="module")
def golden() -> dict[str, Any]:
    found: dict[str, Any] = json.loads(FINDINGS.read_text("utf-8"))
    return found


@pytest.mark.parametrize("tag", TAGS)
def test_kept_records_still_give_the_kept_finding(golden: dict[str, Any], tag: str) -> None:
    assert as_kept(finding_of(evidence_of(tag)), golden[tag]) == golden[tag]


def test_kept_findings_name_the_hidden_faults(golden: dict[str, Any]) -> None:
    # the faults of the virtual units: 7B- at 0.6 ohm, 5Ad open, 4A+ at 0.9 ohm and repaired, none
    tops = {tag: golden[tag]["suspects"][:1] for tag in TAGS}
    assert tops["WF-01"][0]["where"] == "7B-"
    assert {row["where"] for row in golden["WF-02"]["suspects"][:2]} == {"4Ad", "5Ad"}
    assert golden["WF-03"]["healthy"] > 0.9
    assert golden["WF-04"]["healthy"] > 0.9
    assert [row.where for row in evidence_of("WF-03").state.repairs] == ["4A+"]


def test_the_command_prints_the_kept_finding(golden: dict[str, Any]) -> None:
    command = [sys.executable, "-m", "benchtest", "diagnose", "--session", str(RECORDS)]
    done = subprocess.run(
        [*command, "--unit", "WF-02", "--json"], capture_output=True, text=True, check=True
    )
    assert as_kept(json.loads(done.stdout), golden["WF-02"]) == golden["WF-02"]


def test_a_bench_that_imported_the_records_gives_the_kept_finding(
    golden: dict[str, Any], shelf: Shelf
) -> None:
    lines = RECORDS.read_text("utf-8").splitlines()
    import_lines(shelf, lines, "batch.jsonl")
    assert [json.loads(line) for line in export_lines(shelf)] == [json.loads(x) for x in lines]
    row = shelf.sessions("WF-03")[-1]
    session = Session.resume(shelf, row.id)
    said = finding_json(session.diagnose(), session.design)
    assert as_kept(said, golden["WF-03"]) == golden["WF-03"]


def test_tables_of_readings_and_marks_give_the_kept_finding(golden: dict[str, Any]) -> None:
    evidence = evidence_of("WF-01")
    design = evidence.design
    readings, marks = readings_table(evidence), marks_table(evidence)
    taken, wrong = parse_readings(readings, "readings.csv", design).good_lines()
    seen, odd = parse_marks(marks, "marks.csv", design).good_lines()
    assert wrong == odd == ()
    assert len(taken) > 2
    assert len(seen) == 12
    said = finding_json(diagnose(design, taken, seen), design)
    assert as_kept(said, golden["WF-01"]) == golden["WF-01"]


@pytest.mark.parametrize("decimals", [2, 3, None])
def test_a_table_shows_the_step_that_readings_were_typed_in(
    begin: Begin, decimals: int | None
) -> None:
    """Volts that end in 0 keep the step they were typed in, wherever they are used."""
    session = begin()
    for probe, volts in (("1B", 4.82), ("2B", 4.8), ("3B", 4.77)):
        session.record(ReadingTaken("all", probe, volts, decimals=decimals))
    evidence = SessionEvidence(session.row, session.state)
    taken, faults = parse_readings(readings_table(evidence), "a.csv", session.design).good_lines()
    assert faults == ()
    meter, step_v = Meter.parse(session.row.meter), 0.01 if decimals == 2 else 0.0
    for readings in (taken, evidence.state.readings):
        assert infer_rounding_steps(readings, meter).each == (step_v,) * 3
    by_table = diagnose(session.design, taken)
    assert by_table.rounded_v == evidence.diagnose().rounded_v == (step_v or None)


@pytest.fixture
def odd(begin: Begin) -> Session:
    """A session with texts that a spreadsheet may mistake for dates, numbers or formulas."""
    session = begin()
    for strand in (1, 2, 3):
        session.record(VerdictGiven(strand, passed=True, level=0.25))
    session.record(VerdictGiven(4, passed=False, level=0.25))
    session.record(MarkMade("4", 4, "5-10", "warm", 0.25))
    session.record(ReadingTaken("1-3", "4.10", 4.1))
    session.record(ReadingTaken("1 3-4", "foot:4+>4A+", -0.00004, None, 0.5, "red"))
    session.record(ReadingTaken("all", "main", None, 6.5))
    session.record(ReadingTaken("all", "4B", 0.1 + 0.2))
    session.record(ReadingTaken("all", "3B", 4.8, decimals=2))
    return session


def test_a_table_is_written_as_the_contract_has_it(odd: Session, shelf: Shelf) -> None:
    evidence = last_evidence(shelf, "WF-03")
    assert readings_table(evidence).split("\r\n") == [
        "lit,probe,volts,amps,level,colour,meter,at",
        "1 2 3,4.10+>4.10-,4.100,,1,white,0.5%+3/6000,2026-11-25T18:00:07.000+00:00",
        "1 3 4,foot:4+>4A+,-4e-05,,0.5,red,0.5%+3/6000,2026-11-25T18:00:08.000+00:00",
        "all,main,,6.5,1,white,0.5%+3/6000,2026-11-25T18:00:09.000+00:00",
        "all,4B,0.30000000000000004,,1,white,0.5%+3/6000,2026-11-25T18:00:10.000+00:00",
        "all,3B,4.80,,1,white,0.5%+3/6000,2026-11-25T18:00:11.000+00:00",
        "",
    ]
    rows = list(csv.reader(io.StringIO(marks_table(evidence))))
    assert rows[0] == ["lit", "strand", "nodes", "seen", "level", "colour"]
    assert rows[1:4] == [[str(n), str(n), "all", "ok", "0.25", "white"] for n in (1, 2, 3)]
    assert rows[4] == ["4", "4", "all", "ok", "0.25", "white"]  # the ground of what was marked
    assert rows[5:] == [["4", "4", str(n), "warm", "0.25", "white"] for n in range(5, 11)]


def test_a_table_is_read_back_as_it_was(odd: Session) -> None:
    evidence = SessionEvidence(odd.row, odd.state)
    back, faults = parse_readings(readings_table(evidence), "readings.csv", odd.design).good_lines()
    assert faults == ()
    assert [(r.lit, r.probe, r.volts, r.amps, r.at) for r in back] == [
        (r.lit, r.probe, r.volts, r.amps, r.at) for r in odd.state.readings
    ]
    assert {str(reading.meter) for reading in back} == {odd.row.meter}


def test_a_table_survives_a_spreadsheet(odd: Session, tmp_path: Path) -> None:
    """Gnumeric opens it, saves it as a workbook, and writes it as CSV again."""
    assert shutil.which("ssconvert"), "gnumeric is needed: apt-get install gnumeric"
    evidence = SessionEvidence(odd.row, odd.state)
    (tmp_path / "a.csv").write_text(readings_table(evidence), "utf-8", newline="")
    for source, made in (("a.csv", "b.xlsx"), ("b.xlsx", "c.csv")):
        subprocess.run(
            ["ssconvert", source, made],
            cwd=tmp_path, check=True, capture_output=True, env={"LC_ALL": "C.UTF-8", "HOME": "."},
        )  # fmt: skip
    back = parse_readings((tmp_path / "c.csv").read_text("utf-8"), "c.csv", odd.design)
    assert back.faults == ()
    got = [(r.lit, r.probe, r.volts, r.amps) for r in back.rows]
    for (lit, probe, volts, amps), reading in zip(got, odd.state.readings, strict=True):
        assert (lit, probe, amps) == (reading.lit, reading.probe, reading.amps)
        assert volts == (None if reading.volts is None else pytest.approx(reading.volts))


def test_tables_have_no_undone_or_outdated_readings(odd: Session, shelf: Shelf) -> None:
    odd.record(RepairDone("4A+"))
    odd.undo()
    odd.undo()  # the last reading
    assert readings_table(last_evidence(shelf, "WF-03")).count("\r\n") == 5
    odd.record(RepairDone("4A+"))
    evidence = last_evidence(shelf, "WF-03")
    assert len(evidence.state.stale) > 0
    assert readings_table(evidence).count("\r\n") == 1 + len(evidence.state.readings)


def test_the_last_session_with_a_test_is_taken(begin: Begin, shelf: Shelf) -> None:
    tested = begin()
    tested.record(VerdictGiven(1, passed=True))
    begin().record(NoteMade("moved to the shed"))
    for found in (
        exported_evidence(export_lines(shelf), "all.jsonl"),
        last_evidence(shelf, "WF-03"),
    ):
        assert found.row == tested.row
        assert found.state.verdicts == {1: True}


def test_an_export_without_the_unit_or_its_evidence_is_refused(begin: Begin, shelf: Shelf) -> None:
    with pytest.raises(InputError, match="has no sessions"):
        exported_evidence([], "none.jsonl")
    begin("WF-03").record(Concluded(0.9, settled=True))
    begin("WF-04")
    lines = list(export_lines(shelf))
    with pytest.raises(InputError, match="units WF-03, WF-04; choose one with --unit"):
        exported_evidence(lines, "all.jsonl")
    with pytest.raises(InputError, match=r'no unit WF-40, but .*did you mean "WF-04"'):
        exported_evidence(lines, "all.jsonl", "WF-40")
    with pytest.raises(InputError, match="has not been tested"):
        exported_evidence(lines, "all.jsonl", "WF-03")
    with pytest.raises(FileFaults, match=r"noise: line 1"):
        exported_evidence(["noise"], "noise")
