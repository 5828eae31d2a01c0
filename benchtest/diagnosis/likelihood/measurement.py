"""Measurement model: readings as linear functions of the circuit's unknowns, and their errors."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from benchtest.circuit.netlist import FloatArray, IndexArray
from benchtest.circuit.network import Circuit
from benchtest.circuit.solution import Solution
from benchtest.circuit.tolerance import (
    Sensitivities,
    Tolerances,
    joint_mean_effect,
    joint_moments,
    sensitivities,
)
from benchtest.diagnosis.model.fault_response import CELL_SD, DesignResponse, LitSetResponse
from benchtest.diagnosis.model.node_variation import node_variation_a
from benchtest.evidence.meter import Meter
from benchtest.evidence.readings import Reading
from benchtest.evidence.rounding import infer_rounding_steps
from benchtest.prop.design import FeedName
from benchtest.prop.lit_set import LitSet

ISLAND_SHARE, ISLAND_LIT_SHARE = 0.4, 0.12
"""Standard deviation of the voltage of copper cut off by an open joint, as a share of the supply's:
of all readings on it together, and of those under one lit set. Its rails show anything between
nothing and nearly all of the supply (1.5 to 4.3 V at 5 V), depending on the idle level of its data
line, the protection of its pins, and stray light. Common practice, no source."""
ISLAND_OWN_V = 0.05
"""Standard deviation of each reading on it by itself: its logic starts and stops. [V] Ours."""
NO_CABLE = -2
"""Branch number of the cable of a feed whose fuse is blown."""
LEADS_V = 1e-4
"""Standard deviation from probe tips held by hand. [V] Common practice, no source."""
ROUNDING = 0.4
"""Standard deviation of rounding by a person or a coarse meter, in steps: more than the 1/sqrt(12)
of a uniform error, since similar readings are rounded alike. Ours."""
CLAMP_SHARE, CLAMP_A = 0.02, 0.05
"""Standard deviation of a clamp meter: share of the reading, and [A]. Common practice, no
source."""


@dataclass(frozen=True)
class Taps:
    """Readings under one lit set, as linear functions of the unknowns.

    Attributes:
        lit: strands lit.
        rows: index of each tap among all readings, in order.
        columns: derivative of each tap by the unknowns, shape (unknowns, taps).
        constant: offset of each tap, shape (taps,). [V, or A]
        per_supply: derivative of the offset by each supply's voltage, shape (taps, feeds).
        cable: kept branch that a clamp is around, `NO_CABLE` if that branch is open, -1 for voltage
            readings, shape (taps,).
        readings: the readings, one for each tap.
    """

    lit: LitSet
    rows: tuple[int, ...]
    columns: FloatArray
    constant: FloatArray
    per_supply: FloatArray
    cable: IndexArray
    readings: tuple[Reading, ...]

    def moved_to(self, circuit: Circuit) -> Taps:
        """Return the same readings as taps of another circuit of the same design."""
        return _group(circuit, self.lit, self.rows, self.readings)


def taps_of(circuit: Circuit, readings: Sequence[Reading]) -> list[Taps]:
    """Return readings grouped by lit set, in the order in which lit sets first occur."""
    groups: dict[LitSet, list[int]] = {}
    for row, reading in enumerate(readings):
        groups.setdefault(reading.lit, []).append(row)
    return [
        _group(circuit, lit, tuple(rows), tuple(readings[row] for row in rows))
        for lit, rows in groups.items()
    ]


def _group(
    circuit: Circuit, lit: LitSet, rows: tuple[int, ...], readings: tuple[Reading, ...]
) -> Taps:
    columns, per_supply, cables = [], [], []
    for reading in readings:
        column, supply, cable = _tap(circuit, reading)
        columns.append(column)
        per_supply.append(supply)
        cables.append(cable)
    supplies = np.array(per_supply)
    constant = supplies @ circuit.supply_v
    return Taps(lit, rows, np.array(columns).T, constant, supplies, np.array(cables), readings)


def _tap(circuit: Circuit, reading: Reading) -> tuple[FloatArray, FloatArray, int]:
    if reading.volts is None:
        return _clamp(circuit, reading)
    column = circuit.probe_incidence([reading.probe]).columns()[:, 0]
    return column, circuit.probe_offset([reading.probe])[0], -1


def _clamp(circuit: Circuit, reading: Reading) -> tuple[FloatArray, FloatArray, int]:
    """Return a feed's cable current: the cable's conductance times the voltage along it."""
    assert isinstance(reading.probe.red.place, FeedName)
    names = [feed.name for feed in circuit.design.feeds]
    feed = names.index(reading.probe.red.place.feed)
    if circuit.netlist.is_blown(feed):
        return np.zeros(circuit.reduced.count), np.zeros(len(names)), NO_CABLE
    branch = int(np.flatnonzero(circuit.netlist.feed == feed)[0])
    kept = int(np.flatnonzero(circuit.kept == branch)[0])
    siemens = circuit.conductance_s[kept]
    column = circuit.incidence.only(np.array([kept])).columns()[:, 0] * siemens
    return column, circuit.supply_matrix[kept] * siemens, kept


def read_at(solution: Solution, taps: Taps) -> FloatArray:
    """Return the values of the taps at a solution, shape (taps,). [V, or A]

    Voltages of disconnected copper are no unknowns, so they are taken from the points.
    """
    values = np.asarray(taps.columns.T @ solution.x + taps.constant)
    if solution.circuit.reduced.adrift.any():
        volts = solution.volts_at([reading.probe for reading in taps.readings])
        values = np.where(taps.cable == -1, volts, values)
    return values


@dataclass(frozen=True)
class TapEffects:
    """Readings of the healthy prop under one lit set, and their sensitivities to all causes.

    Attributes:
        base: the healthy prop under the lit set.
        taps: the readings.
        value: their values, shape (taps,). [V, or A]
        read: their adjoint sensitivities.
        load: change per relative change of each loaded node's current, shape (loaded, taps). [V, or
            A]
        joint_shares: relative standard deviation of all joints that carry current, the given ones
            too, see `circuit.tolerance.joint_moments`, shape (carrying,).
        capped_compensating_a: see `DesignResponse.capped_compensating_a`, (joints, COLUMNS). [A]
        variation_a: additional current of each loaded node by each cause, see
            `model.node_variation.node_variation_a`, shape (loaded, causes). [A]
    """

    base: LitSetResponse
    taps: Taps
    value: FloatArray
    read: Sensitivities
    load: FloatArray
    joint_shares: FloatArray
    capped_compensating_a: FloatArray
    variation_a: FloatArray

    @property
    def branch(self) -> FloatArray:
        """Transfer resistance from each kept branch, shape (kept, taps). [Ω]"""
        return self.read.branch_ohm


def tap_effects(responses: DesignResponse, taps: Taps, tolerances: Tolerances) -> TapEffects:
    """Return the readings of one lit set and their sensitivities, by the adjoint method.

    Args:
        responses: the prop without faults, or with the given ones.
        taps: the readings.
        tolerances: of the unit.
    """
    base = responses.base(taps.lit)
    solution = base.solution
    circuit = solution.circuit
    read = sensitivities(circuit, solution.factor, taps.columns, taps.per_supply)
    load = read.per_amp * solution.load_a[:, None]
    _, rows = circuit.joint_rows
    mean, shares = joint_moments(solution, tolerances)
    per_supply = read.per_supply + joint_mean_effect(solution, read.branch_ohm[rows], mean)
    read = Sensitivities(read.branch_ohm, read.per_amp, per_supply)
    given = [name in responses.given for name in circuit.joint_rows[0]]
    shares = np.where(given, CELL_SD, shares)
    compensating_a = responses.capped_compensating_a(base)
    value, variation_a = read_at(solution, taps), node_variation_a(solution, tolerances)
    return TapEffects(base, taps, value, read, load, shares, compensating_a, variation_a)


def in_reading_order(
    effects: Sequence[TapEffects], parts: Sequence[FloatArray], axis: int
) -> FloatArray:
    """Return an array for all readings from one array for each lit set.

    Args:
        effects: of each lit set.
        parts: for each lit set an array with its taps along `axis`.
        axis: axis of the readings.
    """
    joined = np.concatenate(parts, axis=axis)
    return np.take(joined, np.argsort(_rows_of(effects)), axis=axis)


def lit_set_of(effects: Sequence[TapEffects]) -> IndexArray:
    """Return the index in `effects` of each reading's lit set, shape (readings,)."""
    places = [np.full(len(effect.taps.rows), n) for n, effect in enumerate(effects)]
    return np.concatenate(places)[np.argsort(_rows_of(effects))]


