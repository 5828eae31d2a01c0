"""Tab completion in real bash, zsh and fish, each with the output of `benchtest completion`."""

from __future__ import annotations

import argparse
import os
import select
import subprocess
import sys
import termios
import time
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

from benchtest.cli.parser import build_parser
from benchtest.records.backup import DATABASE_FILE
from benchtest.records.shelf import Shelf
from tests.terminals import Ear

Run = Callable[..., Any]
PATIENCE_S = 30.0

ASK_BASH = """
eval "$(benchtest completion bash)"
ask() {
    COMP_LINE="$1" COMP_POINT=${#1} COMP_TYPE=9 COMPREPLY=()
    _python_argcomplete benchtest
    printf '%s\\t%s\\n' "$1" "${COMPREPLY[*]}"
}
while IFS= read -r line; do ask "$line"; done
"""


@pytest.fixture(scope="module")
def home(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Make a folder with a prop file, a bench with units, and a custom pattern."""
    home = tmp_path_factory.mktemp("home")
    words = ["new", "fan.toml", "--yes", "--strands", "2", "--units", "WF-03..WF-04"]
    command = [sys.executable, "-m", "benchtest", *words]
    subprocess.run(command, cwd=home, env=_environment(home), check=True, capture_output=True)
    (home / "readings.csv").touch()
    return home


def _environment(home: Path) -> dict[str, str]:
    path = f"{Path(sys.executable).parent}:{os.environ['PATH']}"
    own = {"PATH": path, "HOME": str(home), "XDG_DATA_HOME": str(home / "data"), "TERM": "dumb"}
    return os.environ | own | {"PS1": "$ ", "PROMPT": "$ ", "LC_ALL": "C.UTF-8"}


CASES = {
    "benchtest do": {"doctor"},
    "benchtest new fan2.toml --ki": {"--kind"},
    "benchtest new fan2.toml --kind sk": {"sk6812-5v", "sk6812-rgbw-5v"},
    "benchtest check ": {"fan.toml"},
    "benchtest diagnose fan.toml --readings ": {"readings.csv"},
    "benchtest report ": {"WF-03", "WF-04"},
    "benchtest export --unit WF": {"WF-03", "WF-04"},
    "benchtest compare ": {"WF-03", "WF-04"},
    "benchtest compare --design F": {"Fan"},
    "benchtest drive fan.toml by": {"by-strand"},
    "benchtest volts --cal": {"--calibrate"},
    "benchtest predict fan.toml --probe 2": {"2A", "2B"},
    "benchtest predict fan.toml --joint 2A": {"2A+=", "2A-="},
    "benchtest predict fan.toml --lit ": {"all", "none", "1", "2"},
    "benchtest simulate fan.toml --fault 2B": {"2B+=", "2B-=", "2Bd=open"},
    "benchtest label WF-03 ": {"WF-03", "WF-04"},
    "benchtest label --sheet l": {"letter-30"},
    "benchtest diagnose fan.toml --seen-before WF-03 W": {"WF-03", "WF-04"},
    "benchtest predict none.toml --probe 2": set(),
    "benchtest --bench nowhere report ": set(),
}


@pytest.fixture(scope="module")
def bash(home: Path) -> dict[str, set[str]]:
    """Return the completions of bash for each line."""
    done = subprocess.run(
        ["bash", "--norc", "-c", ASK_BASH],
        input="".join(f"{line}\n" for line in CASES),
        cwd=home, env=_environment(home), text=True, capture_output=True, check=True,
    )  # fmt: skip
    rows = [row.split("\t") for row in done.stdout.splitlines()]
    return {line: set(offered.split()) for line, offered in rows}


@pytest.mark.parametrize("line", CASES)
def test_bash_completes_matching_words(bash: dict[str, set[str]], line: str) -> None:
    offered = bash[line] - {"data/"}  # a folder, to go on in
    if not line.split(" ")[-1]:
        offered = {word for word in offered if not word.startswith("--")}  # they fit everywhere
    assert offered == CASES[line]


def test_completion_creates_no_bench(bash: dict[str, set[str]], home: Path) -> None:
    assert "--output" in bash["benchtest --bench nowhere report "]
    assert not (home / "nowhere").exists()
    with Shelf(home / "data" / "benchtest") as shelf:
        assert shelf.path.name == DATABASE_FILE
        assert [unit.tag for unit in shelf.units()] == ["WF-03", "WF-04"]


BEGIN = {
    "bash": (["bash", "--norc", "-i"], 'eval "$(benchtest completion bash)"'),
    "zsh": (
        ["zsh", "-f", "-i"],
        'autoload -Uz compinit; compinit -u; eval "$(benchtest completion zsh)"',
    ),
}


@pytest.mark.parametrize("shell", BEGIN)
def test_tab_completes_at_a_terminal(home: Path, shell: str) -> None:
    """Commands, options and choices are completed, a tag up to the common prefix."""
    words, setup = BEGIN[shell]
    master, slave = os.openpty()
    termios.tcsetwinsize(slave, (24, 200))
    process = subprocess.Popen(
        ["setsid", "--ctty", "--wait", *words],
        stdin=slave, stdout=slave, stderr=slave, cwd=home, env=_environment(home),
    )  # fmt: skip
    os.close(slave)
    os.write(master, f"{setup}; echo rea''dy\r".encode())
    ear = Ear(master)
    _read_until(ear, "ready")
    os.write(master, b"benchtest expo\t--cs\tread\t--un\tW\t3; echo said $?\r")
    _read_until(ear, "said 2")
    os.write(master, b"benchtest repo\tW\t3\r")
    _read_until(ear, "benchtest: unit WF-03: has no test to report yet")
    os.write(master, b"exit\r")
    assert process.wait(PATIENCE_S) == 2  # as `benchtest report` ended
    os.close(master)


def _read_until(ear: Ear, words: str) -> str:
    seen, end_s = "", time.monotonic() + PATIENCE_S
    while words not in seen and time.monotonic() < end_s:
        if select.select([ear.end], [], [], 0.5)[0]:
            seen += ear.read()
    assert words in seen, seen
    return seen


def _words() -> dict[str, set[str]]:
    """Yield beginnings of a line with the options or choices that complete them."""
    (commands,) = [
        action.choices
        for action in build_parser()._actions
        if isinstance(action, argparse._SubParsersAction)
    ]
    words = {"benchtest ": set(commands), "benchtest --": _options(build_parser())}
    for name, parser in commands.items():
        words[f"benchtest {name} --"] = _options(parser)
        for action in parser._actions:
            if action.choices is not None:
                option = "".join(f"{word} " for word in action.option_strings)
                words[f"benchtest {name} {option}"] = set(action.choices)
    return words


def _options(parser: argparse.ArgumentParser) -> set[str]:
    shown = [action for action in parser._actions if action.help != argparse.SUPPRESS]
    named = [word for action in shown for word in action.option_strings]
    return {word for word in named if word.startswith("--")}


def test_fish_completes_every_option_and_choice(home: Path) -> None:
    words = _words() | {
        "benchtest report ": {"WF-03", "WF-04"},
        "benchtest new x.toml --kind sk": {"sk6812-5v", "sk6812-rgbw-5v"},
    }
    script = "benchtest completion fish | source\n"
    for line in words:
        script += f"echo \"@{line}\"; complete -C '{line}' | string replace -r '\\t.*' ''\n"
    done = subprocess.run(
        ["fish", "--no-config", "-c", script],
        cwd=home, env=_environment(home), text=True, capture_output=True, check=False,
    )  # fmt: skip
    _, *parts = done.stdout.split("@")
    offered = {line: set(rest) for line, *rest in (part.splitlines() for part in parts)}
    for line, expected in words.items():
        if not line.endswith("--"):  # options fit everywhere
            offered[line] = {word for word in offered[line] if not word.startswith("--")}
        assert offered[line] == expected, line


def test_an_unknown_shell_gets_a_guess(run: Run) -> None:
    run("completion", "zhs").refused(2, 'did you mean "zsh"?')
    run("completion", "bash", "--json").refused(2, "leave out --json")


def test_the_completion_library_is_loaded_on_request_only() -> None:
    code = (
        "import sys; from benchtest.cli.main import main; assert main(['--help']) == 0\n"
        "print([name for name in sys.modules if 'argcomplete' in name], file=sys.stderr)"
    )
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert done.stderr == "[]\n"
