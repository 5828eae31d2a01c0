"""The terminal program in a browser: one viewer at a time, and a dark prop without a viewer."""

import os

__all__ = ["BEAT", "BEAT_S", "DRIVER", "ON_BENCH", "SILENT_S", "SPOKEN", "TONE", "in_browser"]

DRIVER = "benchtest.tui.browser.web_driver:BrowserDriver"
"""Value of `TEXTUAL_DRIVER` that makes the terminal program draw for a browser."""
ON_BENCH = "on-bench"
"""Type of the program's message about its session."""
SPOKEN = "spoken"
"""Type of the program's message with a question, for the voice of the browser."""
TONE = "tone"
"""Type of the program's message for a tone."""
BEAT = "beat"
"""Type of the heartbeat from the server to the program."""
BEAT_S = 0.4
"""Interval of heartbeats. [s]"""
SILENT_S = 2.0
"""Time without a heartbeat after which the program makes the prop dark: below the 2.5 s after which
a receiver without packets does, since the program itself keeps sending. [s]"""


def in_browser() -> bool:
    """Return True in the process of the terminal program that a browser shows."""
    return os.environ.get("TEXTUAL_DRIVER") == DRIVER