def _rows_of(effects: Sequence[TapEffects]) -> IndexArray:
    return np.concatenate([np.array(effect.taps.rows, dtype=np.intp) for effect in effects])


@dataclass(frozen=True)
class Noise:
    """Errors of reading.

    Attributes:
        own: independent standard deviation of each reading, shape (readings,). [V, or A]
        gain: relative standard deviation from the meter's gain, one unknown common to the session,
            shape (readings,).
    """

    own: FloatArray
    gain: FloatArray


def island_leads(circuit: Circuit, readings: Sequence[Reading]) -> FloatArray:
    """Return which leads of each reading are on copper that an open joint cut off.

    Returns:
        1 for the red lead and -1 for the black one, in the column of the copper's label in
        `ReducedNetwork.component`, 0 elsewhere, shape (readings, components).
    """
    component, floating = circuit.reduced.component, circuit.floating
    found = np.zeros((len(readings), int(component.max(initial=0)) + 1))
    for row, reading in enumerate(readings):
        if reading.volts is None:
            continue
        for point, sign in ((reading.probe.red, 1.0), (reading.probe.black, -1.0)):
            number = circuit.netlist.number(point)
            if floating[number]:
                found[row, component[number]] += sign
    return found


def island_covariance(
    leads: Sequence[FloatArray], rows: Sequence[Sequence[int]], supply_v: float
) -> FloatArray:
    """Return the covariance of readings on disconnected copper, from its unknown voltage.

    All readings on one piece of copper share its unknown voltage, so the sign of a drop and the
    difference of two readings still discriminate between the two rails.

    Args:
        leads: of each lit set, see `island_leads`; all with the same open joints.
        rows: index of each lit set's readings among all.
        supply_v: of the prop. [V]

    Returns:
        Shape (readings, readings). [V²]
    """
    order = np.concatenate([np.asarray(each, dtype=np.intp) for each in rows])
    all_leads = np.concatenate(leads)
    lit_set = np.repeat(np.arange(len(rows)), [len(each) for each in rows])
    shared = all_leads @ all_leads.T
    variance = ISLAND_SHARE**2 + ISLAND_LIT_SHARE**2 * (lit_set[:, None] == lit_set)
    found = supply_v**2 * variance * shared
    diagonal = np.arange(len(order))
    found[diagonal, diagonal] += ISLAND_OWN_V**2 * all_leads.any(axis=1)
    inverse = np.argsort(order)
    return np.asarray(found[np.ix_(inverse, inverse)])


