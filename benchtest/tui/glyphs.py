"""Characters of the screen, with ASCII ones for terminals without Unicode, and its least size."""

from __future__ import annotations

import locale
import os
from dataclasses import dataclass
from typing import Literal

from benchtest.session.display.characters import ASCII_GLYPHS, Glyphs

MIN_COLUMNS, MIN_LINES = 80, 24
"""Smallest terminal."""


@dataclass(frozen=True, slots=True)
class ScreenGlyphs:
    """Characters of the screen. Every state has its own: colour is never the only difference."""

    lit: str
    off: str
    passed: str
    failed: str
    bar: str
    rest: str
    border: str
    wiring: Glyphs

    @property
    def separator(self) -> str:
        """Text between the parts of a line."""
        return "  " if self.is_ascii else " · "

    @property
    def is_ascii(self) -> bool:
        """True on a terminal without Unicode."""
        return self.border == "ascii"

    @property
    def overflow(self) -> Literal["ellipsis", "crop"]:
        """Way of cutting off a long line."""
        return "crop" if self.border == "ascii" else "ellipsis"

    def text(self, text: str) -> str:
        """Return a text in characters of this terminal."""
        return text if self.border != "ascii" else text.translate(_IN_ASCII)


_IN_ASCII = str.maketrans(
    {
        "±": "+/-",
        "Ω": "ohm",
        "…": "...",
        "×": "x",
        "°": " deg ",
        "–": "-",
        "≤": "<=",
        "²": "2",
        "µ": "u",
        "─": "-",
        "│": "|",
    }
)

UNICODE = ScreenGlyphs("●", "·", "✓", "✗", "█", "░", "round", Glyphs())
ASCII = ScreenGlyphs("#", ".", "+", "x", "#", ".", "ascii", ASCII_GLYPHS)


def glyphs_for_terminal() -> ScreenGlyphs:
    """Return the characters of this terminal; `BENCHTEST_ASCII=1` selects ASCII."""
    if os.environ.get("BENCHTEST_ASCII", "") not in ("", "0"):
        return ASCII
    encoding = locale.getpreferredencoding(do_setlocale=False)
    return UNICODE if encoding.upper().replace("-", "") == "UTF8" else ASCII
