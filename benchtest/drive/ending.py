"""Whatever ends a program that drives a prop, and however often: the prop goes dark first."""

from __future__ import annotations

import contextlib
import signal
import threading
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from types import FrameType
from typing import NoReturn

NAMES = ("SIGINT", "SIGTERM", "SIGHUP", "SIGQUIT")
"""Ctrl-C, `kill`, a closed terminal, and Ctrl-\\ that is hit beside Ctrl-C."""
ENDINGS = tuple(getattr(signal, name) for name in NAMES if hasattr(signal, name))


def end_once() -> None:
    """From now on the first of these signals ends the program and the others are passed over.

    Who hits Ctrl-C twice would else break off the way to what takes the prop dark, and leave it
    lit. That takes a bounded time, so nobody waits for ever.
    """
    _hand_to(_end)


def tell_once(tell: Callable[[], object]) -> None:
    """From now on the first of these signals is told, and the others are passed over.

    For a program that waits in a loop of its own and ends by itself. It stays so to the end of
    the process: a loop that watched signals itself would give them up while it closes, and the
    second Ctrl-C would fall into that.
    """

    def told(_: int, __: FrameType | None) -> None:
        _pass_over()
        with contextlib.suppress(RuntimeError):  # its loop has closed: it is ending already
            tell()

    _hand_to(told)


def _hand_to(handler: Callable[[int, FrameType | None], None]) -> None:
    for number in _heeded():
        with contextlib.suppress(ValueError):  # only the main thread may
            signal.signal(number, handler)


def _heeded() -> list[int]:
    """Those that are not passed over anyway, as a hang-up is under nohup, or set outside Python."""
    return [one for one in ENDINGS if signal.getsignal(one) not in (signal.SIG_IGN, None)]


def _pass_over() -> None:
    for number in ENDINGS:
        signal.signal(number, signal.SIG_IGN)


def _end(caught: int, _: FrameType | None) -> NoReturn:
    _pass_over()
    if caught == signal.SIGINT:
        raise KeyboardInterrupt
    raise SystemExit(128 + caught)


@contextmanager
def undisturbed() -> Iterator[None]:
    """Hold such signals back, and let the first of them act afterwards.

    For what takes the prop dark itself, in whatever program: a signal that comes while another
    thing ends it would break off just that. Only the main thread is ever interrupted so; elsewhere
    this does nothing.
    """
    if threading.current_thread() is not threading.main_thread():
        yield
        return
    came: list[int] = []

    def hold(number: int, _: FrameType | None) -> None:
        came.append(number)

    before = {number: signal.signal(number, hold) for number in _heeded()}
    try:
        yield
    finally:
        for number, handler in before.items():
            signal.signal(number, handler)
        if came:
            signal.raise_signal(came[0])
