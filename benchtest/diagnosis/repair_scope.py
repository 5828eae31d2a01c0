"""Strands to retest and readings that remain valid after a repair."""

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
from benchtest.diagnosis.thresholds import ASYMMETRY_SD, MIN_MOVED_A, MIN_MOVED_V
from benchtest.evidence.meter import DEFAULT_METER
from benchtest.evidence.readings import Reading
from benchtest.prop.design import Design, FeedName, NodeName
from benchtest.prop.joints import Joint, data_joints, data_order, power_joints, strand_starts
from benchtest.prop.lit_set import LitSet, all_lit
from benchtest.prop.notation import (
    ColourOrderSetting,
    ControllerSetting,
    StrandNumbers,
    location_strands,
    parse_location,
)

ASSUMED_JOINT_OHMS = (1.0, 6.0, math.inf)
"""Assumed resistances of a joint before its repair. [Ω] Ours."""


def strands_to_retest(design: Design, where: str, failed: Collection[int] = ()) -> frozenset[int]:
    """Return the strands to retest after a repair.

    A power joint at a strand end affects that strand, and the failed strands that it leaves without
    volts or data when it is open. A feed, its joint and the color order affect all strands; a data
    joint, a node or a strand affects its own strand and every strand after it in data order.

    Args:
        design: the prop.
        where: repaired place: a joint (`4A+`), a node (`4.17`), a strand (`4`), two strands
            (`4 5`), a feed's name or `colour_order`.
        failed: numbers of the strands that failed before the repair.

    Raises:
        NameFault: the design has no such place.
    """
    every = frozenset(strand.number for strand in design.strands)
    match location := parse_location(where, design):
        case ColourOrderSetting() | ControllerSetting() | FeedName():
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
    """Return the strands after this one on its data line."""
    path = [entry.strand for entry in design.data_path]
    place, starts = path.index(strand), strand_starts(design)
    end = design.line_end(starts[place] + design.strand(strand).nodes - 1)
    return frozenset(
        n for n, start in zip(path[place + 1 :], starts[place + 1 :], strict=True) if start < end
    )


def still_valid(design: Design, where: str, readings: Sequence[Reading]) -> list[bool]:
    """Return True for each reading that a repair cannot have changed.

    Args:
        design: the prop.
        where: repaired place, as in `strands_to_retest`.
        readings: readings from before the repair.

    Returns:
        One value for each reading: False if the repair changed it, or may have.

    Raises:
        NameFault: the design has no such place.
    """
    location = parse_location(where, design)
    if isinstance(location, ColourOrderSetting | ControllerSetting):
        return [reading.lit.colour == "white" for reading in readings]
    if isinstance(location, FeedName):
        return [False] * len(readings)
    if isinstance(location, Joint) and location.is_power:
        return _unchanged_readings(design, location.name, readings)
    strands = strands_to_retest(design, where)
    kept = [not (reading.lit.strands & strands) for reading in readings]
    if isinstance(location, StrandNumbers) and len(location.numbers) == 1:
        for joint in power_joints(design):  # they are soldered again with the strand
            if location.numbers[0] in joint.strands:
                unmoved = _unchanged_readings(design, joint.name, readings)
                kept = [a and b for a, b in zip(kept, unmoved, strict=True)]
    return kept


def _unchanged_readings(design: Design, name: str, readings: Sequence[Reading]) -> list[bool]:
    """Return True for each reading that is equal for a good joint and `ASSUMED_JOINT_OHMS`.

    A joint that was open, or nearly, may have left strands without volts, and all strands after
    them without data. The worst case is assumed, at little cost: a reading that the repair may have
    changed remains evidence from before it; see `inference.pre_repair`.
    """
    if not readings:
        return []
    good = _PredictedReadings.of(design, name, None, readings)
    bad = [_PredictedReadings.of(design, name, ohm, readings) for ohm in ASSUMED_JOINT_OHMS]
    min_shift = np.array([_min_shift(reading) for reading in readings])
    kept = np.ones(len(readings), dtype=bool)
    for predicted in bad:
        kept &= ~predicted.floating & (predicted.largest_shift(good) < min_shift)
    return [bool(keep) for keep in kept]


def _min_shift(reading: Reading) -> float:
    """Return the least change of a reading that counts: half a step of its range. [V, or A]"""
    if reading.volts is None:
        return MIN_MOVED_A
    meter = reading.meter or DEFAULT_METER
    return max(MIN_MOVED_V, meter.resolution_v(reading.volts) / 2.0)


@dataclass(frozen=True)
class _PredictedReadings:
    """Predicted readings with one joint at a given resistance.

    Attributes:
        value: shape (readings,). [V, or A]
        effects: change per standard deviation of each tolerance, shape (readings, causes).
            [V, or A]
        floating: True for readings on copper that the joint cuts off, shape (readings,).
    """

    value: FloatArray
    effects: FloatArray
    floating: NDArray[np.bool_]

    @classmethod
    def of(
        cls, design: Design, name: str, ohm: float | None, readings: Sequence[Reading]
    ) -> _PredictedReadings:
        """Return the prediction with a joint at a resistance, None for its healthy one. [Ω]"""
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
        """Return the largest likely change of each reading from a good joint, shape (readings,).

        The change of the prediction, plus `ASYMMETRY_SD` of the change of its tolerance effects.
        """
        unequal = np.sqrt(((self.effects - good.effects) ** 2).sum(axis=1))
        return np.asarray(np.abs(self.value - good.value) + ASYMMETRY_SD * unequal)


def _solve_with_data_loss(circuit: Circuit, lit: LitSet) -> Solution:
    """Return the solution of a lit set; nodes after one without logic volts are dark."""
    design = circuit.design
    duty, order = lit.duty(design), data_order(design)
    solution = solve(circuit, duty)
    stopped = solution.node_v[order] < design.node.logic_v
    if stopped.any():
        for start, stop in design.data_lines:
            lost = np.logical_or.accumulate(stopped[start:stop])
            duty[order[start:stop][lost]] = 0.0
        solution = solve(circuit, duty)
    return solution
