"""Textual driver for a terminal: exits with the terminal, and darkens the prop before a stop.

Not for Windows, where the library has another driver and a console has neither hang-up nor stop.
"""

from __future__ import annotations

import contextlib
import os
import queue
import select
import signal
import sys
import threading
from collections.abc import Callable
from typing import Any

from textual.drivers.linux_driver import LinuxDriver

from benchtest.drive.signals import exit_after_hangup, hold_lights, stop_dark

assert sys.platform != "win32"

LOOK_MS = 500
"""Interval at which the watch checks whether the program has ended. [ms]"""

FLUSH_S = 1.0
"""Longest wait until the terminal has accepted the last drawing. [s]"""


class TerminalDriver(LinuxDriver):
    """Ends the program with its terminal, and makes the prop dark before a stop.

    The library keeps reading a closed terminal in a thread that keeps the process alive; and it
    waits without limit for room in the queue of a writer thread that has failed at such a terminal.
    Its signal handlers draw, and so may wait for a lock that the interrupted code holds.
    """

    def __init__(self, *words: Any, **named: Any) -> None:
        super().__init__(*words, **named)
        self._watching = False

    def start_application_mode(self) -> None:
        super().start_application_mode()  # type: ignore[no-untyped-call]
        if not self._watching:
            self._watching = True
            threading.Thread(target=self._watch, name="terminal watch", daemon=True).start()

    def _watch(self) -> None:
        """Wait until the terminal hangs up, without reading from it.

        If only the shell has ended, and SIGHUP is ignored, the terminal may still exist: the prop
        goes dark, and a key lights it.
        """
        parent = os.getppid()
        watch = select.poll()
        watch.register(self.fileno, 0)
        while self._watching:
            found = watch.poll(LOOK_MS)
            if any(event & select.POLLNVAL for _, event in found):
                watch.unregister(self.fileno)  # this system cannot poll terminals
            elif found:
                self._watching = False
                self.exit_event.set()  # ends the library's reading thread
                exit_after_hangup()
            elif os.getppid() != parent:
                parent = os.getppid()
                hold_lights("the shell that started this program has ended")

    def write(self, data: str) -> None:
        if self._is_writing:
            super().write(data)

    def close(self) -> None:
        self._watching = False
        writer = self._writer_thread
        if writer is not None and writer.is_alive():
            # the library would wait without limit if nothing reads the terminal any more
            with contextlib.suppress(queue.Full):
                writer._queue.put_nowait(None)
            writer.join(FLUSH_S)

    @property
    def _is_writing(self) -> bool:
        return self._writer_thread is not None and self._writer_thread.is_alive()

    def _sigtstp_application(self, *caught: object) -> None:
        suspend = super()._sigtstp_application
        stop_dark(signal.SIGTSTP, lambda: self._call_soon(suspend))

    def _sigcont_application(self, *caught: object) -> None:
        self._call_soon(self._draw_again)

    def _draw_again(self) -> None:
        """Set up the terminal again after a stop, since the shell may have changed its mode."""
        if not self._must_signal_resume:  # stopped by a signal that cannot be handled
            self.suspend_application_mode()
        super()._sigcont_application()

    def _call_soon(self, act: Callable[[], object]) -> None:
        """Run a function in the event loop, from a signal handler."""
        with contextlib.suppress(RuntimeError):  # the loop has closed: the program is ending
            self._loop.call_soon_threadsafe(act)
