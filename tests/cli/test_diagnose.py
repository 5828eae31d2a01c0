"""`benchtest diagnose`, as a separate process."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

from benchtest.cli.diagnose import _show
from benchtest.diagnosis import Finding, NextReading, Suspect
from benchtest.prop.reader import parse_design, read_design
from benchtest.wording import NOT_EXCLUSIVE, split_suspects
from tests.props import SMALL_FAN

Run = Callable[..., Any]


@pytest.fixture
def readings(run: Run, prop: Path, tmp_path: Path) -> Path:
    """Readings of an ideal meter on a fan whose joint 3A+ has 0.8 Ω."""
    probes = ["foot:3+>3A+", "3A", "foot:2+>2A+"]
    words = [word for probe in probes for word in ("--probe", probe)]
    found = run("predict", prop, "--joint", "3A+=0.8", *words, "--json").json
    rows = [f"all,{row['probe']},{row['volts']:.4f}" for row in found["probes"]]
    path = tmp_path / "readings.csv"
    path.write_text("\n".join(["lit,probe,volts", *rows]) + "\n", encoding="utf-8")
    return path


def test_a_drop_across_a_joint_names_it(run: Run, prop: Path, readings: Path) -> None:
    found = run("diagnose", prop, "--readings", readings, "--json").json
    assert {"healthy", "suspects", "alike", "next", "readings"} <= set(found)
    first = found["suspects"][0]
    assert (first["where"], first["fault"]) == ("3A+", "resistive")
    assert first["probability"] > 0.5
    assert first["ohms"]["low"] < 0.8 < first["ohms"]["high"]
    assert found["healthy"] < first["probability"]
    assert [row["probe"] for row in found["readings"]] == ["foot:3+>3A+", "3A", "foot:2+>2A+"]


def test_text_output_has_bars_and_the_repair(run: Run, prop: Path, readings: Path) -> None:
    done = run("diagnose", prop, "--readings", readings)
    assert done.code == 0, done.err
    assert "####" in done.out
    assert "3A+" in done.out
    assert "reflow" in done.out
    assert "Next:" in done.out


def test_a_joint_is_shown_with_its_place(run: Run, prop: Path, readings: Path) -> None:
    done = run("diagnose", prop, "--readings", readings)
    assert "3A+ (strand 3's + wire at the foot board): " in done.out


def test_improbable_suspects_share_one_line(capsys: pytest.CaptureFixture[str]) -> None:
    design = parse_design(SMALL_FAN, "small.toml")
    joints = [f"{n}{end}{rail}" for n in range(1, 5) for end in "AB" for rail in "+-"]
    alike = [Suspect(joint, "resistive", 0.013) for joint in joints]
    ask = NextReading(None, None, 0.0, settled=True)
    _show(Finding(0.4, tuple(alike), (), ask, (), None), design, ())
    shown = capsys.readouterr().out
    assert "16 others together 21 %." in shown
    assert NOT_EXCLUSIVE in shown
    assert "1A+" not in shown
    top = Suspect("2A+", "resistive", 0.04)
    _show(Finding(0.9, (top, *alike[:2]), (), ask, (), None), design, ())
    shown = capsys.readouterr().out
    assert "2A+" in shown
    assert "2 others together 3 %." in shown


def test_rounded_readings_are_reported(run: Run, prop: Path, tmp_path: Path) -> None:
    path = tmp_path / "readings.csv"
    path.write_text("lit,probe,volts\nall,3A,4.87\nall,2A,4.88\n", encoding="utf-8")
    assert "rounded to 10 mV" in run("diagnose", prop, "--readings", path).out
    rounded = run("diagnose", prop, "--readings", path, "--json").json
    assert rounded["rounded_v"] == 0.01
    path.write_text("lit,probe,volts\nall,3A,4.871\nall,2A,4.880\n", encoding="utf-8")
    assert run("diagnose", prop, "--readings", path, "--json").json["rounded_v"] is None


def test_unexplained_marks_are_reported(run: Run, prop: Path, tmp_path: Path) -> None:
    marks = tmp_path / "marks.csv"
    rows = ["lit,strand,nodes,seen", *(f"all,{n},all,ok" for n in (1, 2, 4)), "all,3,2-4,stuck"]
    marks.write_text("\n".join(rows) + "\n", encoding="utf-8")
    out = run("diagnose", prop, "--marks", marks).out
    assert "No fault explains these marks: 3.2-4 stuck with all lit. Look again." in out
    assert "no further reading" not in out


def test_measured_supplies_replace_those_of_the_prop_file(
    run: Run, prop: Path, readings: Path
) -> None:
    words = ["diagnose", prop, "--readings", readings]
    (feed,) = read_design(prop).feeds
    name, volts = feed.name, feed.volts

    def expected(*more: str) -> list[float]:
        return [row["expected"] for row in run(*words, *more, "--json").json["readings"]]

    designed, measured = expected(), expected("--supply", f"{name}={0.99 * volts:.3f}")
    assert measured[1] == pytest.approx(designed[1] - 0.01 * volts, rel=0.01)
    done = run(*words, "--supply", f"{name}=50")
    assert done.code == 2
    assert f'diagnose --supply: feed {name}: "50" must be within 5 % of ' in done.err


def test_without_evidence_the_first_reading_is_planned(run: Run, prop: Path) -> None:
    found = run("diagnose", prop, "--json").json
    assert found["healthy"] > 0.5
    assert found["readings"] == []
    assert not found["next"]["settled"]
    assert found["next"]["probe"]


def test_dark_strands_downstream_point_at_the_data_line(
    run: Run, prop: Path, tmp_path: Path
) -> None:
    marks = tmp_path / "marks.csv"
    rows = ["lit,strand,nodes,seen", "all,1,all,ok", "all,2,all,ok", "all,3,all,dark"]
    marks.write_text("\n".join([*rows, "all,4,all,dark"]) + "\n", encoding="utf-8")
    found = run("diagnose", prop, "--marks", marks, "--json").json
    faults = {suspect["where"]: suspect["fault"] for suspect in found["suspects"][:2]}
    # zigzag: out of strand 2 at its A end, into strand 3 at its A end
    assert faults == {"2Ad": "data-open", "3Ad": "data-open"}


def test_the_same_files_give_the_same_answer(run: Run, prop: Path, readings: Path) -> None:
    words = ["diagnose", prop, "--readings", readings, "--json"]
    # also with another order of sets of strings
    assert run(*words).out == run(*words, PYTHONHASHSEED="5").out


@pytest.mark.parametrize(
    ("text", "said"),
    [
        ("lit,probe,volts\nall,4A,lots\n", '"lots"'),
        ("lit,probe,volts\nall,4A,99\n", "99"),
        ("lit,probe,volts\nall,9A,4.8\n", "9A"),
        ("lit,probe\nall,4A\n", "volts"),
        ("", "readings.csv"),
    ],
)
def test_a_wrong_readings_file_is_refused(
    run: Run, prop: Path, tmp_path: Path, text: str, said: str
) -> None:
    path = tmp_path / "readings.csv"
    path.write_text(text, encoding="utf-8")
    run("diagnose", prop, "--readings", path).refused(2, "readings.csv", said)


def test_missing_files_are_reported(run: Run, prop: Path) -> None:
    run("diagnose", prop, "--readings", "none.csv").refused(2, "none.csv")
    run("diagnose", prop, "--marks", "none.csv").refused(2, "none.csv")


def test_an_invalid_meter_is_refused(run: Run, prop: Path) -> None:
    run("diagnose", prop, "--meter", "good").refused(2, '"good"', "0.5%+3/6000")


def test_invalid_lines_are_reported_and_left_out(run: Run, prop: Path, readings: Path) -> None:
    whole = run("diagnose", prop, "--readings", readings, "--json").json
    readings.write_text(readings.read_text("utf-8") + "all,9A,4.8\n", encoding="utf-8")
    done = run("diagnose", prop, "--readings", readings, "--json")
    assert done.code == 2
    assert "line 5" in done.err
    assert "9A" in done.err
    assert "left out" in done.err
    found = done.json
    assert [line.rpartition("readings.csv: ")[2][:7] for line in found.pop("left_out")] == [
        "line 5:"
    ]
    assert whole.pop("left_out") == []
    assert found == whole


def test_a_file_of_another_prop_is_refused(run: Run, prop: Path, tmp_path: Path) -> None:
    path = tmp_path / "readings.csv"
    rows = ["lit,probe,volts", "all,4A,4.8", "all,7A,4.7", "all,crest:9,4.7", "all,11B,4.6"]
    path.write_text("\n".join(rows) + "\n", encoding="utf-8")
    run("diagnose", prop, "--readings", path).refused(2, "7A", "crest", "11B")


def test_contradictory_marks_are_refused(run: Run, prop: Path, tmp_path: Path) -> None:
    path = tmp_path / "marks.csv"
    rows = ["lit,strand,nodes,seen", "all,1,3,dark", "all,1,3,dim", "all,2,all,ok"]
    path.write_text("\n".join(rows) + "\n", encoding="utf-8")
    run("diagnose", prop, "--marks", path).refused(2, "1.3", "dark", "dim")


def test_a_thousand_readings_are_too_many(run: Run, prop: Path, tmp_path: Path) -> None:
    path = tmp_path / "readings.csv"
    path.write_text("lit,probe,volts\n" + "all,4A,4.8\n" * 1000, encoding="utf-8")
    run("diagnose", prop, "--readings", path).refused(2, "1000 readings", "100")


def test_a_disagreeing_reading_is_reported_by_line(run: Run, prop: Path, tmp_path: Path) -> None:
    """Blank and invalid lines count too: the number is that of an editor."""
    ends = [f"{strand}{end}" for strand in range(1, 5) for end in "AB"]
    found = run("predict", prop, *[w for end in ends for w in ("--probe", end)], "--json").json
    rows = [f"all,{row['probe']},{row['volts']:.4f}" for row in found["probes"]]
    rows[4] = "all,3A,0.7310"
    lines = ["lit,probe,volts", "", 'all,"4A,1', *rows]
    path = tmp_path / "readings.csv"
    path.write_text("\n".join(lines) + "\n", encoding="utf-8")
    number = lines.index(rows[4]) + 1
    done = run("diagnose", prop, "--readings", path)
    assert f"Line {number} (3A, 0.731 V) disagrees with all others. Take it again." in done.out
    assert f"{path}: line 3: a quote is not closed" in done.err


def test_no_suspects_are_shown_as_none() -> None:
    assert split_suspects(()) == ((), ())
