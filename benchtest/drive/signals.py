"""End and stop of a program that drives a prop: dark first, within a bounded time."""

from __future__ import annotations

import contextlib
import os
import queue
import signal
import threading
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from types import FrameType
from typing import NoReturn, Protocol

from benchtest.operating_system import (
    END_SIGNALS,
    STOP_SIGNAL,
    end_after,
    on_console_close,
    signal_main_thread,
    signal_this_process,
)

_END_TIMEOUT_S = 4.0
"""Time that a program has to end by itself once its end has begun. [s]"""
_DARK_TIMEOUT_S = 1.5
"""Delay after which the lights are closed if the program has not closed them yet. [s]"""
_STOP_TIMEOUT_S = 0.3
"""Longest wait for the dark frames of a program that is about to be stopped. [s]"""
_STOP_POLL_INTERVAL_S = 0.005
"""Interval between checks that the lights are dark before a stop. [s]"""


class StoppableLight(Protocol):
    """A driver of a prop that can be held dark and closed dark."""

    def hold(self, why: str) -> None:
        """Go dark, and stay dark until the user resumes."""

    @property
    def rests_dark(self) -> bool:
        """True once it is held and its dark frames are sent; does not wait."""
        ...

    def close(self) -> None:
        """Go dark for good."""


_lights: list[StoppableLight] = []
_began, _drove = threading.Event(), threading.Event()


def add_light(light: StoppableLight) -> None:
    """Register a light that an end or a stop takes dark."""
    _lights.append(light)
    _stopper.start()
    _drove.set()


def remove_light(light: StoppableLight) -> None:
    """Unregister a closed light."""
    with contextlib.suppress(ValueError):
        _lights.remove(light)


def hold_lights(why: str) -> None:
    """Hold every light of this program dark until the user resumes."""
    for light in list(_lights):
        light.hold(why)


def exit_within(code: int, within_s: float = _END_TIMEOUT_S) -> None:
    """Limit the time of this process's end, and take the lights dark before that.

    A thread that waits for a closed terminal would otherwise keep the process forever, with every
    signal ignored.

    Args:
        code: exit status if the process does not end by itself.
        within_s: time until the forced end. [s]
    """
    if _began.is_set():
        return
    _began.set()
    end_after(within_s + 0.5)  # even if no thread of Python gets a turn
    with contextlib.suppress(RuntimeError):  # the interpreter is ending already
        threading.Thread(target=_force_exit, args=(code, within_s), daemon=True).start()


def _force_exit(code: int, within_s: float) -> None:
    begun_s = time.monotonic()
    time.sleep(min(_DARK_TIMEOUT_S, within_s))
    _close_lights()
    time.sleep(max(0.0, begun_s + within_s - time.monotonic()))
    os._exit(code)


def _close_lights() -> None:
    for light in list(_lights):
        with contextlib.suppress(Exception):
            light.close()


def has_driven() -> bool:
    """Return True if this process has driven a prop."""
    return _drove.is_set()


def exit_on_first_signal() -> None:
    """End the program on the first of these signals and ignore the others.

    A second Ctrl-C would otherwise interrupt the code that takes the prop dark, and leave it lit.
    The end takes a bounded time.
    """
    _set_handler(_exit)
    if STOP_SIGNAL is not None and signal.getsignal(STOP_SIGNAL) is signal.SIG_DFL:
        with contextlib.suppress(ValueError):
            signal.signal(STOP_SIGNAL, _stop)


def notify_on_first_signal(notify: Callable[[], object], within_s: float = _END_TIMEOUT_S) -> None:
    """Call back on the first of these signals and ignore the others.

    For a program that waits in a loop of its own and ends by itself. The handlers stay until the
    process ends: a loop that handled signals itself would remove its handlers while it closes, and
    a second Ctrl-C would come just then.

    Args:
        notify: makes the loop end.
        within_s: time that the loop may take to end. [s]
    """

    def handle(caught: int, _: FrameType | None) -> None:
        _ignore_signals()
        exit_within(128 + caught, within_s)
        with contextlib.suppress(RuntimeError):  # the loop has closed: it is ending already
            notify()

    _set_handler(handle)


def _set_handler(handler: Callable[[int, FrameType | None], None]) -> None:
    for number in _active_signals():
        with contextlib.suppress(ValueError):  # only the main thread may
            signal.signal(number, handler)
    on_console_close(_close_lights)


