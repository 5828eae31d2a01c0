"""What a repair touches: only that is tested again."""

from __future__ import annotations

import math
from collections.abc import Collection, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from benchtest.circuit.netlist import FloatArray
from benchtest.circuit.network import Circuit
from benchtest.circuit.solution import Solution, solve
from benchtest.circuit.tolerance import HAND_SOLDERED, sensitivities, spread_from_sensitivities
from benchtest.diagnosis.likelihood.measurement import read_at, taps_of
from benchtest.diagnosis.model.faults import data_joint_starts
from benchtest.evidence.meter import DEFAULT_METER
from benchtest.evidence.readings import Reading
from benchtest.prop.data_path import data_order
from benchtest.prop.design import Design, FeedName, NodeName
from benchtest.prop.joints import Joint, data_joints, power_joints
from benchtest.prop.lit_set import LitSet, all_lit
from benchtest.prop.notation import (
    ColourOrderSetting,
    StrandNumbers,
    location_strands,
    parse_location,
)

ASSUMED_JOINT_OHMS = (1.0, 6.0, math.inf)
"""Resistances that stand for the joint as it was, in telling which readings it moved. [Ω]"""
MIN_MOVED_V = 1e-4
"""A reading that such a joint moves by less is kept, and by less than its range can show. [V]"""
MIN_MOVED_A = 0.05
"""Likewise for a clamp reading. [A]"""
ASYMMETRY_SD = 1.0
"""Standard deviations that a unit may be off its design in what the joint moves: where a design is
alike on both sides no current crosses its middle, where a unit is not quite alike some does."""


def strands_to_retest(design: Design, where: str, failed: Collection[int] = ()) -> frozenset[int]:
    """Return the strands that must be looked at again after work on a suspect.

    A power joint at a strand end touches that strand, and of the failed strands those that it
    leaves without volts or data when it is open. A feed, its joint and the order of colours touch
    all strands; a data joint, a node or a strand touches its own strand and every strand that data
    reaches after it.

    Args:
        design: the prop.
        where: a joint (`4A+`), a node (`4.17`), a strand (`4`), two of them (`4 5`), a feed's name
            or `colour_order`.
        failed: numbers of the strands that were not right before the work.

    Raises:
        NameFault: the design has no such thing.
    """
    every = frozenset(strand.number for strand in design.strands)
    match location := parse_location(where, design):
        case ColourOrderSetting() | FeedName():
            return every
        case StrandNumbers() | NodeName():
            strands = location_strands(location)
            return frozenset(strands).union(*(_strands_after(design, number) for number in strands))
        case Joint():
            return _strands_of_joint(design, location, failed)


def _strands_of_joint(design: Design, joint: Joint, failed: Collection[int]) -> frozenset[int]:
    if joint.is_power:
        own = frozenset(joint.strands)
        if own and not own.issuperset(failed):
            own |= _strands_left_dark(design, joint.name).intersection(failed)
        return own or frozenset(strand.number for strand in design.strands)
    names = [data.name for data in data_joints(design)]
    start = data_joint_starts(design)[names.index(joint.name)]
    first = design.node_at(int(data_order(design)[start])).strand
    return frozenset(joint.strands) | frozenset([first]) | _strands_after(design, first)


def _strands_left_dark(design: Design, name: str) -> frozenset[int]:
    """Return the strands with nodes that an open power joint leaves without volts or data."""
    circuit = Circuit(design, {name: math.inf})
    duty = _solve_with_data_loss(circuit, all_lit(design)).duty
    dark = np.flatnonzero(~duty.any(axis=1))
    return frozenset(design.node_at(int(index)).strand for index in dark)


def _strands_after(design: Design, strand: int) -> frozenset[int]:
    """Strands that data reaches after this one."""
    path = [entry.strand for entry in design.data_path]
    return frozenset(path[path.index(strand) + 1 :])


