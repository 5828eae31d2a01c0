"""Characters and roles of drawings; loaded with the shelf, so it imports nothing large."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

Role = Literal["", "name", "red", "black", "passed", "failed", "asked", "suspect"]
"""Meaning of a run of text; a widget has a style for each."""
Run = tuple[str, Role]


@dataclass(frozen=True, slots=True)
class Glyphs:
    """Characters of the drawing. A box is its first, middle, last, only and passing character."""

    board_a: str = "┏┣┗╺┃"
    board_b: str = "┓┫┛╸┃"
    link_a: str = "╭├╰╶│"
    link_b: str = "╮┤╯╴│"
    wire: str = "─"
    crossing: str = "┼"
    to_b: str = "▸"
    to_a: str = "◂"
    suspect: str = "◆"
    touch: str = "◉"
    passed: str = "✓"
    failed: str = "✗"
    ellipsis: str = "…"


ASCII_GLYPHS = Glyphs(
    "[[[[[", "]]]]]", "/|\\-|", "\\|/-|", "-", "+", ">", "<", "!", "@", "+", "x", "~"
)  # fmt: skip
