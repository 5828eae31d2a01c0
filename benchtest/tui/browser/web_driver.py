"""Textual driver for a browser, which darkens the prop or exits with its server."""

from __future__ import annotations

import signal
import threading
import time
from typing import Any

from textual import events, messages
from textual.drivers.web_driver import WebDriver

from benchtest.drive.signals import hold_lights
from benchtest.operating_system import signal_this_process
from benchtest.tui.browser import BEAT, BEAT_S, ON_BENCH, SILENT_S, SPOKEN, TONE

EXIT_S = 1.0
"""Time to exit after the server has gone. [s]"""


class BrowserDriver(WebDriver):
    """The library's driver, focused from the start and bound to the life of its server."""

    def __init__(self, *words: Any, **named: Any) -> None:
        super().__init__(*words, **named)
        self._beat_s = float("inf")

    def start_application_mode(self) -> None:
        """Start with the focus.

        The library starts without it and waits for a click, but the keys of the page focus
        nothing.
        """
        super().start_application_mode()
        self._app.call_later(self._app.post_message, events.AppFocus())
        threading.Thread(target=self._watch_server, name="server watch", daemon=True).start()

    def _watch_server(self) -> None:
        """Make the prop dark while the server is suspended, since no key reaches the program."""
        while not self.exit_event.wait(BEAT_S):
            if time.monotonic() - self._beat_s > SILENT_S - BEAT_S:
                hold_lights("benchtest serve was suspended")

    def on_meta(self, packet_type: str, payload: dict[str, object]) -> None:
        if packet_type == BEAT:
            self._beat_s = time.monotonic()
        else:
            super().on_meta(packet_type, payload)

    def send_session(self, session: str, target: str) -> None:
        """Send the server the session on the bench and its target, "" for none."""
        self.write_meta({"type": ON_BENCH, "session": session, "target": target})

    def send_question(self, text: str, *, is_wanted: bool) -> None:
        """Send the page a question for its voice.

        Args:
            text: the question, in words.
            is_wanted: speak it unless the page's key has turned the voice off.
        """
        self.write_meta({"type": SPOKEN, "text": text, "wanted": is_wanted})

    def write(self, data: str) -> None:
        """Send drawing to the page; a bell becomes a tone, which its terminal does not make."""
        if data == "\a":
            self.write_meta({"type": TONE})
        else:
            super().write(data)

    def run_input_thread(self) -> None:
        """Read keys until the end of input; then exit, so that no lit prop outlives the server."""
        super().run_input_thread()
        if self.exit_event.is_set():
            return
        self._app.post_message(messages.ExitApp())
        if not self.exit_event.wait(EXIT_S):
            signal_this_process(signal.SIGTERM)
