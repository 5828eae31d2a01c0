"""Commands run as the shell runs them: a process of their own."""

from __future__ import annotations

import json
import os
import subprocess
import sys
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import pytest

FAN = """\
format = 1
name = "Willow fan"

[node]
kind = "ws2811-5v"

[[strand]]
count = 4
nodes = 10
pitch_mm = 30.0
lead_mm = [60.0, 60.0]
wire = "22 AWG"

[data]
path = "zigzag"

[[bus]]
name = "foot"
joins = "A"
copper = { weight_oz = 2.0, width_mm = 8.0 }
spacing_mm = 40.0

[[bus]]
name = "crown"
joins = "B"
copper = { weight_oz = 2.0, width_mm = 8.0 }
spacing_mm = 40.0

[[feed]]
name = "main"
at = "foot:1"
volts = 5.0
wire = "16 AWG"
length_mm = 1500.0
fuse_a = 5.0
supply_a = 10.0
"""


@dataclass(frozen=True)
class Done:
    """What a command left behind."""

    code: int
    out: str
    err: str

    @property
    def json(self) -> dict[str, Any]:
        """Standard output, which must be one JSON object and nothing else."""
        found = json.loads(self.out)
        assert isinstance(found, dict)
        assert self.out.count("\n") == 1
        return found

    def refused(self, code: int, *words: str) -> None:
        """The command said why it did not, in plain words on standard error."""
        assert self.code == code, self.err
        assert self.out == ""
        assert "Traceback" not in self.err
        assert self.err.startswith("benchtest")
        for word in words:
            assert word in self.err


Run = Callable[..., Done]


@pytest.fixture
def run(tmp_path: Path) -> Run:
    """Runs `benchtest` with these words; its records go to a folder of this test's own."""

    def _run(*words: object, stdin: str = "", **environment: str) -> Done:
        done = subprocess.run(
            [sys.executable, "-m", "benchtest", *map(str, words)],
            input=stdin,
            capture_output=True,
            encoding="utf-8",
            timeout=60,
            check=False,
            cwd=tmp_path,
            env=os.environ
            | {"XDG_DATA_HOME": str(tmp_path / "data"), "COLUMNS": "100"}
            | environment,
        )
        return Done(done.returncode, done.stdout, done.stderr)

    return _run


@pytest.fixture
def prop(tmp_path: Path) -> Path:
    """A prop file without faults."""
    path = tmp_path / "fan.toml"
    path.write_text(FAN, encoding="utf-8")
    return path
