"""The firmware on this computer ends where it hangs: what waits for it would wait for ever."""

from __future__ import annotations

from contextlib import closing
from pathlib import Path

import pytest

from tests.drive.boards import sealed
from tests.fuzz.board import Board, build

HELLO = sealed(bytes([1, 1, 1]))
SHORT_S = 0.2


def test_a_firmware_that_hangs_is_ended_and_said_so(tmp_path: Path) -> None:
    program = tmp_path / "board"
    build(program)
    with closing(Board(program, SHORT_S)) as well:
        messages, answers = well.hear(HELLO)
        assert messages == [bytes([1, 1, 1])]
        assert answers[:1] == answers[-1:] == b"\0"
    with closing(Board(program, SHORT_S, stuck=True)) as stuck:
        assert stuck.hear(b"\0") == ([], b"")  # it waits only where it has something to say
        for _ in range(2):  # switched on anew, and not silent from then on
            with pytest.raises(AssertionError, match="stopped: the firmware hangs"):
                stuck.hear(HELLO)
