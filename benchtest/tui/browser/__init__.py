"""The terminal program in a browser: one viewer at a time, and dark when nobody looks."""

import os

DRIVER = "benchtest.tui.browser.driver:BrowserDriver"
"""How the terminal program is told to draw for a browser: in `TEXTUAL_DRIVER`."""
ON_BENCH = "on-bench"
"""What the program's word about its session is called."""


def in_browser() -> bool:
    """Whether this process is the program that a browser shows."""
    return os.environ.get("TEXTUAL_DRIVER") == DRIVER
