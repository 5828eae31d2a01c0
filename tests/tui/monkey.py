"""Random keys in bursts at the real terminal program, watched by an E1.31 receiver of its own."""

from __future__ import annotations

import random
import time
from collections.abc import Sequence

from textual import events

from benchtest.tui.app import BenchApp
from benchtest.tui.bench_screen import BenchScreen
from tests.receiver import Watcher
from tests.tui.conftest import Driven
from tests.waiting import until_soon, wait_until_s

NAMES = {" ": "space", "?": "question_mark", ".": "full_stop", "-": "minus"}
SIGNS = " xx?ntbbuwcydRlsGrfm123459.-+a"
SPECIAL = (
    *("escape", "escape", "escape", "enter", "enter", "tab", "up", "down", "left", "right"),
    *("pageup", "pagedown", "home", "f5", "f9", "ctrl+p", "N"),
)


def burst(chance: random.Random, longest: int) -> list[events.Key]:
    """Draw keys that a user, or a book on the keyboard, might press together."""
    drawn = []
    for _ in range(chance.randint(1, longest)):
        if chance.random() < 0.4:
            drawn.append(events.Key(chance.choice(SPECIAL), None))
        else:
            sign = chance.choice(SIGNS)
            drawn.append(events.Key(NAMES.get(sign, sign), sign))
    return drawn


def has_bench(app: BenchApp) -> bool:
    """Return True if a unit's screen is open, perhaps below a window."""
    return any(isinstance(screen, BenchScreen) for screen in app.screen_stack)


async def press_together(at: Driven, keys: Sequence[events.Key]) -> None:
    """Queue keys in one turn of the loop, as after a stall, and wait until idle."""
    for key in keys:
        at.app.post_message(key)
    await at.pilot.pause()


async def until_dark_or_bench(at: Driven, watcher: Watcher, within_s: float = 10.0) -> None:
    """Wait until the prop is dark, or a unit's screen is open again."""
    await until_soon(lambda: not watcher.is_lit or has_bench(at.app), within_s)


async def at_random(
    at: Driven, watcher: Watcher, chance: random.Random, keys: int, *, stalls: bool = False
) -> int:
    """Press keys in bursts; return how often the shelf was shown.

    Args:
        at: the program.
        watcher: receiver of the prop's frames.
        chance: draws the keys.
        keys: at least so many.
        stalls: True delays the program at random, like a busy machine.

    Raises:
        AssertionError: the program failed, or the prop stayed lit while no unit's screen was open.
    """
    pressed = shelves = 0
    while pressed < keys:
        drawn = burst(chance, 12)
        pressed += len(drawn)
        words = " ".join(key.key for key in drawn)
        if stalls and chance.random() < 0.1:
            wait_until_s(time.monotonic() + chance.uniform(0.0, 0.4))
        await press_together(at, drawn)
        assert at.app._exception is None, f"{at.app._exception!r} after: {words}"
        if not at.app.is_running:  # by the palette's "End"
            assert at.app._exit, f"ended after: {words}"
            return shelves
        assert at.app.screen_stack, f"no shelf after: {words}"
        if not has_bench(at.app):
            shelves += 1
            try:
                await until_dark_or_bench(at, watcher)
            except AssertionError:
                stack = [type(screen).__name__ for screen in at.app.screen_stack]
                raise AssertionError(f"lit at {stack} after: {words}") from None
            if chance.random() < 0.7:  # back to the bench, for that is where the light is
                await press_together(at, [events.Key("escape", None)] * 3)
                await press_together(at, [events.Key("enter", None)])
    return shelves
