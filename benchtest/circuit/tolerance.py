"""Tolerances of healthy units, and the spread of readings that follows from them.

First derivatives instead of sampling: one adjoint solution for each probe gives its derivative with
respect to every resistance, every node current and every supply at once.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from functools import cached_property

import numpy as np

from benchtest.circuit.ladder import Factor
from benchtest.circuit.netlist import FloatArray, Material, has_fuse
from benchtest.circuit.network import Circuit
from benchtest.circuit.solution import Solution
from benchtest.prop.design import Design, Feed, Probe
from benchtest.prop.joints import power_joints

_SHARED_MATERIALS = (Material.WIRE, Material.COPPER, Material.FUSE)
"""Materials whose branches all deviate together."""


@dataclass(frozen=True)
class Tolerances:
    """One standard deviation of each cause, as a share of its nominal value unless a unit is given.

    A healthy joint is log-normal about its nominal resistance, most of which is wire and pad
    between the probe tips. Source: common practice, no source.
    """

    current: float = 0.08
    """Node current, common to all nodes of a unit."""
    node: float = 0.04
    """Node current, node to node."""
    strand: float = 0.0
    """Node current, common to all nodes of a strand."""
    wire: float = 0.08
    """Resistance of all wire together: area, lay, temperature."""
    copper: float = 0.15
    """Resistance of all board copper together."""
    supply: float = 0.01
    """Volts of each supply."""
    fuse: float = 0.15
    """Cold resistance of a fuse."""
    cable: float = 0.25
    """Resistance of each feed's cables, which may be longer or thinner than written, or of
    copper-clad aluminium (1.55 times). The real distribution is one-sided; this is the root mean
    square of its excess. It also applies to a source resistance that the design gives."""
    source_ohm: float = 0.015
    """Source resistance of each supply for which the design gives none: 0 to 5 mΩ of an enclosed
    one, 20 to 60 mΩ of one with a cord of its own. One-sided too. [Ω]"""
    joint_factor: float = 1.8
    """Factor of one standard deviation of each healthy joint's resistance."""
    alike: tuple[float, float, float] = (0.0, 0.0, 0.0)
    """Correlation coefficients of node current and wire, node current and copper, wire and copper,
    -1 to 1. They are 0 in a design, but not after readings of volts, each of which is a current
    times a resistance."""
    high_joints: frozenset[str] = frozenset()
    """Names of healthy joints that a reading shows in the long upper tail of the log-normal: their
    standard deviation is `HIGH_JOINT_FACTOR` times as large."""
    reels: tuple[int, ...] = ()
    """Indices of the strands from which nodes may come from another reel, with a current of its
    own; empty where all come from one reel."""

    @cached_property
    def mixing(self) -> FloatArray:
        """Square root L of the covariance L Lᵀ of node current, wire and copper, shape (3, 3).

        Effects of 100 % of each, times this matrix, are the effects of three independent causes;
        without `alike` it is diagonal.

        Source: Cholesky factor of diag(sd) R diag(sd) with the correlation matrix R.
        """
        sd = np.array([self.current, self.wire, self.copper])
        if not any(self.alike):
            return np.diag(sd)
        current_wire, current_copper, wire_copper = self.alike
        together = np.array(
            [
                [1.0, current_wire, current_copper],
                [current_wire, 1.0, wire_copper],
                [current_copper, wire_copper, 1.0],
            ]
        )
        return np.asarray(np.linalg.cholesky(together * np.outer(sd, sd)))


HIGH_JOINT_FACTOR = 4.0
"""Standard deviation of a joint in the upper tail over that of any joint; see
`diagnosis.thresholds.UPPER_TAIL_PROBABILITY`."""

_POINTS, _WEIGHTS = np.polynomial.hermite_e.hermegauss(21)
_NORMAL: tuple[FloatArray, FloatArray] = (_POINTS, _WEIGHTS / _WEIGHTS.sum())
"""Points and weights of Gauss-Hermite quadrature over the normal distribution."""

HAND_SOLDERED = Tolerances()
"""Tolerances of a carefully built prop."""

