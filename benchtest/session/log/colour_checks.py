"""Colour checks: looks left to take, and the meaning of a wrong colour."""

from __future__ import annotations

from collections.abc import Mapping
from itertools import permutations

from benchtest.prop.design import Design
from benchtest.prop.node_kinds import NodeKind

ColourLooks = Mapping[str, Mapping[int, bool]]
"""True for a right colour, by colour and strand."""


def colour_of_channel(channel: str) -> str:
    """Return the colour name that lights one channel alone."""
    return "white-channel" if channel == "white" else channel


def next_look(
    design: Design, seen: ColourLooks, apart: frozenset[str], unlit: frozenset[int] = frozenset()
) -> tuple[str, list[int]] | None:
    """Return the colour to look at next and the strands to light; None if all was seen.

    Args:
        design: the prop.
        seen: looks so far.
        apart: colours that were wrong somewhere: these are looked at strand by strand.
        unlit: strands with a dark node; left out until all their nodes light.
    """
    for colour in design.node.colours:
        left = unseen_strands(design, {colour: seen.get(colour, {})}, unlit)
        if left:
            return colour, left[:1] if colour in apart else left
    return None


def unseen_strands(
    design: Design, seen: ColourLooks, unlit: frozenset[int] = frozenset()
) -> list[int]:
    """Return the strands with a colour not seen yet, without those that do not light."""
    numbers = [strand.number for strand in design.strands if strand.number not in unlit]
    return [n for n in numbers if not all(n in row for row in seen.values())]


def wrong_strands(seen: ColourLooks) -> list[int]:
    """Return the strands with a wrong colour."""
    return sorted({strand for row in seen.values() for strand, right in row.items() if not right})


def likely_orders(kind: NodeKind, seen: ColourLooks) -> list[str]:
    """Return colour orders that would explain the same wrong colours on all strands.

    >>> from benchtest.prop.node_kinds import catalogue
    >>> likely_orders(catalogue()["ws2811-5v"], {"red": {1: False}, "green": {1: False},
    ...     "blue": {1: True}})
    ['GRB']
    """
    wrong = {colour for colour, row in seen.items() if row and not any(row.values())}
    right = {colour for colour, row in seen.items() if row and all(row.values())}
    if wrong | right != set(kind.colours) or not wrong:
        return []
    order = kind.colour_order
    fixed = {place for place, letter in enumerate(order) if _named(letter, right)}
    orders = ["".join(letters) for letters in permutations(order)]
    return [
        other
        for other in orders
        if {place for place in range(len(order)) if other[place] == order[place]} == fixed
    ]


def _named(letter: str, colours: set[str]) -> bool:
    return any(colour[0].upper() == letter for colour in colours)


def colour_remedy(design: Design, seen: ColourLooks) -> str:
    """Return advice on wrong colours."""
    strands = wrong_strands(seen)
    looked_at = {strand for row in seen.values() for strand in row}
    if len(strands) == len(looked_at) > 1 or len(strands) == len(design.strands):
        orders = likely_orders(design.node, seen)
        instead = f" It is likely {' or '.join(orders[:2])}." if orders else ""
        return (
            f"Colours are wrong on every strand: colour_order {design.node.colour_order} in the "
            f"prop file does not fit these nodes.{instead} Correct the file, then begin a new test."
        )
    return (
        f"Only strand {strands[0]} shows a wrong colour: a node of another kind. "
        "Replace it and log that, or look again."
    )
