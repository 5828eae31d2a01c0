"""Lit sets: the strands that are lit while a reading or a mark is taken, and how."""

from __future__ import annotations

from collections.abc import Collection
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from benchtest.errors import InputError, NameFault, did_you_mean
from benchtest.input_files import printable
from benchtest.prop.design import Design

COLOUR_CHANNELS: dict[str, tuple[str, ...]] = {
    "white": ("red", "green", "blue", "white"),  # every channel that the node has: the full load
    "red": ("red",),
    "green": ("green",),
    "blue": ("blue",),
    "yellow": ("red", "green"),
    "cyan": ("green", "blue"),
    "magenta": ("red", "blue"),
    "mixed-white": ("red", "green", "blue"),
    "white-channel": ("white",),
}
"""Channels that each colour name lights; a channel that the node lacks is left out."""

_FORM = 'write "all", "none" or numbers such as "1 3 5-8"'


@dataclass(frozen=True, slots=True)
class LitSet:
    """Strands that are lit alike; every other strand is powered and dark."""

    strands: frozenset[int]
    level: float = 1.0
    colour: str = "white"

    def text(self, design: Design) -> str:
        """Return the strands as written: `all`, `none`, or numbers and ranges such as `1 3 5-8`."""
        if not self.strands:
            return "none"
        if len(self.strands) == len(design.strands):
            return "all"
        return format_ranges(self.strands)

    def lights(self, strand: int) -> bool:
        """Return whether a healthy strand would be seen lit."""
        return self.level > 0.0 and strand in self.strands

    def duty(self, design: Design) -> NDArray[np.float64]:
        """Return the share of full current of each channel, 0 to 1, shape (nodes, colours)."""
        duty = np.zeros((design.node_count, design.node.channels))
        lights = COLOUR_CHANNELS[self.colour]
        row = [self.level if colour in lights else 0.0 for colour in design.node.colours]
        for number in self.strands:
            start = design.first_index[number - 1]
            duty[start : start + design.strand(number).nodes] = row
        return duty


def all_lit(design: Design, level: float = 1.0, colour: str = "white") -> LitSet:
    """Return the lit set of all strands."""
    return LitSet(frozenset(strand.number for strand in design.strands), level, colour)


def format_ranges(numbers: Collection[int]) -> str:
    """Return numbers in order as ranges separated by spaces.

    >>> format_ranges({1, 3, 5, 6, 7, 8})
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
    """Read lit strands: `all`, `none`, or numbers and ranges separated by spaces or commas.

    Args:
        text: the strands.
        design: the prop.
        level: level of the lit strands, 0 to 1.
        colour: a key of `COLOUR_CHANNELS`.

    Raises:
        NameFault: the prop has no such strand, or the colour is unknown.
        InputError: the level is not between 0 and 1.
    """
    _check_colour(colour, design)
    if not 0.0 <= level <= 1.0:
        raise InputError(f"level {level:g}: give a number from 0 to 1")
    words = text.replace(",", " ").split()
    if words == ["all"]:
        return all_lit(design, level, colour)
    if words == ["none"]:
        return LitSet(frozenset(), level, colour)
    if not words:
        raise NameFault(f"lit strands: empty; {_FORM}")
    strands: set[int] = set()
    for word in words:
        strands.update(_parse_range(word, len(design.strands)))
    return LitSet(frozenset(strands), level, colour)


def _check_colour(colour: str, design: Design) -> None:
    if colour not in COLOUR_CHANNELS:
        known = ", ".join(COLOUR_CHANNELS)
        hint = did_you_mean(colour, COLOUR_CHANNELS)
        raise NameFault(f'colour "{printable(colour)}": give one of {known}{hint}')
    fitted = set(design.node.colours)
    if not fitted.intersection(COLOUR_CHANNELS[colour]):
        known = ", ".join(name for name, of in COLOUR_CHANNELS.items() if fitted.intersection(of))
        raise NameFault(
            f'colour "{colour}": nodes of kind {design.node.name} have no such channel; '
            f"give one of {known}"
        )


def _parse_range(word: str, strands: int) -> range:
    first, dash, last = word.partition("-")
    # isascii rejects digits of other scripts, which int() would accept
    if not (first.isascii() and first.isdigit()) or (
        dash and not (last.isascii() and last.isdigit())
    ):
        raise NameFault(f'lit strands: "{printable(word)}"; {_FORM}')
    if max(len(first), len(last)) > 6:
        raise NameFault(f'lit strands: "{word[:20]}": the prop has strands 1 to {strands}')
    low, high = int(first), int(last) if dash else int(first)
    if low > high:
        raise NameFault(f'lit strands: "{word}" runs backwards; write "{high}-{low}"')
    if low < 1 or high > strands:
        raise NameFault(f'lit strands: "{word}": the prop has strands 1 to {strands}')
    return range(low, high + 1)
