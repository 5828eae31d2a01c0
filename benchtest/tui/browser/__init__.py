"""The terminal program in a browser: one viewer at a time, and dark when nobody looks."""

import os

DRIVER = "benchtest.tui.browser.web_driver:BrowserDriver"
"""How the terminal program is told to draw for a browser: in `TEXTUAL_DRIVER`."""
ON_BENCH = "on-bench"
"""What the program's word about its session is called."""
BEAT = "beat"
"""Heartbeat that the server sends to the program."""
BEAT_S = 0.4
SILENT_S = 2.0
"""Time without a beat after which the program takes the prop dark: below the 2.5 s after which a
receiver does so without packets, for the program itself goes on sending. [s]"""


def in_browser() -> bool:
    """Whether this process is the program that a browser shows."""
    return os.environ.get("TEXTUAL_DRIVER") == DRIVER
