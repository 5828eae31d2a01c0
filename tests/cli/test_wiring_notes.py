"""The notes on wiring: every command in them runs, every piece of a prop file is read."""

from __future__ import annotations

import contextlib
import re
import shlex
import shutil
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

import benchtest.virtual
from benchtest.prop.joints import power_joints
from benchtest.prop.reader import parse_design
from tests.receiver import Watcher

Run = Callable[..., Any]

ROOT = Path(__file__).parents[2]
NOTES = (ROOT / "hw_notes" / "wiring.md").read_text(encoding="utf-8")
EXAMPLE = Path(benchtest.virtual.__file__).parent / "willow-fan.toml"
STRANDS = """
format = 1
name = "Willow fan"
[node]
kind = "ws2811-5v"
[[strand]]
count = 2
nodes = 10
pitch_mm = 30.0
wire = "22 AWG"
[data]
path = "from-A"
"""


def _blocks(kind: str) -> list[str]:
    return re.findall(rf"^```{kind}\n(.*?)^```$", NOTES, re.MULTILINE | re.DOTALL)


COMMANDS = [line for block in _blocks("sh") for line in block.splitlines()]
OUTPUTS, *PIECES = _blocks("toml")
OPTIONS = re.findall(r"`(--joint [^`]+)`", NOTES)


def test_the_notes_contain_commands() -> None:
    assert len(COMMANDS) == 8
    assert (len(PIECES), len(OPTIONS)) == (2, 2)


@pytest.mark.parametrize("line", COMMANDS)
def test_every_command_of_the_notes_runs(run: Run, tmp_path: Path, line: str) -> None:
    shutil.copy(EXAMPLE, tmp_path)
    run("check", EXAMPLE.name, "--write-ports", "ports.csv")
    program, *words = shlex.split(line)
    assert program == "benchtest"
    with contextlib.closing(Watcher()) as controller:
        done = run(*[controller.to if word == "e131:127.0.0.1" else word for word in words])
    assert done.code == 0, done.err
    assert done.out or words[0] == "drive"


def test_the_outputs_of_the_notes_are_read() -> None:
    design = parse_design(EXAMPLE.read_text("utf-8").partition("[output]")[0] + OUTPUTS, "fan.toml")
    assert [output.universe for output in design.outputs] == [1, 4]


@pytest.mark.parametrize("piece", PIECES)
def test_every_piece_of_a_prop_file_is_read_and_checked(
    run: Run, tmp_path: Path, piece: str
) -> None:
    path = tmp_path / "piece.toml"
    path.write_text(STRANDS + piece, encoding="utf-8")
    assert run("check", path, "--json").json["warnings"] == []


def test_the_joints_are_those_that_the_notes_name() -> None:
    plugs, apart = (parse_design(STRANDS + piece, "piece.toml") for piece in PIECES)
    ohm = {joint.name: joint.ohm for joint in power_joints(plugs)}
    assert (ohm["2A+"], ohm["2A-"], ohm["main+"]) == (0.012, 0.012, 0.002)
    names = [joint.name for joint in power_joints(apart)]
    assert [name for name in names if "~" in name] == ["1B~2A-"]


@pytest.mark.parametrize(("option", "ohm"), list(zip(OPTIONS, [0.002, 0.02], strict=True)))
def test_joint_options_override_the_file(run: Run, tmp_path: Path, option: str, ohm: float) -> None:
    """All of strand 2's current, 10 x 36.8 mA, passes its joint at A."""
    path = tmp_path / "piece.toml"
    path.write_text(STRANDS + PIECES[0], encoding="utf-8")
    found = run("predict", path, *shlex.split(option), "--probe", "foot:2+>2A+", "--json").json
    assert found["probes"][0]["volts"] == pytest.approx(0.368 * ohm, abs=1e-6)


def test_the_figures_of_warm_copper_are_the_published_ones() -> None:
    """0.00393 per degree, handbook tables: 40 degrees are 15.7 %."""
    assert "0.393 % more resistance for each degree above 20 °C: 16 % more at 60 °C" in NOTES
    assert round(100 * 0.00393 * 40) == 16


def test_the_json_keys_of_the_notes_exist(run: Run) -> None:
    found = run("check", EXAMPLE, "--json").json
    named = re.findall(r"`(\w+)`", NOTES.partition("With `--json` these are")[2].split("##")[0])
    assert len(named) == 11
    assert set(named) <= set(found)
