"""What a repair touches: only that is tested again."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from benchtest.circuit.network import Circuit, Solution
from benchtest.circuit.wiring import FloatArray
from benchtest.diagnosis.faults import data_joint_starts
from benchtest.diagnosis.wiring import COLOUR_ORDER
from benchtest.evidence.reading import Reading
from benchtest.prop.chain import data_order
from benchtest.prop.design import Design
from benchtest.prop.joints import data_joints, power_joints
from benchtest.prop.lit import Lit, parse_lit
from benchtest.prop.names import joint_by_name, parse_node

TRIED_OHM = 1.0
"""Resistance that stands for the joint as it was, in telling which readings it moved. [Ω]"""
TOUCHED_V = 1e-4
"""A reading that such a joint moves by less is kept: a meter's smallest step. [V]"""
TOUCHED_A = 0.05
"""Likewise for a clamp reading. [A]"""


def touched_by(design: Design, where: str) -> frozenset[int]:
    """Strands that must be looked at again after work on a suspect.

    A power joint at a strand end touches that strand, a feed or its joint all of them, and so does
    the order of colours; a data joint, a node or a strand touches its own strand and every strand
    that data reaches after it.

    Args:
        design: the prop.
        where: a joint (`4A+`), a node (`4.17`), a strand (`4`), two of them (`4 5`), a feed's name
            or `colour_order`.

    Raises:
        NameFault: the design has no such thing.
    """
    every = frozenset(strand.number for strand in design.strands)
    if where == COLOUR_ORDER or where in _feed_names(design):
        return every
    if strands := strands_of(design, where):
        return strands.union(*(_after(design, number) for number in strands))
    if "." in where:
        node = parse_node(where, design)
        return frozenset([node.strand]) | _after(design, node.strand)
    joint = joint_by_name(where, design)
    if joint.is_power:
        return frozenset(joint.strands) or every
    names = [data.name for data in data_joints(design)]
    start = data_joint_starts(design)[names.index(joint.name)]
    first = design.node_at(int(data_order(design)[start])).strand
    return frozenset(joint.strands) | frozenset([first]) | _after(design, first)


def strands_of(design: Design, where: str) -> frozenset[int]:
    """The strands of a suspect that is one strand (`4`) or two (`4 5`); else none.

    Raises:
        NameFault: the prop has no such strand.
    """
    words = where.split()
    if not words or not all(word.isascii() and word.isdigit() for word in words):
        return frozenset()
    return parse_lit(where, design).strands


def _feed_names(design: Design) -> list[str]:
    return [feed.name for feed in design.feeds]


def _after(design: Design, strand: int) -> frozenset[int]:
    """Strands that data reaches after this one."""
    path = [entry.strand for entry in design.data_path]
    return frozenset(path[path.index(strand) + 1 :])


def still_valid(design: Design, where: str, readings: Sequence[Reading]) -> list[bool]:
    """Which readings say the same after work on a suspect.

    Args:
        design: the prop.
        where: what was worked on, as in `touched_by`.
        readings: readings taken before.

    Returns:
        One for each reading: False where the repair moved it, or may have.

    Raises:
        NameFault: the design has no such thing.
    """
    if where == COLOUR_ORDER:
        return [reading.lit.colour == "white" for reading in readings]
    if where in _feed_names(design):
        return [False] * len(readings)
    if where[-1:] in ("+", "-"):
        return _unmoved(design, joint_by_name(where, design).name, readings)
    strands = touched_by(design, where)
    kept = [not (reading.lit.strands & strands) for reading in readings]
    if len(turned := strands_of(design, where)) == 1:  # its power joints were remade with it
        for joint in power_joints(design):
            if turned & set(joint.strands):
                unmoved = _unmoved(design, joint.name, readings)
                kept = [a and b for a, b in zip(kept, unmoved, strict=True)]
    return kept


def _unmoved(design: Design, joint: str, readings: Sequence[Reading]) -> list[bool]:
    good, bad = Circuit(design), Circuit(design, {joint: TRIED_OHM})
    moved: dict[Lit, tuple[FloatArray, FloatArray]] = {}
    kept = []
    for reading in readings:
        duty = reading.lit.duty(design)
        if reading.lit not in moved:
            before, after = good.solve(duty), bad.solve(duty)
            moved[reading.lit] = (before.point_v - after.point_v, _feeds(before) - _feeds(after))
        volts, amps = moved[reading.lit]
        if reading.volts is None:
            kept.append(bool(np.abs(amps).max() < TOUCHED_A))
        else:
            number = good.wiring.number
            off_v = volts[number(reading.probe.red)] - volts[number(reading.probe.black)]
            kept.append(bool(abs(off_v) < TOUCHED_V))
    return kept


def _feeds(solution: Solution) -> FloatArray:
    return np.array(list(solution.feed_a.values()))
