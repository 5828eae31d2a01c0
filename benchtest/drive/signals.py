"""Ends and stops of a program that drives a prop: dark first, and in a bounded time."""

from __future__ import annotations

import contextlib
import os
import signal
import threading
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from types import FrameType
from typing import NoReturn, Protocol

NAMES = ("SIGINT", "SIGTERM", "SIGHUP", "SIGQUIT")
"""Ctrl-C, `kill`, a closed terminal, and Ctrl-\\ that is hit next to Ctrl-C."""
ENDINGS = tuple(getattr(signal, name) for name in NAMES if hasattr(signal, name))
END_S = 4.0
"""Time that a program has to end by itself once its end has begun. [s]"""
DARK_S = 1.5
"""From the beginning of the end until its lights are closed, if nothing has closed them yet. [s]"""
STOP_S = 0.3
"""Longest wait for the dark frames of a program that is about to be stopped. [s]"""


class Light(Protocol):
    """A driver of a prop that can be held dark and closed dark."""

    def hold(self, why: str) -> None:
        """Go dark, and stay so until somebody chooses to go on."""

    @property
    def is_calm(self) -> bool:
        """True once every frame due has been sent."""
        ...

    def close(self) -> None:
        """Go dark for good."""


_lights: list[Light] = []
_began, _drove = threading.Event(), threading.Event()


def add_light(light: Light) -> None:
    """Count a light among those that an end or a stop takes dark."""
    _lights.append(light)
    _drove.set()


def remove_light(light: Light) -> None:
    """Forget a light that is closed."""
    with contextlib.suppress(ValueError):
        _lights.remove(light)


def hold_lights(why: str) -> None:
    """Keep every light of this program dark until somebody chooses to go on."""
    for light in list(_lights):
        light.hold(why)


def begin_end(code: int, within_s: float = END_S) -> None:
    """Bound the end of this process: whatever hangs, it is gone in time, and dark before that.

    A thread that waits for a terminal which is gone would else keep the process for good, with
    every signal passed over.

    Args:
        code: exit status where it does not end by itself.
        within_s: time until then. [s]
    """
    if _began.is_set():
        return
    _began.set()
    if hasattr(signal, "setitimer"):
        # by the system itself, should not even a thread of Python get its turn
        with contextlib.suppress(ValueError):  # only the main thread may; it has a thread anyway
            signal.signal(signal.SIGALRM, signal.SIG_DFL)
            signal.setitimer(signal.ITIMER_REAL, within_s + 0.5)
    with contextlib.suppress(RuntimeError):  # the interpreter is ending already
        threading.Thread(target=_end_for_sure, args=(code, within_s), daemon=True).start()


def _end_for_sure(code: int, within_s: float) -> None:
    begun_s = time.monotonic()
    time.sleep(min(DARK_S, within_s))
    for light in list(_lights):
        with contextlib.suppress(Exception):
            light.close()
    time.sleep(max(0.0, begun_s + within_s - time.monotonic()))
    os._exit(code)


def has_driven() -> bool:
    """Return True if this process has driven a prop."""
    return _drove.is_set()


def end_once() -> None:
    """From now on the first of these signals ends the program and the others are passed over.

    Whoever hits Ctrl-C twice would else break off the way to what takes the prop dark, and leave
    it lit. The end takes a bounded time.
    """
    _hand_to(_end)
    if hasattr(signal, "SIGTSTP") and signal.getsignal(signal.SIGTSTP) is signal.SIG_DFL:
        with contextlib.suppress(ValueError):
            signal.signal(signal.SIGTSTP, _stop)


def tell_once(tell: Callable[[], object], within_s: float = END_S) -> None:
    """From now on the first of these signals is told, and the others are passed over.

    For a program that waits in a loop of its own and ends by itself. It stays so to the end of
    the process: a loop that watched signals itself would give them up while it closes, and the
    second Ctrl-C would fall into that.

    Args:
        tell: makes the loop end.
        within_s: time that it may take. [s]
    """

    def told(caught: int, _: FrameType | None) -> None:
        _pass_over()
        begin_end(128 + caught, within_s)
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
    hold_lights("the program ends")
    begin_end(128 + caught)
    if caught == signal.SIGINT:
        raise KeyboardInterrupt
    raise SystemExit(128 + caught)


def end_hung_up() -> None:
    """End the program whose terminal is gone, even where hang-ups are passed over."""
    heeded = _heeded()
    for name in ("SIGHUP", "SIGTERM"):
        if (number := getattr(signal, name, None)) in heeded:
            os.kill(os.getpid(), number)
            return


def stop_dark() -> None:
    """Take the prop dark before this program is stopped; it stays dark once the program goes on."""
    hold_lights("the program was stopped")
    due_s = time.monotonic() + STOP_S
    while time.monotonic() < due_s and not all(light.is_calm for light in list(_lights)):
        time.sleep(0.005)


def _stop(number: int, _: FrameType | None) -> None:
    """Ctrl-Z: a program that is stopped sends nothing more, and a prop may keep its last frame."""
    stop_dark()
    signal.signal(number, signal.SIG_DFL)
    signal.raise_signal(number)  # here it stands still until the shell lets it go on
    signal.signal(number, _stop)


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