FROM_MANY_REELS = replace(HAND_SOLDERED, strand=0.02)
"""Tolerances for comparing strands to 0.1 mV: nodes of each strand may come from another reel.
Common practice, no source."""


@dataclass(frozen=True)
class Spread:
    """Effect of one standard deviation of each cause on each probe.

    Attributes:
        shared: effects of causes with one value for the whole unit, and of each joint, in the order
            of `cause_names`, shape (probes, causes). [V]
        nodes: effects of each node's own current, followed by each strand's, shape
            (probes, nodes + strands). [V]
    """

    shared: FloatArray
    nodes: FloatArray

    @property
    def sd_v(self) -> FloatArray:
        """Standard deviation of each probe, root of the sum of squares, shape (probes,). [V]"""
        return np.asarray(np.sqrt((self.shared**2).sum(axis=1) + (self.nodes**2).sum(axis=1)))

    def covariance(self) -> FloatArray:
        """Return the covariance between probes, E Eᵀ of the effects, (probes, probes). [V²]

        Source: first-order error propagation of independent causes.
        """
        return np.asarray(self.shared @ self.shared.T + self.nodes @ self.nodes.T)


def cause_names(design: Design) -> list[str]:
    """Return the names of the shared causes, in the order of `Spread.shared`.

    A fuse is listed with the joints because it can be open; while intact it has no effect there.
    """
    supplies = [f"supply {feed.name}" for feed in design.feeds]
    joints = [f"joint {joint.name}" for joint in power_joints(design)]
    joints += [f"joint {feed.name}" for feed in design.feeds if has_fuse(design, feed)]
    feeds = [f"feed {feed.name}" for feed in design.feeds]
    return [*supplies, "current", "wire", "copper", "fuse", *feeds, *joints]


def shared_weights(circuit: Circuit, tolerances: Tolerances) -> FloatArray:
    """Return the change of resistances with each cause that affects more than one branch.

    Rows are wire, board copper and fuses as a whole, followed by each feed: the resistance of its
    supply and its two cables in series, one standard deviation. No point between them can be
    probed, so that readings depend on their sum only.

    Args:
        circuit: the prop.
        tolerances: deviation of healthy units from the design.

    Returns:
        Change of the logarithm of each kept branch's resistance, shape (3 + feeds, kept).

    Source: `Tolerances`.
    """
    material = circuit.netlist.material[circuit.kept]
    rows, feeds = circuit.feed_rows, circuit.design.feeds
    weights = np.zeros((len(_SHARED_MATERIALS) + len(feeds), len(material)))
    weights[: len(_SHARED_MATERIALS)] = material == np.array(_SHARED_MATERIALS)[:, None]
    for number, (feed, row) in enumerate(zip(feeds, rows.tolist(), strict=True)):
        if row >= 0:
            sd_ohm = feed_ohm_sd(feed, tolerances)
            weights[len(_SHARED_MATERIALS) + number, row] = sd_ohm * circuit.conductance_s[row]
    return weights


def feed_ohm_sd(feed: Feed, tolerances: Tolerances) -> float:
    """Return the standard deviation of a supply's source resistance and both its cables. [Ω]

    It is the root of the sum of squares of the two.

    Args:
        feed: the feed.
        tolerances: deviation of healthy units from the design.

    Source: `Tolerances.cable` and `Tolerances.source_ohm`.
    """
    cable_ohm = 2.0 * feed.wire.ohm_per_mm * feed.length_mm
    own_ohm = tolerances.cable * feed.source_mohm * 1e-3 or tolerances.source_ohm
    return float(np.hypot(tolerances.cable * cable_ohm, own_ohm))


def reading_spread(
    solution: Solution,
    probes: list[Probe],
    tolerances: Tolerances = HAND_SOLDERED,
    known_joints: frozenset[str] = frozenset(),
) -> Spread:
    """Return the spread of probes across healthy units at a solution.

    Args:
        solution: the prop with given strands lit.
        probes: the probes.
        tolerances: deviation of healthy units from the design.
        known_joints: joints of given resistance, which have no tolerance.

    Returns:
        Effects of all causes on each probe; none on a probe at copper adrift. [V]

    Source: first-order error propagation with adjoint sensitivities.
    """
    circuit = solution.circuit
    columns = circuit.probe_incidence(probes).columns()
    read = sensitivities(circuit, solution.factor, columns, circuit.probe_offset(probes))
    return spread_from_sensitivities(solution, read, tolerances, known_joints)