def still_valid(design: Design, where: str, readings: Sequence[Reading]) -> list[bool]:
    """Which readings say the same after work on a suspect.

    Args:
        design: the prop.
        where: what was worked on, as in `strands_to_retest`.
        readings: readings taken before.

    Returns:
        One for each reading: False where the repair moved it, or may have.

    Raises:
        NameFault: the design has no such thing.
    """
    location = parse_location(where, design)
    if isinstance(location, ColourOrderSetting):
        return [reading.lit.colour == "white" for reading in readings]
    if isinstance(location, FeedName):
        return [False] * len(readings)
    if isinstance(location, Joint) and location.is_power:
        return _unchanged_readings(design, location.name, readings)
    strands = strands_to_retest(design, where)
    kept = [not (reading.lit.strands & strands) for reading in readings]
    if isinstance(location, StrandNumbers) and len(location.numbers) == 1:
        for joint in power_joints(design):  # they were remade with the strand
            if location.numbers[0] in joint.strands:
                unmoved = _unchanged_readings(design, joint.name, readings)
                kept = [a and b for a, b in zip(kept, unmoved, strict=True)]
    return kept


def _unchanged_readings(design: Design, name: str, readings: Sequence[Reading]) -> list[bool]:
    """Readings that say the same with a power joint good and as bad as it may have been.

    A joint that was open, or nearly, may have kept strands without volts, and so without data all
    strands after them. Little is lost by thinking the worst: what a repair may have moved still
    counts as read before it, see `before`.
    """
    if not readings:
        return []
    good = _PredictedReadings.of(design, name, None, readings)
    ways = [_PredictedReadings.of(design, name, ohm, readings) for ohm in ASSUMED_JOINT_OHMS]
    touched = np.array([_min_shift(reading) for reading in readings])
    kept = np.ones(len(readings), dtype=bool)
    for way in ways:
        kept &= ~way.floating & (way.largest_shift(good) < touched)
    return [bool(keep) for keep in kept]


def _min_shift(reading: Reading) -> float:
    """By how much a reading must move to be another: half a step of the meter's range."""
    if reading.volts is None:
        return MIN_MOVED_A
    meter = reading.meter or DEFAULT_METER
    return max(MIN_MOVED_V, meter.resolution_v(reading.volts) / 2.0)


@dataclass(frozen=True)
class _PredictedReadings:
    """What readings should show with one joint as it is, or was.

    Attributes:
        value: shape (readings,). [V, or A]
        effects: of one standard deviation of each tolerance, shape (readings, causes).
        floating: readings on copper that the joint cuts off, shape (readings,).
    """

    value: FloatArray
    effects: FloatArray
    floating: NDArray[np.bool_]

    @classmethod
    def of(
        cls, design: Design, name: str, ohm: float | None, readings: Sequence[Reading]
    ) -> _PredictedReadings:
        changed = {} if ohm is None else {name: ohm}
        circuit, known = Circuit(design, changed), frozenset(changed)
        value, floating = np.zeros(len(readings)), np.zeros(len(readings), dtype=bool)
        effects: list[FloatArray] = [np.zeros(0)] * len(readings)
        for taps in taps_of(circuit, readings):
            solution = _solve_with_data_loss(circuit, taps.lit)
            read = sensitivities(circuit, solution.factor, taps.columns, taps.per_supply)
            rows = list(taps.rows)
            value[rows] = read_at(solution, taps)
            found = spread_from_sensitivities(solution, read, HAND_SOLDERED, known)
            for row, reading, effect in zip(rows, taps.readings, found.shared, strict=True):
                effects[row] = effect
                floating[row] = solution.is_floating(reading.probe)
        return cls(value, np.array(effects), floating)

    def largest_shift(self, good: _PredictedReadings) -> FloatArray:
        """How far each reading may lie from where it lies with a good joint, (readings,)."""
        unequal = np.sqrt(((self.effects - good.effects) ** 2).sum(axis=1))
        return np.asarray(np.abs(self.value - good.value) + ASYMMETRY_SD * unequal)


def _solve_with_data_loss(circuit: Circuit, lit: LitSet) -> Solution:
    """The prop with a lit set on; strands after one without volts get no data and stay dark."""
    design = circuit.design
    duty, order = lit.duty(design), data_order(design)
    solution = solve(circuit, duty)
    stopped = np.flatnonzero(solution.node_v[order] < design.node.logic_v)
    if len(stopped):
        duty[order[stopped[0] :]] = 0.0
        solution = solve(circuit, duty)
    return solution
