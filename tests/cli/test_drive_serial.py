"""`benchtest drive --to serial:`, as a separate process, with the bridge's real firmware."""

from __future__ import annotations

import itertools
import signal
import subprocess
import sys
from collections.abc import Callable, Sequence
from pathlib import Path
from typing import Any

import pytest

from tests.drive.boards import SimulatedBoard
from tests.waiting import act_until, until

Run = Callable[..., Any]
NODES = 40


def test_a_pattern_reaches_the_data_line_and_ends_dark(
    run: Run, prop: Path, board: SimulatedBoard
) -> None:
    before = len(board.bursts())
    words = ["full-white", "--to", f"serial:{board.port}", "--seconds", "1", "--json"]
    found = run("drive", prop, *words).json
    assert found["to"] == f"serial:{board.port}"
    frames = [b.octets for b in board.bursts()[before:] if len(b.octets) == 3 * NODES]
    # on a slow machine a frame is sent again, and the board's own watchdog sends dark ones
    assert len(frames) >= found["frames"]
    assert all(len(set(frame)) == 1 for frame in frames)
    levels = [frame[0] for frame in frames]
    while levels[-2:] == [0, 0]:
        del levels[-1]
    assert levels[-2:] == [255, 0]
    assert levels[:-1] == sorted(levels[:-1])  # full white comes up by a ramp
    assert len(set(levels)) > 4


HURRY = (signal.SIGTERM, signal.SIGINT, signal.SIGQUIT, signal.SIGHUP)


@pytest.mark.parametrize("endings", [HURRY, (signal.SIGKILL,)], ids=["hurry", "killed"])
def test_every_signal_ends_dark(
    prop: Path, tmp_path: Path, board: SimulatedBoard, endings: Sequence[signal.Signals]
) -> None:
    words = [sys.executable, "-m", "benchtest", "--bench", str(tmp_path / "bench")]
    words += ["drive", str(prop), "walk", "--to", f"serial:{board.port}"]
    with subprocess.Popen(words, stdout=subprocess.DEVNULL, stderr=subprocess.PIPE) as driving:
        until(lambda: sum(board.shown()) == 3 * 128)  # one node at half of full
        presses = itertools.cycle(endings)  # the last frame and the board's answer take a moment
        act_until(
            lambda: driving.send_signal(next(presses)),
            lambda: driving.poll() is not None,
            every_s=0.002,
        )
        _, said = driving.communicate(timeout=20)
    assert b"Traceback" not in said
    if endings is not HURRY:  # that leaves it to the board's own watchdog
        until(lambda: board.shown() == bytes(3 * NODES))
    assert board.shown() == bytes(3 * NODES)


def test_serial_alone_lists_the_ports(run: Run, prop: Path) -> None:
    done = run("drive", prop, "walk", "--to", "serial")
    done.refused(2, "write serial:DEVICE; ", "serial port")
