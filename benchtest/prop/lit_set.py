"""Which strands are lit while a reading or a mark is taken."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from benchtest.errors import InputError, NameFault, did_you_mean
from benchtest.input_files import printable
from benchtest.prop.design import Design

COLOUR_CHANNELS: dict[str, tuple[str, ...]] = {
    "white": ("red", "green", "blue", "white"),  # every channel the node has: the full load
    "red": ("red",),
    "green": ("green",),
    "blue": ("blue",),
    "yellow": ("red", "green"),
    "cyan": ("green", "blue"),
    "magenta": ("red", "blue"),
    "mixed-white": ("red", "green", "blue"),
    "white-channel": ("white",),
}
"""Channels that each colour name lights; a channel that the node lacks is passed over."""


@dataclass(frozen=True, slots=True)
class LitSet:
    """Strands that are lit alike; every other strand is powered and dark."""

    strands: frozenset[int]
    level: float = 1.0
    colour: str = "white"

    def text(self, design: Design) -> str:
        """As the contract writes it: `all`, `none`, or numbers and ranges parted by spaces."""
        if not self.strands:
            return "none"
        if len(self.strands) == len(design.strands):
            return "all"
        return format_ranges(self.strands)

    def lights(self, strand: int) -> bool:
        """True where this strand should be seen lit."""
        return self.level > 0.0 and strand in self.strands

    def duty(self, design: Design) -> NDArray[np.float64]:
        """Share of full current asked of each channel. Shape (nodes, colours), 0 to 1."""
        duty = np.zeros((design.node_count, design.node.channels))
        lights = COLOUR_CHANNELS[self.colour]
        row = [self.level if colour in lights else 0.0 for colour in design.node.colours]
        for number in self.strands:
            start = design.first_index[number - 1]
            duty[start : start + design.strand(number).nodes] = row
        return duty


def all_lit(design: Design, level: float = 1.0, colour: str = "white") -> LitSet:
    """All strands lit."""
    return LitSet(frozenset(strand.number for strand in design.strands), level, colour)


def format_ranges(numbers: frozenset[int] | set[int]) -> str:
    """Numbers as ranges parted by spaces.

    >>> spans({1, 3, 5, 6, 7, 8})
    '1 3 5-8'
    """
    runs: list[list[int]] = []
    for number in sorted(numbers):
        if runs and number == runs[-1][-1] + 1:
            runs[-1].append(number)
        else:
            runs.append([number])
    return " ".join(str(run[0]) if len(run) == 1 else f"{run[0]}-{run[-1]}" for run in runs)


def parse_lit_set(text: str, design: Design, level: float = 1.0, colour: str = "white") -> LitSet:
    """Read lit strands as the contract writes them; commas are taken for spaces.

    Raises:
        NameFault: a word is no strand of this prop, or the colour is unknown.
        InputError: the level is not between 0 and 1.
    """
    if colour not in COLOUR_CHANNELS:
        known = ", ".join(COLOUR_CHANNELS)
        raise NameFault(
            f'colour "{printable(colour)}": give one of {known}'
            f"{did_you_mean(colour, COLOUR_CHANNELS)}"
        )
    if not any(channel in COLOUR_CHANNELS[colour] for channel in design.node.colours):
        lit = [
            name
            for name in COLOUR_CHANNELS
            if set(COLOUR_CHANNELS[name]) & set(design.node.colours)
        ]
        raise NameFault(
            f'colour "{colour}": nodes of kind {design.node.name} have no such channel; '
            f"give one of {', '.join(lit)}"
        )
    if not 0.0 <= level <= 1.0:
        raise InputError(f"level {level:g}: give a number from 0 to 1")
    words = text.replace(",", " ").split()
    if words == ["all"]:
        return all_lit(design, level, colour)
    if words == ["none"]:
        return LitSet(frozenset(), level, colour)
    if not words:
        raise NameFault('lit strands: nothing given; write "all", "none" or numbers like "1 3 5-8"')
    strands: set[int] = set()
    for word in words:
        strands.update(_span(word, len(design.strands)))
    return LitSet(frozenset(strands), level, colour)


def _span(word: str, strands: int) -> range:
    first, dash, last = word.partition("-")
    # isascii keeps out digits of other scripts, which int() would take
    if not (first.isascii() and first.isdigit()) or (
        dash and not (last.isascii() and last.isdigit())
    ):
        raise NameFault(
            f'lit strands: "{printable(word)}"; write "all", "none" or numbers like "1 3 5-8"'
        )
    if max(len(first), len(last)) > 6:
        raise NameFault(f'lit strands: "{word[:20]}": the prop has strands 1 to {strands}')
    low, high = int(first), int(last) if dash else int(first)
    if low > high:
        raise NameFault(f'lit strands: "{word}" runs backwards; write "{high}-{low}"')
    if low < 1 or high > strands:
        raise NameFault(f'lit strands: "{word}": the prop has strands 1 to {strands}')
    return range(low, high + 1)
