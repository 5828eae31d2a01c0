"""The firmware on this computer is stopped if it hangs, so that no caller waits forever."""

from __future__ import annotations

from contextlib import closing
from pathlib import Path

import pytest

from tests.drive.boards import sealed
from tests.fuzz.board import Board, build

HELLO = sealed(bytes([1, 1, 1]))
SHORT_S = 0.2


def test_a_hanging_firmware_is_stopped_and_reported(tmp_path: Path) -> None:
    program = tmp_path / "board"
    build(program)
    with closing(Board(program, SHORT_S)) as well:
        messages, answers = well.hear(HELLO)
        assert messages == [bytes([1, 1, 1])]
        assert answers[:1] == answers[-1:] == b"\0"
    with closing(Board(program, SHORT_S, stuck=True)) as stuck:
        assert stuck.hear(b"\0") == ([], b"")  # it waits only while it has octets to send
        for _ in range(2):  # restarted, and not silent afterwards
            with pytest.raises(AssertionError, match="stopped: the firmware hangs"):
                stuck.hear(HELLO)
