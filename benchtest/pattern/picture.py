"""One picture of the whole prop: each strand unlike its neighbours, in turns.

In each turn a strand has one colour, and the next strand the next one. The nodes at the end where
data enters, the tip, have the next colour too. From turn to turn all colours move on by one, so
that every node shows every channel once. A strand with another colour order looks like a neighbour
in some turn, a reversed strand has its tip at the other end, and an exchanged strand has another
colour or another length of tip.
"""

from __future__ import annotations

from collections.abc import Collection

import numpy as np
from numpy.typing import NDArray

from benchtest.prop.design import Design, StrandEnd
from benchtest.prop.joints import data_order

CHANNEL_LEVELS = {"red": 0.25, "green": 0.5, "blue": 0.25, "white": 0.25}
"""Level of each channel; green is by far the brightest and blue the darkest without color vision
too. Luminance of equal levels is 0.21, 0.72, 0.07 for the primaries of IEC 61966-2-1."""
MAX_TIP_STEPS = 5
"""Number of lengths of a tip; longer ones are hard to compare at a glance. Ours."""


def has_picture(design: Design) -> bool:
    """Return True if the nodes have several colours, so that a picture shows anything."""
    return design.node.channels >= 2


def turn_count(design: Design) -> int:
    """Return the number of turns: one for each channel of a node."""
    return design.node.channels


def strand_colour(design: Design, strand: int, turn: int) -> str:
    """Return the channel that the body of a strand shows in a turn, from 0.

    The first strand begins with the first channel, and the next strand with the next one.
    """
    colours = design.node.colours
    return colours[(strand - 1 + turn) % len(colours)]


def tip_nodes(design: Design, strand: int) -> int:
    """Return the number of nodes of a strand's tip.

    Strands of equal colour have tips of different lengths, up to `MAX_TIP_STEPS` of them and half
    the strand.
    """
    steps = min(MAX_TIP_STEPS, design.strand(strand).nodes // 2)
    return 0 if steps == 0 else 1 + (strand - 1) // design.node.channels % steps


def alike_strands(design: Design) -> list[tuple[int, ...]]:
    """Return the groups of strands that look alike in every turn, so that exchange is not seen."""
    groups: dict[tuple[object, ...], list[int]] = {}
    for strand in design.strands:
        number = strand.number
        enters_at_a = StrandEnd(number, "A") in design.data_path
        look = (strand_colour(design, number, 0), tip_nodes(design, number), strand.nodes)
        groups.setdefault((*look, enters_at_a), []).append(number)
    return [tuple(group) for group in groups.values() if len(group) > 1]


def picture_duty(
    design: Design, turn: int, strands: Collection[int] | None = None
) -> NDArray[np.float64]:
    """Return the picture of one turn.

    Args:
        design: the prop.
        turn: number of the turn, from 0.
        strands: strands that light; None for all.

    Returns:
        Share of full current of each channel, 0 to 1, shape (nodes, colours).
    """
    colours = design.node.colours
    duty = np.zeros((design.node_count, len(colours)))
    for strand in design.strands:
        number = strand.number
        if strands is not None and number not in strands:
            continue
        start, stop = design.first_index[number - 1], design.first_index[number - 1] + strand.nodes
        tip = tip_nodes(design, number)
        at_a = StrandEnd(number, "A") in design.data_path
        tip_start, tip_stop = (start, start + tip) if at_a else (stop - tip, stop)
        for first, last, step in ((start, stop, turn), (tip_start, tip_stop, turn + 1)):
            colour = strand_colour(design, number, step)
            duty[first:last] = 0.0
            duty[first:last, colours.index(colour)] = CHANNEL_LEVELS[colour]
    return duty


def alternating_colours(design: Design, output: int) -> tuple[str, str]:
    """Return the two colours that the nodes of an output have in turn, from 0.

    The first and the last channel on the wire for every other output, and the first two for those
    between. With the first and the last, a shift by one channel leaves every other node dark, which
    no colour order does.
    """
    order = design.outputs[output].colour_order or design.node.colour_order
    by_letter = {colour[0].upper(): colour for colour in design.node.colours}
    wire = [by_letter[letter] for letter in order]
    return wire[0], wire[1 if output % 2 else -1]


def alternating_duty(design: Design) -> NDArray[np.float64]:
    """Return a frame whose nodes have two colours in turn along the data.

    A controller that reads other channels than the prop file has shows other colours or dark nodes.
    The first address of each output is white: where it is, dark nodes at the end are a break in the
    data line and not a controller that begins later. Nodes that share an address look the same.

    Returns:
        Share of full current of each channel, 0 to 1, shape (nodes, colours).
    """
    order, colours = data_order(design), design.node.colours
    duty = np.zeros((design.node_count, len(colours)))
    for number, (start, stop) in enumerate(design.data_lines):
        pair, group = alternating_colours(design, number), design.outputs[number].group
        for place, node in enumerate(order[start:stop].tolist()):
            for colour in colours if place < group else [pair[place // group % 2]]:
                duty[node, colours.index(colour)] = CHANNEL_LEVELS.get(colour, 0.25)
    return duty
