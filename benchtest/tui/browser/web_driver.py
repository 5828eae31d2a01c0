"""Textual driver for a browser; it goes dark or ends with its server."""

from __future__ import annotations

import os
import signal
import threading
import time
from typing import Any

from textual import events, messages
from textual.drivers.web_driver import WebDriver

from benchtest.drive.signals import hold_lights
from benchtest.tui.browser import BEAT, BEAT_S, ON_BENCH, SILENT_S

PATIENCE_S = 1.0
"""For the program to end by itself once nobody shows it any more."""


class BrowserDriver(WebDriver):
    """The library's driver, with keys that always count, bound to the life of its server."""

    def __init__(self, *words: Any, **named: Any) -> None:
        super().__init__(*words, **named)
        self._beat_s = float("inf")

    def start_application_mode(self) -> None:
        """Begin as a program that keys are meant for.

        The library begins without the focus and waits for a click, but a thumb on a phone's keys
        focuses nothing.
        """
        super().start_application_mode()
        self._app.call_later(self._app.post_message, events.AppFocus())
        threading.Thread(target=self._watch_server, name="server watch", daemon=True).start()

    def _watch_server(self) -> None:
        """Take the prop dark while the server stands still: nobody reaches the keys then."""
        while not self.exit_event.wait(BEAT_S):
            if time.monotonic() - self._beat_s > SILENT_S - BEAT_S:
                hold_lights("benchtest serve stood still")

    def on_meta(self, packet_type: str, payload: dict[str, object]) -> None:
        if packet_type == BEAT:
            self._beat_s = time.monotonic()
        else:
            super().on_meta(packet_type, payload)

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
