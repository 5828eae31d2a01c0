"""Common behaviour of all commands: exit codes, messages without tracebacks, pure --json."""

from __future__ import annotations

import os
import platform
import sqlite3
import subprocess
import sys
from collections.abc import Callable
from importlib import metadata
from pathlib import Path
from typing import Any

import pytest

from benchtest import __version__

Run = Callable[..., Any]


@pytest.fixture
def run(run_alone: Run) -> Run:
    """Run each command as a shell does, the start of Python included."""
    return run_alone


def test_help_lists_commands_and_ends_with_0(run: Run) -> None:
    done = run("--help")
    assert done.code == 0
    assert "usage: benchtest" in done.out
    for command in ("check", "predict", "drive", "diagnose", "simulate", "netlist"):
        assert f"\n    {command} " in done.out
    assert done.err == ""


def test_all_versions_come_as_json(run: Run) -> None:
    for words in (("--version", "--json"), ("--json", "shelf", "--version")):
        found = run(*words).json
        assert found["benchtest"] == __version__
        assert found["python"].endswith(platform.python_version())
        assert found["libraries"]["numpy"] == metadata.version("numpy")
        assert found["libraries"]["SQLite"] == sqlite3.sqlite_version
        assert found["records"] >= 2


@pytest.mark.parametrize("command", [[], ["predict"], ["check"], ["drive"], ["simulate"]])
@pytest.mark.parametrize("option", ["--help", "--version"])
def test_every_command_has_help_and_version(run: Run, command: list[str], option: str) -> None:
    done = run(*command, option)
    assert done.code == 0
    assert (__version__ if option == "--version" else "usage: benchtest") in done.out


def test_a_mistyped_command_gets_a_guess(run: Run) -> None:
    run("predit").refused(2, 'no command is called "predit"', 'did you mean "predict"?')


def test_a_mistyped_option_gets_a_guess(run: Run, prop: Path) -> None:
    run("predict", prop, "--levle", "1").refused(2, '"--levle"', 'did you mean "--level"?')


def test_an_unknown_option_without_a_command_is_refused(run: Run) -> None:
    run("--bensh=x").refused(2, "--bensh", 'did you mean "--bench"?')


def test_a_shortened_option_is_refused(run: Run, prop: Path) -> None:
    run("predict", prop, "--lev", "1").refused(2, '"--lev"')


def test_a_missing_prop_argument_is_reported(run: Run) -> None:
    run("predict").refused(2, "PROP", "benchtest predict --help")


@pytest.mark.parametrize("command", ["check", "predict", "diagnose", "netlist"])
def test_a_missing_prop_file_is_reported(run: Run, command: str) -> None:
    run(command, "nowhere.toml").refused(2, "nowhere.toml")


@pytest.mark.parametrize("command", ["check", "predict", "diagnose", "netlist"])
def test_a_folder_is_not_a_prop_file(run: Run, tmp_path: Path, command: str) -> None:
    run(command, tmp_path).refused(2, str(tmp_path), "folder")


def test_a_binary_file_is_not_a_prop_file(run: Run, tmp_path: Path) -> None:
    path = tmp_path / "noise.toml"
    path.write_bytes(bytes(range(256)))
    run("check", path).refused(2, "noise.toml")


def test_all_faults_of_a_prop_file_are_reported_at_once(run: Run, prop: Path) -> None:
    text = prop.read_text(encoding="utf-8")
    prop.write_text(
        text.replace("pitch_mm = 30.0", "pitch_mm = 0.0")
        .replace('"foot:1"', '"feet:1"')
        .replace("fuse_a", "fuze_a"),
        encoding="utf-8",
    )
    run("check", prop).refused(2, "pitch_mm", "fuze_a", "fan.toml")


@pytest.mark.parametrize("command", ["check", "predict", "diagnose", "netlist"])
def test_json_output_is_one_object(run: Run, prop: Path, command: str) -> None:
    done = run(command, prop, "--json")
    assert done.code == 0, done.err
    assert done.json
    assert done.err == ""


def test_json_may_precede_the_command(run: Run, prop: Path) -> None:
    assert run("--json", "predict", prop).json == run("predict", prop, "--json").json


def test_a_bad_prop_file_prints_no_json(run: Run, prop: Path) -> None:
    prop.write_text("format = 2", encoding="utf-8")
    run("predict", prop, "--json").refused(2, "format")


@pytest.mark.parametrize("command", ["check", "predict", "diagnose"])
def test_output_is_ascii_on_an_ascii_terminal(run: Run, prop: Path, command: str) -> None:
    done = run(command, prop, PYTHONIOENCODING="ascii", PYTHONUTF8="0")
    assert done.code == 0, done.err
    assert done.out.isascii()


@pytest.mark.parametrize("columns", ["0", "20"])
def test_no_terminal_width_cuts_off_figures(run: Run, prop: Path, columns: str) -> None:
    """With `COLUMNS=0`, which some shells leave behind, the whole output used to be missing."""
    done = run("check", prop, COLUMNS=columns)
    assert done.code == 0
    assert "Lowest node" in done.out
    assert "…" not in done.out


def test_a_closed_pipe_ends_a_command_silently(prop: Path) -> None:
    """Like `benchtest netlist fan.toml | head -n 1`."""
    reading, writing = os.pipe()
    os.close(reading)
    with os.fdopen(writing, "wb") as closed_pipe:
        done = subprocess.run(
            [sys.executable, "-m", "benchtest", "netlist", str(prop)],
            stdout=closed_pipe,
            stderr=subprocess.PIPE,
            encoding="utf-8",
            timeout=60,
            check=False,
        )
    assert done.returncode == 1
    assert done.stderr == ""


def test_help_imports_nothing_heavy() -> None:
    heavy = "numpy scipy textual rich sacn serial jinja2 networkx sqlite3"
    script = (
        "import sys\n"
        "from benchtest.cli.main import main\n"
        "assert main(['predict', '--help']) == 0\n"
        f"print([name for name in '{heavy}'.split() if name in sys.modules], file=sys.stderr)\n"
    )
    done = subprocess.run(
        [sys.executable, "-c", script], capture_output=True, encoding="utf-8", check=True
    )
    assert done.stderr.strip() == "[]"


def test_main_returns_the_exit_code(capsys: pytest.CaptureFixture[str]) -> None:
    from benchtest.cli.main import main

    assert main(["--version"]) == 0
    assert main(["nonsense"]) == 2
    assert "nonsense" in capsys.readouterr().err
