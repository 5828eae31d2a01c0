"""Frame rate of the bridge, and the delay until a pulled plug is noticed.

The real firmware in simavr, held to real time, through our driver and a pty, by the board's own
clock; without the 1 to 16 ms that a USB serial chip adds to each answer.

    python tests/bench/bridge.py
"""

from __future__ import annotations

import statistics
import sys
import tempfile
import time
from itertools import pairwise
from pathlib import Path

import numpy as np

sys.path.insert(0, str(Path(__file__).parents[2]))

from benchtest.drive.bridge.driver import BridgeDriver
from benchtest.prop.design import Design
from tests.bench.figures import note, run
from tests.conftest import _fan
from tests.drive.boards import HERTZ, Built, SimulatedBoard, build

FRAMES = 60


def frames_a_second(design: Design, board: SimulatedBoard, every: int) -> float:
    """Frames sent while each differs from the last; each marks one node in so many."""
    driver = BridgeDriver(design, str(board.port))
    driver.open()
    frame = np.full((design.node_count, 3), 9, dtype=np.uint8)
    first = len(board.bursts())
    for level in range(FRAMES):
        frame[::every] = level
        driver.show(frame)
        while driver.status().frames <= level:
            time.sleep(0.0005)
    starts = [burst.start for burst in board.bursts()[first : first + FRAMES]]
    driver.close()
    return HERTZ / statistics.median(after - before for before, after in pairwise(starts))


def noticed_s(built: Built, design: Design) -> float:
    """Time from the pull to the words on the screen. [s]"""
    with tempfile.TemporaryDirectory() as folder:
        board = SimulatedBoard(built, Path(folder))
        driver = BridgeDriver(design, str(board.port))
        driver.open()
        board.unplug()
        start_s = time.monotonic()
        while driver.status().trouble is None:
            time.sleep(0.001)
        found_s = time.monotonic() - start_s
        driver.close()
    return found_s


def main() -> None:
    """Print the figures."""
    with tempfile.TemporaryDirectory() as folder:
        built = build(Path(folder))
        board = SimulatedBoard(built, Path(folder))
        for nodes in (100, 400, 1000, 2000):
            design = _fan(nodes // 50, 50)
            plain = frames_a_second(design, board, nodes)
            ruler = frames_a_second(design, board, 5)
            note(f"frames through the bridge, {nodes} nodes of one colour", plain, "a second")
            note(f"frames through the bridge, {nodes} nodes as a ruler", ruler, "a second")
            print(f"{nodes:5d} nodes: {plain:6.1f} frames/s of one colour, {ruler:6.1f} as a ruler")
        board.close()
        times_s = [noticed_s(built, _fan(2, 50)) for _ in range(9)]
    note("a pulled plug is noticed, worst of 9", max(times_s), "s", most=1.0)
    print(f"unplugged: noticed after {statistics.median(times_s):.2f} s, worst {max(times_s):.2f}")


if __name__ == "__main__":
    run(main)
