"""Where along the data line the light ends, found by eye in the fewest looks.

Data run through all nodes in one line. Where they stop, all before is lit and all after is dark:
one border, and each look at one node halves the places where it may be.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import accumulate

from benchtest.evidence.marks import Mark
from benchtest.prop.chain import data_order
from benchtest.prop.design import Design, NodeName

DARK = ("dark", "stuck")
"""Words for a lit node that data do not reach: one that stands as it was is told nothing."""


@dataclass(frozen=True, slots=True)
class LightEnd:
    """Where the light ends, as far as marks tell.

    Attributes:
        last_lit: the last node along the data line that is known to be lit; None without one.
        first_dark: the first that is dark; None while that is not known, or where all are lit.
        look_at: the node to look at next; None where no look is needed.
        looks: looks still needed at the most.
    """

    last_lit: NodeName | None
    first_dark: NodeName | None
    look_at: NodeName | None
    looks: int


def light_end(design: Design, marks: Sequence[Mark]) -> LightEnd:
    """Where the light ends, and the node to look at next.

    That some node is dark is taken for granted: an eye sees it without being told where. A dark
    node with light beyond it passes its data on, and is not the end.

    Args:
        design: the prop.
        marks: what was seen; those of strands that are not lit say nothing here.
    """
    order = data_order(design).tolist()
    said = _said(design, order, marks)
    lit = max((place + 1 for place, is_dark in said.items() if not is_dark), default=0)
    darks = [place for place, is_dark in said.items() if is_dark and place >= lit]
    dark = min(darks, default=len(order) - 1)
    ahead = place_to_look(lit, dark, strand_starts(design))

    def name(place: int) -> NodeName:
        return design.node_at(order[place])

    return LightEnd(
        name(lit - 1) if lit else None,
        name(lit) if lit == dark else None,
        None if ahead is None else name(ahead),
        looks_needed(dark - lit + 1),
    )


def _said(design: Design, order: Sequence[int], marks: Sequence[Mark]) -> dict[int, bool]:
    """Whether each place along the data line was seen dark; places not looked at are left out."""
    place_of = {index: place for place, index in enumerate(order)}
    said: dict[int, bool] = {}
    for mark in sorted(marks, key=lambda mark: mark.seen != "ok"):  # `ok` may be only the ground
        if mark.lit.lights(mark.strand):
            first = design.index(mark.strand, mark.first)
            for index in range(first, first + mark.last - mark.first + 1):
                said[place_of[index]] = mark.seen in DARK
    return said


def strand_starts(design: Design) -> list[int]:
    """Place along the data line of each strand's first node, in the order of data."""
    counts = [design.strand(entry.strand).nodes for entry in design.data_path]
    return [0, *accumulate(counts[:-1])]


def looks_needed(places: int) -> int:
    """Looks that find one of so many places at the most: the logarithm to base 2, rounded up.

    Source: Knuth, The Art of Computer Programming, vol. 3, 6.2.1: a look has two outcomes.

    >>> [looks_needed(places) for places in (1, 2, 3, 360)]
    [0, 1, 2, 9]
    """
    return max(places - 1, 0).bit_length()


def place_to_look(lit: int, dark: int, starts: Sequence[int] = ()) -> int | None:
    """The place along the data line to look at next, where the first dark one is wanted.

    Of all places that cost no look more than the middle, the first node of a strand is taken where
    there is one, that nearest the middle: an eye finds it without counting.

    Args:
        lit: places known to be lit, counted from the start of the line.
        dark: a place known to be dark, from 0: the last of the line, where no other is known.
        starts: place of each strand's first node.

    Returns:
        A place from `lit` up to before `dark`; None where `lit` is the first dark one.

    >>> place_to_look(0, 7), place_to_look(0, 11, starts=[0, 4, 8]), place_to_look(3, 3)
    (3, 4, None)
    """
    left = dark - lit + 1
    if left <= 1:
        return None
    # dark there leaves the places up to it, lit there those after it: neither may be too many
    most = 1 << (looks_needed(left) - 1)
    low, high = max(lit, dark - most), min(dark - 1, lit + most - 1)
    middle = lit + left // 2 - 1
    easy = [start for start in starts if low <= start <= high]
    return min(easy, key=lambda start: (abs(start - middle), start)) if easy else middle
