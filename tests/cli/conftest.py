"""Commands run as separate processes."""

from __future__ import annotations

import json
import os
import subprocess
import sys
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import pytest

from tests.cli.forked import Forks
from tests.drive.boards import SimulatedBoard, build
from tests.props import SMALL_FAN

FAN = SMALL_FAN.replace("Small fan", "Willow fan").replace("fuse_a = 1.0", "fuse_a = 5.0")


@dataclass(frozen=True)
class Done:
    """Exit code and output of a command."""

    code: int
    out: str
    err: str

    @property
    def json(self) -> dict[str, Any]:
        """Return standard output, which must be one JSON object."""
        found = json.loads(self.out)
        assert isinstance(found, dict)
        assert self.out.count("\n") == 1
        return found

    def refused(self, code: int, *words: str) -> None:
        """Assert that the command refused its input with these words on standard error."""
        assert self.code == code, self.err
        assert self.out == ""
        assert "Traceback" not in self.err
        assert self.err.startswith("benchtest")
        for word in words:
            assert word in self.err


Run = Callable[..., Done]


def _environment(tmp_path: Path, **more: str) -> dict[str, str]:
    return os.environ | {"XDG_DATA_HOME": str(tmp_path / "data"), "COLUMNS": "100"} | more


@pytest.fixture
def run_alone(tmp_path: Path) -> Run:
    """Return a function that runs `benchtest` as a shell does, with a data folder in `tmp_path`."""

    def _run(*words: object, stdin: str = "", **environment: str) -> Done:
        done = subprocess.run(
            [sys.executable, "-m", "benchtest", *map(str, words)],
            input=stdin,
            capture_output=True,
            encoding="utf-8",
            timeout=60,
            check=False,
            cwd=tmp_path,
            env=_environment(tmp_path, **environment),
        )
        return Done(done.returncode, done.stdout, done.stderr)

    return _run


@pytest.fixture(scope="session")
def forks() -> Iterator[Forks]:
    """Start the process whose forks run commands."""
    made = Forks()
    yield made
    made.close()


@pytest.fixture
def run(tmp_path: Path, forks: Forks, run_alone: Run) -> Run:
    """Return a function that runs `benchtest` with a data folder in `tmp_path`.

    With variables of the environment, some of which Python itself reads as it starts, the command
    runs as a shell runs it.
    """

    def _run(*words: object, stdin: str = "", **environment: str) -> Done:
        if environment:
            return run_alone(*words, stdin=stdin, **environment)
        return Done(*forks.run([*map(str, words)], stdin, tmp_path, _environment(tmp_path)))

    return _run


@pytest.fixture
def prop(tmp_path: Path) -> Path:
    """Write a valid prop file."""
    path = tmp_path / "fan.toml"
    path.write_text(FAN, encoding="utf-8")
    return path


@pytest.fixture(scope="module")
def board(tmp_path_factory: pytest.TempPathFactory) -> Iterator[SimulatedBoard]:
    """Start the bridge's real firmware in simavr, one for all tests of a module."""
    folder = tmp_path_factory.mktemp("firmware")
    made = SimulatedBoard(build(folder), folder)
    yield made
    made.close()
