"""What a terminal must have, signs of the screen, and their stand-ins where it knows only ASCII."""

from __future__ import annotations

import locale
import os
from dataclasses import dataclass
from typing import Literal

from benchtest.session.display.probe_sketch import ASCII_GLYPHS, Glyphs

MIN_COLUMNS, MIN_LINES = 80, 24


@dataclass(frozen=True, slots=True)
class Signs:
    """What is drawn for what. No state is told by colour alone."""

    lit: str
    off: str
    to_b: str
    to_a: str
    passed: str
    failed: str
    bar: str
    rest: str
    border: str
    wiring: Glyphs

    @property
    def cut(self) -> Literal["ellipsis", "crop"]:
        """What becomes of a line that is too long."""
        return "crop" if self.border == "ascii" else "ellipsis"

    def words(self, text: str) -> str:
        """A text in letters that this terminal shows."""
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
    }
)

UNICODE = Signs("●", "·", "▸", "◂", "✓", "✗", "█", "░", "round", Glyphs())
ASCII = Signs("#", ".", ">", "<", "+", "x", "#", ".", "ascii", ASCII_GLYPHS)


def signs_for_terminal() -> Signs:
    """Signs that this terminal can show. `BENCHTEST_ASCII=1` asks for ASCII."""
    if os.environ.get("BENCHTEST_ASCII", "") not in ("", "0"):
        return ASCII
    encoding = locale.getpreferredencoding(do_setlocale=False)
    return UNICODE if encoding.upper().replace("-", "") == "UTF8" else ASCII
