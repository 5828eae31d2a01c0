"""Signals that end this program wait until the prop is dark."""

from __future__ import annotations

import signal
import threading
from collections.abc import Iterator
from contextlib import contextmanager
from types import FrameType

ENDING = ("SIGINT", "SIGTERM", "SIGHUP")
"""Ctrl-C, a `kill`, a terminal that is closed; where the system has them."""


@contextmanager
def undisturbed() -> Iterator[None]:
    """Hold such signals back, and let them act afterwards.

    Ctrl-C that is pressed twice, or held, comes a second time while the first one is taking the
    prop dark, and would break off just that. Only the main thread is ever interrupted so; elsewhere
    this does nothing.
    """
    if threading.current_thread() is not threading.main_thread():
        yield
        return
    came: list[int] = []

    def hold(number: int, _: FrameType | None) -> None:
        came.append(number)

    before = {}
    for number in (getattr(signal, name) for name in ENDING if hasattr(signal, name)):
        # what is ignored stays so, as under nohup; what was not set from Python cannot be put back
        if signal.getsignal(number) not in (signal.SIG_IGN, None):
            before[number] = signal.signal(number, hold)
    try:
        yield
    finally:
        for number, handler in before.items():
            signal.signal(number, handler)
        if came:
            signal.raise_signal(came[0])
