"""The terminal program after the loss of its terminal: dark, and gone within five seconds.

`python -m tests.bench.endings` tries every screen with every loss.
"""

from __future__ import annotations

import random
from pathlib import Path

import pytest

from tests.tui.conftest import make_ready
from tests.tui.ending_trials import lose_terminal


@pytest.mark.parametrize(
    ("kind", "screen", "deaf"),
    [
        ("window", "look", True),  # as under nohup: it read the terminal that was gone, for ever
        ("killed shell", "thinking", True),
        ("login", "help", False),
        ("multiplexer", "soak", True),
    ],
)
def test_a_program_without_its_terminal_darkens_the_prop_and_exits(
    tmp_path: Path, small_fan: Path, kind: str, screen: str, *, deaf: bool
) -> None:
    make_ready(tmp_path / "bench", small_fan, "SF-01")
    words = ["--bench", str(tmp_path / "bench")]
    lose_terminal(tmp_path, words, kind, screen, random.Random(screen), deaf=deaf)