@dataclass(frozen=True)
class Sensitivities:
    """Adjoint sensitivities of readings, valid for every solution with the same factor.

    Attributes:
        branch_ohm: transfer resistance of each reading from each kept branch: times the current of
            the branch, its change per relative change of the resistance, shape (kept, readings).
            [Ω]
        per_amp: change of each reading per ampere drawn at a loaded node, shape (loaded, readings).
            [V/A]
        per_supply: change of each reading per volt of each supply, shape (readings, feeds). [V/V]
    """

    branch_ohm: FloatArray
    per_amp: FloatArray
    per_supply: FloatArray


def sensitivities(
    circuit: Circuit, factor: Factor, columns: FloatArray, per_supply: FloatArray
) -> Sensitivities:
    """Return the adjoint sensitivities of readings that are linear in the unknowns.

    For a reading cᵀ x, the adjoint solution K⁻¹ c is its change per ampere into each unknown.

    Args:
        circuit: the prop.
        factor: factors of K at the solution.
        columns: coefficients c of each reading, shape (unknowns, readings).
        per_supply: change of each reading per volt of each supply with the unknowns held, shape
            (readings, feeds). [V/V]

    Source: adjoint sensitivities of nodal equations, as in any text on network tolerance.
    """
    backward = factor.solve(columns)
    branch_ohm = circuit.incidence.across(backward)
    per_amp = -circuit.load_incidence.across(backward)
    pushed = circuit.conductance_s[:, None] * circuit.supply_matrix
    return Sensitivities(branch_ohm, per_amp, per_supply - branch_ohm.T @ pushed)


def spread_from_sensitivities(
    solution: Solution,
    read: Sensitivities,
    tolerances: Tolerances = HAND_SOLDERED,
    known_joints: frozenset[str] = frozenset(),
    known_sd: float = 0.0,
) -> Spread:
    """Return the spread of readings across healthy units, from their sensitivities.

    With its transfer resistance r from a branch of current i and resistance R, a reading changes by
    r i × δR / R; with its change per ampere p at a node of current i, by p i × δi / i.

    Args:
        solution: the prop with given strands lit.
        read: sensitivities of the readings, with this solution's factor.
        tolerances: deviation of healthy units from the design.
        known_joints: joints of given resistance, which have only the tolerance `known_sd`.
        known_sd: standard deviation of the logarithm of their resistance.

    Returns:
        Effects of all causes on each reading. [V]

    Source: first-order error propagation with adjoint sensitivities.
    """
    circuit = solution.circuit
    current_a = solution.branch_a
    per_log_amp = read.per_amp * solution.load_a[:, None]

    names, rows = circuit.joint_rows
    across = read.branch_ohm[rows]
    mean, shares = joint_moments(solution, tolerances)
    shares = np.where([name in known_joints for name in names], known_sd, shares)
    per_supply = read.per_supply + joint_mean_effect(solution, across, mean)
    parts = [per_supply * circuit.supply_v * tolerances.supply]
    # derivative with respect to the logarithm of a resistance: transfer resistance times current
    weights = shared_weights(circuit, tolerances)
    moved = (weights * current_a) @ read.branch_ohm
    three = np.stack([per_log_amp.sum(axis=0), *moved[:2]], axis=1)
    parts.append(three @ tolerances.mixing)
    parts.append(tolerances.fuse * moved[2][:, None])
    parts.append(moved[3:].T)
    if len(circuit.supply_v) > 1:
        current_a = current_a + circulating_current_a(solution, tolerances)
    parts.append(_joints(solution, across, shares * current_a[rows]))

    nodes = np.zeros((per_log_amp.shape[1], circuit.design.node_count))
    nodes[:, circuit.loaded] = per_log_amp.T
    strands = np.add.reduceat(nodes, circuit.design.first_index, axis=1)
    own = np.concatenate([tolerances.node * nodes, tolerances.strand * strands], axis=1)
    return Spread(np.concatenate(parts, axis=1), own)


