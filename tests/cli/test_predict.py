"""`benchtest predict` and `benchtest netlist`, as separate processes."""

from __future__ import annotations

import re
import subprocess
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

Run = Callable[..., Any]


def test_json_has_the_specified_form(run: Run, prop: Path) -> None:
    found = run("predict", prop, "--lit", "1-3", "--level", "0.5", "--json").json
    assert list(found) == ["lit", "level", "colour", "feeds", "probes", "lowest_node"]
    assert (found["lit"], found["level"], found["colour"]) == ("1-3", 0.5, "white")
    assert found["feeds"][0]["feed"] == "main"
    ends = [f"{strand}{end}" for strand in range(1, 5) for end in "AB"]
    assert [row["probe"] for row in found["probes"]] == ends
    assert all(set(row) == {"probe", "volts", "sd"} for row in found["probes"])
    assert set(found["lowest_node"]) == {"node", "volts"}


def test_probes_keep_their_order(run: Run, prop: Path) -> None:
    probes = ["foot:4+>4A+", "3B", "2.7", "main"]
    words = [word for probe in probes for word in ("--probe", probe)]
    found = run("predict", prop, *words, "--json").json
    assert [row["probe"] for row in found["probes"]] == probes


def test_a_given_joint_drops_volts_by_ohms_law(run: Run, prop: Path) -> None:
    """A joint that all current passes: volts across it are amperes times ohms."""
    words = ["--joint", "main+=0.05", "--probe", "main+>foot:1+", "--json"]
    found = run("predict", prop, *words).json
    amps = found["feeds"][0]["amps"]
    assert found["probes"][0]["volts"] == pytest.approx(0.05 * amps, rel=1e-4)


def test_joints_not_named_follow_the_default(run: Run, prop: Path) -> None:
    across = ["--probe", "main+>foot:1+", "--json"]
    once = run("predict", prop, "--joint", "default=0.002", *across).json
    twice = run("predict", prop, "--joint", "default=0.004", *across).json
    ratio = twice["probes"][0]["volts"] / once["probes"][0]["volts"]
    assert ratio == pytest.approx(2.0, rel=1e-3)


def test_an_open_joint_may_be_written_open_or_inf(run: Run, prop: Path) -> None:
    written = [run("predict", prop, "--joint", f"2A+={word}", "--json") for word in ("open", "inf")]
    assert written[0].json == written[1].json


def test_shorted_rails_read_zero(run: Run, prop: Path) -> None:
    done = run("predict", prop, "--short", "2A", "--probe", "2A", "--probe", "3B", "--json").json
    assert done["probes"][0]["volts"] == 0.0
    assert 0.0 < done["probes"][1]["volts"] < 4.0
    assert done["feeds"][0]["amps"] > 30.0
    assert "limited by the wire alone" in run("predict", prop, "--short", "2A").out


@pytest.mark.parametrize(
    ("short", "says"),
    [
        ("2A=0_1", '"0_1" is not a resistance'),
        ("2A=-1", "give 0 or more"),
        ("9A", "strands 1 to 4"),
    ],
)
def test_an_invalid_short_is_refused(run: Run, prop: Path, short: str, says: str) -> None:
    done = run("predict", prop, "--short", short)
    assert done.code == 2
    assert says in done.err


def test_the_same_arguments_give_the_same_answer(run: Run, prop: Path) -> None:
    assert run("predict", prop, "--json").out == run("predict", prop, "--json").out


def test_text_output_is_a_table(run: Run, prop: Path) -> None:
    done = run("predict", prop, "--lit", "2", "--probe", "2A")
    assert done.code == 0
    assert "Willow fan: lit 2, white at 1" in done.out
    assert re.search(r"2A +4\.\d{4} +0\.\d{4}", done.out)
    assert "Lowest node" in done.out


@pytest.mark.parametrize(
    ("words", "said"),
    [
        (["--level", "2"], "level 2: give a number from 0 to 1"),
        (["--level", "nan"], "level nan"),
        (["--level", "0_5"], '"0_5" is not a number'),
        (["--lit", "9"], "the prop has strands 1 to 4"),
        (["--lit", "3-1"], "runs backwards"),
        (["--colour", "wite"], 'did you mean "white"?'),
        (["--probe", "9A"], "strands 1 to 4"),
        (["--probe", "4A+"], "one point"),
        (["--probe", "fot:4"], 'did you mean "foot"?'),
        (["--joint", "4A+"], "4A+=0.8"),
        (["--joint", "4A+=0_8"], '"0_8" is not a resistance'),
        (["--joint", "4A+=-1"], "0 or more"),
        (["--joint", "4A+=nan"], "0 or more"),
        (["--joint", "7A+=1"], "no joint"),
        (["--joint", "2Ad=1"], "carries data"),
    ],
)
def test_invalid_options_are_refused(run: Run, prop: Path, words: list[str], said: str) -> None:
    run("predict", prop, *words).refused(2, said)


def test_netlist_refuses_the_same_options(run: Run, prop: Path) -> None:
    run("netlist", prop, "--joint", "7A+=1", "--json").refused(2, "no joint")
    run("netlist", prop, "--level", "2").refused(2, "level 2")


@pytest.mark.parametrize(
    "words",
    [
        ["--lit", "1 3", "--joint", "2A+=0.8", "--probe", "2A", "--probe", "foot:2+>2A+"],
        ["--celsius", "75", "--probe", "3B", "--probe", "foot:1+>foot:4+"],
    ],
    ids=["a bad joint", "warm copper"],
)
def test_ngspice_reads_the_deck_and_agrees(
    run: Run, prop: Path, tmp_path: Path, words: list[str]
) -> None:
    """Compare the output of both commands."""
    deck = tmp_path / "fan.cir"
    deck.write_text(run("netlist", prop, *words).out, encoding="utf-8")
    done = subprocess.run(
        ["ngspice", "-b", str(deck)],
        stdin=subprocess.DEVNULL,
        capture_output=True,
        encoding="utf-8",
        timeout=60,
        check=False,
    )
    theirs = [float(volts) for volts in re.findall(r"^probe_\d+ = (\S+)$", done.stdout, re.M)]
    ours = [row["volts"] for row in run("predict", prop, *words, "--json").json["probes"]]
    assert len(theirs) == 2
    assert theirs == pytest.approx(ours, abs=10e-6)
