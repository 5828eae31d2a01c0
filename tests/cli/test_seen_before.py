"""`benchtest diagnose --seen-before`, on a bench with earlier units, as a separate process."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest

from benchtest.circuit.prediction import predict
from benchtest.circuit.tolerance import FROM_MANY_REELS
from benchtest.cli.seen_before import batch_advice
from benchtest.diagnosis import Engine
from benchtest.diagnosis.batch.learn import BatchKnowledge
from benchtest.diagnosis.finding import NextReading
from benchtest.evidence.meter import DEFAULT_METER
from benchtest.prop.lit_set import parse_lit_set
from benchtest.prop.notation import parse_probe
from benchtest.prop.reader import parse_design
from benchtest.records.shelf import Shelf
from benchtest.session.log.events import ReadingTaken, VerdictGiven
from benchtest.session.session import Session

Run = Callable[..., Any]
CURRENT, COPPER = 1.10, 1.15
"""Node current and copper resistance of the batch, relative to its prop file."""
ASKED = [("all", "foot:1+>foot:4+"), ("all", "3B"), ("none", "3B"), ("all", "crown:1->crown:4-")]


@pytest.fixture
def bench(prop: Path, tmp_path: Path) -> Path:
    """Make a bench: three measured units of one batch, one without readings, one other prop."""
    text = prop.read_text(encoding="utf-8")
    design = parse_design(text, "fan.toml")
    built = design.scaled(current=CURRENT, copper=COPPER)
    folder = tmp_path / "bench"
    with Shelf(folder) as shelf:
        for tag in ("WF-01", "WF-02", "WF-03"):
            session = Session.start(shelf, text, tag, DEFAULT_METER)
            for lit, probe in ASKED:
                asked = [parse_probe(probe, design)]
                volts = predict(built, parse_lit_set(lit, built), asked).probes[0].volts
                session.record(ReadingTaken(lit, probe, round(volts, 4)))
            amps = predict(built, parse_lit_set("all", built)).feeds[0][1]
            session.record(ReadingTaken("all", "main", None, round(amps, 3)))
        looked = Session.start(shelf, text, "WF-04", DEFAULT_METER)
        looked.record(VerdictGiven(1, passed=True))
        Session.start(shelf, text.replace("Willow fan", "Tide arch"), "TA-01", DEFAULT_METER)
        Session.start(shelf, text.replace("nodes = 10", "nodes = 11"), "WF-00", DEFAULT_METER)
    return folder


def test_earlier_units_show_the_figures_of_their_batch(run: Run, prop: Path, bench: Path) -> None:
    words = ["--bench", bench, "diagnose", prop, "--json"]
    plain = run(*words).json
    found = run(*words, "--seen-before", "WF-01", "WF-02", "--seen-before", "WF-03").json
    learned = found["seen_before"]
    assert "seen_before" not in plain
    assert learned["taught"] == ["WF-01", "WF-02", "WF-03"]
    assert learned["left_out"] == []
    assert learned["factors"]["current"] == pytest.approx(CURRENT, rel=0.03)
    assert learned["sd"]["current"] < 0.06
    assert 1.0 < learned["factors"]["copper"] < 1.2
    assert learned["supply"]["factor"] == pytest.approx(1.0, abs=0.002)
    assert learned["supply"]["sd"] < 0.009
    assert 0.5 <= learned["bad_joints"] < 1.0
    assert set(plain) | {"seen_before"} == set(found)


def test_expected_readings_use_the_figures_of_the_batch(
    run: Run, prop: Path, bench: Path, tmp_path: Path
) -> None:
    """A fourth unit is closer to its batch than to the prop file."""
    path = tmp_path / "readings.csv"
    built = parse_design(prop.read_text(encoding="utf-8"), "fan").scaled(
        current=CURRENT, copper=COPPER
    )
    asked = [parse_probe("foot:1+>foot:4+", built)]
    volts = predict(built, parse_lit_set("all", built), asked).probes[0].volts
    path.write_text(f"lit,probe,volts\nall,foot:1+>foot:4+,{volts:.4f}\n", encoding="utf-8")
    words = ["--bench", bench, "diagnose", prop, "--readings", path, "--json"]
    (plain,) = run(*words).json["readings"]
    (taught,) = run(*words, "--seen-before", "WF-01", "WF-02", "WF-03").json["readings"]
    assert abs(taught["volts"] - taught["expected"]) < abs(plain["volts"] - plain["expected"])
    assert taught["sd"] < plain["sd"]


def test_text_output_lists_units_used_and_left_out(run: Run, prop: Path, bench: Path) -> None:
    done = run("diagnose", prop, "--bench", bench, "--seen-before", "WF-01", "WF-04")
    assert done.code == 0, done.err
    said = " ".join(done.out.split())
    assert "Learned from WF-01" in said
    assert "node current × 1." in said
    assert "the prop file's figures are used" in said
    assert "Joints of those units were good" in said
    assert "Nothing learned from WF-04: has no readings." in said


def test_a_healthy_unit_gets_readings_for_the_batch(prop: Path) -> None:
    design = parse_design(prop.read_text(encoding="utf-8"), "fan")
    learned, found = BatchKnowledge(design, FROM_MANY_REELS), Engine(design).diagnose()
    assert list(batch_advice(learned, found)) == []
    found = replace(found, healthy=0.96, next=NextReading(None, None, 0.0, settled=True))
    (said,) = batch_advice(learned, found)
    assert "foot:1+>foot:4+" in said
    assert list(batch_advice(learned, replace(found, healthy=0.2))) == []


@pytest.mark.parametrize(
    ("tag", "said"),
    [
        ("WF-1", '"WF-1": not on this bench; did you mean'),
        ("TA-01", "unit TA-01: is a Tide arch, not a Willow fan"),
        ("WF-00", "unit WF-00: was wired differently"),
    ],
)
def test_unsuitable_units_are_refused(
    run: Run, prop: Path, bench: Path, tag: str, said: str
) -> None:
    done = run("diagnose", prop, "--bench", bench, "--seen-before", "WF-01", tag, "--json")
    done.refused(2, said)


def test_the_same_bench_gives_the_same_answer(run: Run, prop: Path, bench: Path) -> None:
    words = ["diagnose", prop, "--bench", bench, "--seen-before", "WF-01", "WF-02", "--json"]
    assert run(*words).out == run(*words).out
