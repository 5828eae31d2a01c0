"""Waits for conditions, and steady rates, for tests of programs that run at the same time.

A test waits for a state, never for a time: how long something takes is the machine's affair.
"""

from __future__ import annotations

import asyncio
import contextlib
import threading
import time
from collections.abc import Awaitable, Callable, Iterator

WAIT_S = 30.0
"""Longest wait; only a failing test takes the whole of it. [s]"""
_LOOK_S = 0.005
_LOOK_SOON_S = 0.02
_CLOCK = threading.Event()  # never set: a wait on it ends at its deadline

Words = str | Callable[[], object]


def _described(words: Words, within_s: float) -> str:
    return f"not within {within_s} s: {words() if callable(words) else words}"


def wait_until_s(due_s: float) -> None:
    """Wait for a time of the monotonic clock, for work that has a rate or a duration. [s]"""
    _CLOCK.wait(max(0.0, due_s - time.monotonic()))


def came(true: Callable[[], bool], within_s: float) -> bool:
    """Return True as soon as a condition holds, False if it does not in time. [s]"""
    due_s = time.monotonic() + within_s
    while not true():
        if time.monotonic() >= due_s:
            return False
        _CLOCK.wait(_LOOK_S)
    return True


def until(true: Callable[[], bool], within_s: float = WAIT_S, words: Words = "") -> None:
    """Wait until a condition holds.

    Raises:
        AssertionError: it does not in time; `words` describe what was expected.
    """
    assert came(true, within_s), _described(words, within_s)


async def until_soon(true: Callable[[], bool], within_s: float = WAIT_S, words: Words = "") -> None:
    """Wait until a condition holds, while the event loop runs on.

    Raises:
        AssertionError: it does not in time; `words` describe what was expected.
    """
    due_s = time.monotonic() + within_s
    while not true():
        assert time.monotonic() < due_s, _described(words, within_s)
        await asyncio.sleep(_LOOK_SOON_S)


def stays(true: Callable[[], bool], for_s: float) -> bool:
    """Return True if a condition holds all the time, False as soon as it does not. [s]"""
    return not came(lambda: not true(), for_s)


def until_still(value: Callable[[], object], for_s: float, within_s: float = WAIT_S) -> None:
    """Wait until a value has not changed for a time. [s]

    Raises:
        AssertionError: it continues to change.
    """
    due_s = time.monotonic() + within_s
    while True:
        before = value()
        if stays(lambda before=before: value() == before, for_s):  # type: ignore[misc]
            return
        assert time.monotonic() < due_s, f"still changes after {within_s} s"


def beats(period_s: float, for_s: float) -> Iterator[int]:
    """Yield the number of each period at its start, by the clock: no delay adds up. [s]"""
    begun_s = time.monotonic()
    number = 0
    while (at_s := begun_s + number * period_s) < begun_s + for_s:
        wait_until_s(at_s)
        yield number
        number += 1


def act_until(act: Callable[[], object], true: Callable[[], bool], every_s: float = 0.1) -> None:
    """Repeat an action until a condition holds, as a user presses a key that had no effect.

    Raises:
        AssertionError: it does not in time.
    """
    due_s = time.monotonic() + WAIT_S
    while not true():
        assert time.monotonic() < due_s, _described("an effect", WAIT_S)
        act()
        came(true, every_s)


async def act_until_soon(
    act: Callable[[], Awaitable[object]], true: Callable[[], bool], every_s: float = 0.1
) -> None:
    """Repeat an action until a condition holds, while the event loop runs on.

    Raises:
        TimeoutError: it does not in time.
    """
    async with asyncio.timeout(WAIT_S):
        while not true():
            await act()
            with contextlib.suppress(AssertionError):
                await until_soon(true, every_s)


async def stays_soon(true: Callable[[], bool], for_s: float) -> bool:
    """Return True if a condition holds all the time, while the event loop runs on. [s]"""
    try:
        await until_soon(lambda: not true(), for_s)
    except AssertionError:
        return True
    return False
