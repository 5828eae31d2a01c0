"""Random keys in bursts. By hand: `python -m tests.bench.monkey [KEYS] [SEED]`; an hour for 50 000.

The real terminal program at three sizes, down to 1 × 1, on a small prop, with every finding worked
out meanwhile; between bursts it stalls at random. A receiver of its own watches the light.
"""

from __future__ import annotations

import asyncio
import random
import sys
import tempfile
import time
from pathlib import Path

from tests.bench.figures import note, run
from tests.receiver import Watcher
from tests.tui.conftest import SMALL_FAN, driven
from tests.tui.monkey import at_random

KEYS = 50_000
SIZES = ((100, 40), (80, 24), (1, 1))
A_PROGRAM = 500
"""Keys that one program takes before the next begins with the records that it left."""


async def _program(folder: Path, size: tuple[int, int], seed: int, keys: int) -> tuple[int, int]:
    """Run one program; return how often the shelf was shown, and packets with light."""
    prop = folder / "small-fan.toml"
    prop.write_text(SMALL_FAN)
    watcher = Watcher()
    try:
        async with driven(folder / "bench", prop, to=watcher.to, size=size) as at:
            shelves = await at_random(at, watcher, random.Random(seed), keys, stalls=True)
        due_s = time.monotonic() + 5.0
        while watcher.is_lit:
            assert time.monotonic() < due_s, "lit after the program ended"
            await asyncio.sleep(0.01)
        return shelves, watcher.lit_packets
    finally:
        watcher.close()


def main(keys: int = KEYS, seed: int = 1) -> None:
    """Press so many keys; stop at the first failure, with the keys pressed."""
    shelves = lit = pressed = programs = 0
    while pressed < keys:
        part = min(A_PROGRAM, keys - pressed)
        with tempfile.TemporaryDirectory(prefix="monkey-") as folder:
            size = SIZES[programs % len(SIZES)]
            shown, packets = asyncio.run(_program(Path(folder), size, seed + programs, part))
        shelves, lit = shelves + shown, lit + packets
        pressed, programs = pressed + part, programs + 1
        done = f"{pressed} keys, {programs} programs, {shelves} times at the shelf"
        print(f"{done}, {lit} packets with light", flush=True)
    note("keys pressed in bursts", pressed, "")
    note("times at the shelf, dark each time", shelves, "")


if __name__ == "__main__":
    run(lambda: main(*map(int, sys.argv[1:3])))
