"""How the terminal program draws for a browser, and ends with the one who shows it there."""

from __future__ import annotations

import os
import signal

from textual import events, messages
from textual.drivers.web_driver import WebDriver

from benchtest.tui.browser import ON_BENCH

PATIENCE_S = 1.0
"""For the program to end by itself once nobody shows it any more."""


class BrowserDriver(WebDriver):
    """The library's, but for two things: keys always count, and where they end the program ends."""

    def start_application_mode(self) -> None:
        """Begin as a program that keys are meant for.

        The library begins without the focus and waits for a click, but a thumb on a phone's keys
        focuses nothing.
        """
        super().start_application_mode()
        self._app.call_later(self._app.post_message, events.AppFocus())

    def tell_session(self, session: str) -> None:
        """Tell the one who shows it which session is on the bench; none is an empty word."""
        self.write_meta({"type": ON_BENCH, "session": session})

    def run_input_thread(self) -> None:
        """Read keys until there are no more; a killed server must not leave a lit prop behind."""
        super().run_input_thread()
        if self.exit_event.is_set():
            return
        self._app.post_message(messages.ExitApp())
        if not self.exit_event.wait(PATIENCE_S):
            os.kill(os.getpid(), signal.SIGTERM)
