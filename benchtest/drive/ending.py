"""Whatever ends a program that drives a prop, and however often: the prop goes dark first."""

from __future__ import annotations

import contextlib
import signal
from types import FrameType
from typing import NoReturn

NAMES = ("SIGINT", "SIGTERM", "SIGHUP", "SIGQUIT")
"""Ctrl-C, `kill`, a closed terminal, and Ctrl-\\ that is hit beside Ctrl-C."""
ENDINGS = tuple(getattr(signal, name) for name in NAMES if hasattr(signal, name))


def end_once() -> None:
    """From now on the first of these signals ends the program and the others are passed over.

    Who hits Ctrl-C twice would else break off what takes the prop dark, and leave it lit. That
    takes a bounded time, so nobody waits for ever.
    """
    for number in ENDINGS:
        with contextlib.suppress(ValueError):  # only the main thread may
            signal.signal(number, _end)


def _end(caught: int, _: FrameType | None) -> NoReturn:
    for number in ENDINGS:
        signal.signal(number, signal.SIG_IGN)
    if caught == signal.SIGINT:
        raise KeyboardInterrupt
    raise SystemExit(128 + caught)