def values_of(readings: Sequence[Reading]) -> FloatArray:
    """Return the measured values, shape (readings,). [V, or A]"""
    return np.array([reading.value for reading in readings], dtype=np.float64)


def noise_of(readings: Sequence[Reading], default: Meter) -> Noise:
    """Return the errors of each reading.

    A meter's gain is one unknown common to the session; its resolution is independent noise. The
    accuracy class counts as two standard deviations of the gain and three of the digits.

    Args:
        readings: the readings.
        default: meter of readings that name none.
    """
    own, gain = [], []
    steps = infer_rounding_steps(readings, default)
    for reading, step in zip(readings, steps.each, strict=True):
        if reading.volts is None:
            amps = reading.amps or 0.0
            own.append(float(np.hypot(CLAMP_SHARE * amps, CLAMP_A)))
            gain.append(0.0)
        else:
            meter = reading.meter or default
            noise = volt_noise(replace(meter, steps_v=()), np.array(reading.volts))
            own.append(float(np.hypot(noise, ROUNDING * step)))
            gain.append(meter.percent / 200.0)
    return Noise(np.array(own), np.array(gain))


def volt_noise(meter: Meter, volts: FloatArray) -> FloatArray:
    """Return the standard deviation of readings apart from the meter's gain, same shape. [V]"""
    ranges_v = np.array(meter.ranges_v)
    place = np.minimum(np.searchsorted(ranges_v, np.abs(volts)), len(ranges_v) - 1)
    steps = max(meter.digits / 3.0, 0.29)  # 0.29: rounding to whole counts, 1/sqrt(12)
    own = np.hypot(steps * ranges_v[place] / meter.counts, LEADS_V)
    if meter.steps_v:
        own = np.hypot(own, ROUNDING * np.array(meter.steps_v)[place])
    return np.asarray(own)