def _active_signals() -> list[int]:
    """Return the signals not ignored (as a hang-up is under nohup) nor set outside Python."""
    return [one for one in END_SIGNALS if signal.getsignal(one) not in (signal.SIG_IGN, None)]


def _ignore_signals() -> None:
    for number in END_SIGNALS:
        signal.signal(number, signal.SIG_IGN)


def _exit(caught: int, _: FrameType | None) -> NoReturn:
    _ignore_signals()
    hold_lights("the program ends")
    exit_within(128 + caught)
    if caught == signal.SIGINT:
        raise KeyboardInterrupt
    raise SystemExit(128 + caught)


def exit_after_hangup() -> None:
    """End the program after its terminal is gone, even if hang-ups are ignored."""
    active = _active_signals()
    for name in ("SIGHUP", "SIGTERM"):
        if (number := getattr(signal, name, None)) in active:
            signal_this_process(number)
            return


def stop_dark(number: int, stop: Callable[[], object]) -> None:
    """Take the prop dark, then stop this program; to be called by the handler of a stop signal.

    The handler interrupts the main thread, which may hold the lock that the dark frame waits for.
    So this returns while a light is not dark yet; a thread sends the signal again once all are,
    and the handler then stops the program. Lights stay dark after the program goes on.

    Args:
        number: the signal that is being handled.
        stop: stops the program; called once the lights are dark or time is up.
    """
    _stopper.request(number, stop)


def finish_stop() -> None:
    """Wait for a pending stop, in a program that ends once it is held dark."""
    _stopper.finish()


class _Stopper:
    """A delay of a stop signal until the prop is dark."""

    def __init__(self) -> None:
        self._due_s: float | None = None
        self._is_waiting = self._is_stopping = False
        self._requests: queue.SimpleQueue[int] = queue.SimpleQueue()  # `put` may interrupt `put`
        self._thread: threading.Thread | None = None

    def start(self) -> None:
        """Start the waiting thread; a handler cannot, as it may have interrupted a start."""
        if self._thread is None and STOP_SIGNAL is not None:
            self._thread = threading.Thread(target=self._run, name="stop when dark", daemon=True)
            self._thread.start()

    def request(self, number: int, stop: Callable[[], object]) -> None:
        """Stop now if every light is dark, else ask the thread to send the signal again."""
        if self._is_stopping:  # a second signal that came together with the first
            return
        lit = [light for light in list(_lights) if not light.rests_dark]
        for light in lit:
            light.hold("the program was stopped")
        now_s = time.monotonic()
        if self._due_s is None:
            self._due_s = now_s + _STOP_TIMEOUT_S
        if lit and self._thread is not None and now_s < self._due_s:
            if not self._is_waiting:
                self._is_waiting = True
                self._requests.put(number)
            return
        self._is_stopping = True
        try:
            stop()
        finally:
            self._due_s, self._is_stopping = None, False

    def finish(self) -> None:
        """Wait until a requested stop has happened and the program continues."""
        while self._due_s is not None:
            time.sleep(_STOP_POLL_INTERVAL_S)

    def _run(self) -> None:
        while True:
            number = self._requests.get()
            due_s = time.monotonic() + _STOP_TIMEOUT_S
            while time.monotonic() < due_s and not all(one.rests_dark for one in list(_lights)):
                time.sleep(_STOP_POLL_INTERVAL_S)
            self._is_waiting = False
            signal_main_thread(number)


_stopper = _Stopper()


def _stop(number: int, _: FrameType | None) -> None:
    """Handle Ctrl-Z: take the prop dark before the program stops sending."""

    def stop() -> None:
        signal.signal(number, signal.SIG_DFL)
        signal.raise_signal(number)  # the program stands still here until the shell continues it
        signal.signal(number, _stop)

    stop_dark(number, stop)


@contextmanager
def defer_signals() -> Iterator[None]:
    """Defer these signals during the block, and let the first of them act afterwards.

    For code that takes the prop dark: a second signal would interrupt it. Signals interrupt only
    the main thread; in another thread this does nothing.
    """
    if threading.current_thread() is not threading.main_thread():
        yield
        return
    came: list[int] = []

    def hold(number: int, _: FrameType | None) -> None:
        came.append(number)

    before = {number: signal.signal(number, hold) for number in _active_signals()}
    try:
        yield
    finally:
        for number, handler in before.items():
            signal.signal(number, handler)
        if came:
            signal.raise_signal(came[0])