def joint_moments(solution: Solution, tolerances: Tolerances) -> tuple[FloatArray, FloatArray]:
    """Return mean and standard deviation of each joint's effect, over its first-order effect.

    The current of a joint far above its nominal resistance moves to other copper, so that its
    effect is nonlinear. With the joint's stiffness r and the logarithm t of its resistance over
    nominal, the change of any reading is proportional to (1 - e^-t) / (1 + (e^-t - 1) r), exactly
    while the loads are linear.

    Args:
        solution: the prop with given strands lit.
        tolerances: deviation of healthy units from the design.

    Returns:
        Shape (joints that carry current,) each, in the order of `Circuit.joint_rows`.

    Source: rank-one update by Sherman and Morrison; Gauss-Hermite quadrature over the log-normal.
    """
    points, weights = _NORMAL
    less = np.expm1(-points * np.log(tolerances.joint_factor))
    change = -less / (1.0 + less * np.clip(solution.joint_stiffness, 0.0, 1.0)[:, None])
    mean = change @ weights
    sd = np.sqrt((change - mean[:, None]) ** 2 @ weights)
    names = solution.circuit.joint_rows[0]
    if tolerances.high_joints:
        sd[[name in tolerances.high_joints for name in names]] *= HIGH_JOINT_FACTOR
    fuse = [name in solution.circuit.netlist.fuses for name in names]
    return np.where(fuse, 0.0, mean), np.where(fuse, 0.0, sd)


def joint_mean_effect(
    solution: Solution, across: FloatArray, mean: FloatArray
) -> FloatArray | float:
    """Return the effect of supplies on readings through joints' means above their nominal.

    A current that unequal supplies drive through a joint has its drop across the joint's mean
    resistance.

    Args:
        solution: the prop with given strands lit.
        across: transfer resistance of each reading from each joint that carries current, shape
            (joints that carry current, readings). [Ω]
        mean: mean effect of each joint, see `joint_moments`, shape (joints that carry current,).

    Returns:
        Change per volt of each supply to be added, shape (readings, feeds); 0 for one feed. [V/V]

    Source: product of two deviations, of which one has a mean other than 0.
    """
    if len(solution.circuit.supply_v) == 1:
        return 0.0
    _, rows = solution.circuit.joint_rows
    return np.asarray(across.T @ (mean[:, None] * solution.per_supply_a[rows]))


def circulating_current_a(solution: Solution, tolerances: Tolerances) -> FloatArray:
    """Return the current that unequal supplies add to each branch, for the drop across joints.

    Supplies that are unequal within their tolerance drive a current through the prop. The drop
    across a joint is then the product of two deviations, and its variance that of the joint's
    resistance times the mean square of its current, √(i² + σ_i²).

    Args:
        solution: the prop with given strands lit.
        tolerances: deviation of healthy units from the design.

    Returns:
        Current to be added to that of each kept branch, with its sign, shape (kept,). [A]

    Source: variance of a product of independent deviations.
    """
    sd_a = solution.per_supply_a * solution.circuit.supply_v * tolerances.supply
    current_a = solution.branch_a
    square = current_a**2 + (sd_a**2).sum(axis=1)
    return np.asarray(np.where(current_a < 0.0, -1.0, 1.0) * np.sqrt(square) - current_a)


def _joints(solution: Solution, across: FloatArray, current_a: FloatArray) -> FloatArray:
    """Return the effect of each joint on each reading, shape (readings, joints); 0 for open ones.

    Args:
        solution: the prop with given strands lit.
        across: transfer resistance from each joint that carries current, (carrying, readings). [Ω]
        current_a: current of each of them times its share of spread, shape (carrying,). [A]
    """
    circuit = solution.circuit
    names, _ = circuit.joint_rows
    row_of = {name: row for row, name in enumerate(names)}
    effects = np.zeros((across.shape[1], len(circuit.netlist.joint)))
    for column, name in enumerate(circuit.netlist.joint):
        if name in row_of:
            effects[:, column] = across[row_of[name]] * current_a[row_of[name]]
    return effects
