"""The library's driver for terminals, for a prop that must not outlive its terminal."""

from __future__ import annotations

import select
import threading
from typing import Any

from textual.drivers.linux_driver import LinuxDriver

from benchtest.drive.ending import end_hung_up, stop_dark

LOOK_MS = 500
"""Time after which the watch looks whether the program has ended. [ms]"""


class TerminalDriver(LinuxDriver):
    """Ends the program with its terminal, and takes the prop dark before a stop.

    The library reads a terminal that is gone for ever, in a thread that keeps the process; and it
    waits for ever for room in what a thread should write that has failed at such a terminal.
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
        """Wait until the terminal hangs up. A hang-up is no input: it is seen without reading."""
        watch = select.poll()
        watch.register(self.fileno, 0)
        while self._watching:
            if watch.poll(LOOK_MS):
                self._watching = False
                self.exit_event.set()  # the library's thread would read for ever
                end_hung_up()

    def write(self, data: str) -> None:
        if self._is_writing:
            super().write(data)

    def close(self) -> None:
        self._watching = False
        if self._is_writing:
            super().close()

    @property
    def _is_writing(self) -> bool:
        return self._writer_thread is not None and self._writer_thread.is_alive()

    def _sigtstp_application(self, *caught: object) -> None:
        stop_dark()
        super()._sigtstp_application(*caught)
