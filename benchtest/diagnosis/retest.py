"""What a repair touches: only that is tested again."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from benchtest.circuit.network import Circuit, Solution
from benchtest.circuit.wiring import FloatArray
from benchtest.diagnosis.faults import data_joint_starts
from benchtest.evidence.reading import Reading
from benchtest.prop.chain import data_order
from benchtest.prop.design import Design
from benchtest.prop.joints import data_joints
from benchtest.prop.lit import Lit
from benchtest.prop.names import joint_by_name, parse_node

TRIED_OHM = 1.0
"""Resistance that stands for the joint as it was, in telling which readings it moved. [Ω]"""
TOUCHED_V = 1e-3
"""A reading that such a joint moves by less is kept. [V]"""
TOUCHED_A = 0.05
"""Likewise for a clamp reading. [A]"""


def touched_by(design: Design, where: str) -> frozenset[int]:
    """Strands that must be looked at again after work on a joint or a node.

    A power joint at a strand end touches that strand, a feed's joint all of them; a data joint or
    a node touches its own strand and every strand that data reaches after it.

    Raises:
        NameFault: the design has no such joint or node.
    """
    if where[-1:] not in ("+", "-", "d"):
        node = parse_node(where, design)
        return frozenset([node.strand]) | _after(design, node.strand)
    joint = joint_by_name(where, design)
    if joint.is_power:
        every = frozenset(strand.number for strand in design.strands)
        return frozenset(joint.strands) or every
    names = [data.name for data in data_joints(design)]
    start = data_joint_starts(design)[names.index(joint.name)]
    first = design.node_at(int(data_order(design)[start])).strand
    return frozenset(joint.strands) | frozenset([first]) | _after(design, first)


def _after(design: Design, strand: int) -> frozenset[int]:
    """Strands that data reaches after this one."""
    path = [entry.strand for entry in design.data_path]
    return frozenset(path[path.index(strand) + 1 :])


def still_valid(design: Design, where: str, readings: Sequence[Reading]) -> list[bool]:
    """Which readings say the same after work on a joint or a node.

    Args:
        design: the prop.
        where: the joint or node that was worked on.
        readings: readings taken before.

    Returns:
        One for each reading: False where the repair moved it, or may have.

    Raises:
        NameFault: the design has no such joint or node.
    """
    if where[-1:] in ("+", "-"):
        return _unmoved(design, joint_by_name(where, design).name, readings)
    strands = touched_by(design, where)
    return [not (reading.lit.strands & strands) for reading in readings]


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
