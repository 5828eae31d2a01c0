"""How far a healthy unit may be from its design, and what that does to each reading.

First derivatives, not sampling: one backward solution for each probe gives its change with every
resistance, every node and every supply at once (the adjoint method).
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

MATERIALS = (Material.WIRE, Material.COPPER, Material.FUSE)
"""Materials whose branches deviate together."""


@dataclass(frozen=True)
class Tolerances:
    """One standard deviation of each cause, as a share of its nominal value.

    Source: common practice, no source. A healthy joint is log-normal about its nominal resistance,
    most of it wire and pad between the probe tips.
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
    """Resistance of each feed's cables, by themselves: longer or thinner than written, or of
    copper-clad aluminium (1.55 times). One-sided in truth: the root mean square of what there is
    more than written. Also of a source resistance that the design gives."""
    source_ohm: float = 0.015
    """Source resistance of each supply of which the design gives none: nothing to 5 mΩ of an
    enclosed one, 20 to 60 mΩ of one with a cord of its own. One-sided, taken likewise. [Ω]"""
    joint_factor: float = 1.8
    """Each healthy joint, by itself: two of three lie within this factor of their nominal."""
    alike: tuple[float, float, float] = (0.0, 0.0, 0.0)
    """How far node current and wire, node current and copper, wire and copper go together:
    coefficients of correlation, -1 to 1. Designs know of none; readings of volts, each a current
    times a resistance, do."""
    reels: tuple[int, ...] = ()
    """Places among the strands from which nodes may be of another reel, with a current of its
    own; none where all are of one."""

    @cached_property
    def mixing(self) -> FloatArray:
        """What node current, wire and copper do together, from what each does alone.

        Effects of a whole nominal each, times this matrix, are effects of three causes that have
        nothing to do with each other; without `alike` they are the three themselves, shape (3, 3).
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


_POINTS, _WEIGHTS = np.polynomial.hermite_e.hermegauss(21)
_NORMAL: tuple[FloatArray, FloatArray] = (_POINTS, _WEIGHTS / _WEIGHTS.sum())
"""Points and weights that take a mean over the normal distribution."""

HAND_SOLDERED = Tolerances()
"""What a careful maker's prop keeps to."""

FROM_MANY_REELS = replace(HAND_SOLDERED, strand=0.02)
"""The same for whoever compares strands to a tenth of a millivolt: they come from other reels.
Common practice, no source."""


@dataclass(frozen=True)
class Spread:
    """What one standard deviation of each cause does to each probe.

    Attributes:
        shared: causes that are one value for the whole unit, or one joint: shape (probes, causes),
            in the order of `cause_names`. [V]
        nodes: each node's own current and, behind them, each strand's, shape
            (probes, nodes + strands). [V]
    """

    shared: FloatArray
    nodes: FloatArray

    @property
    def sd_v(self) -> FloatArray:
        """Standard deviation of each probe, shape (probes,). [V]"""
        return np.asarray(np.sqrt((self.shared**2).sum(axis=1) + (self.nodes**2).sum(axis=1)))

    def covariance(self) -> FloatArray:
        """Covariance between probes, shape (probes, probes). [V²]"""
        return np.asarray(self.shared @ self.shared.T + self.nodes @ self.nodes.T)


def cause_names(design: Design) -> list[str]:
    """Names of the shared causes, in the order of `Spread.shared`.

    A fuse has a place among the joints, as it can be open; it does nothing there while it is whole.
    """
    supplies = [f"supply {feed.name}" for feed in design.feeds]
    joints = [f"joint {joint.name}" for joint in power_joints(design)]
    joints += [f"joint {feed.name}" for feed in design.feeds if has_fuse(design, feed)]
    feeds = [f"feed {feed.name}" for feed in design.feeds]
    return [*supplies, "current", "wire", "copper", "fuse", *feeds, *joints]


def shared_weights(circuit: Circuit, tolerances: Tolerances) -> FloatArray:
    """Which resistances move together with each cause that is of more than one branch.

    Rows are wire, board copper and fuse as a whole, and behind them each feed: the resistance of
    its supply and of its two cables, one standard deviation. Nothing can be touched between the
    three, so that a reading tells only their sum.

    Returns:
        Change of the logarithm of each kept branch's resistance, shape (3 + feeds, kept).
    """
    material = circuit.netlist.material[circuit.kept]
    rows, feeds = circuit.feed_rows, circuit.design.feeds
    weights = np.zeros((len(MATERIALS) + len(feeds), len(material)))
    weights[: len(MATERIALS)] = material == np.array(MATERIALS)[:, None]
    for number, (feed, row) in enumerate(zip(feeds, rows.tolist(), strict=True)):
        if row >= 0:
            sd_ohm = feed_ohm_sd(feed, tolerances)
            weights[len(MATERIALS) + number, row] = sd_ohm * circuit.conductance_s[row]
    return weights


def feed_ohm_sd(feed: Feed, tolerances: Tolerances) -> float:
    """Standard deviation of what stands in series with a supply: its own, and both cables'. [Ω]"""
    cable_ohm = 2.0 * feed.wire.ohm_per_mm * feed.length_mm
    own_ohm = tolerances.cable * feed.source_mohm * 1e-3 or tolerances.source_ohm
    return float(np.hypot(tolerances.cable * cable_ohm, own_ohm))


def reading_spread(
    solution: Solution,
    probes: list[Probe],
    tolerances: Tolerances = HAND_SOLDERED,
    known_joints: frozenset[str] = frozenset(),
) -> Spread:
    """What one standard deviation of each cause does to each probe at this solution.

    Args:
        solution: the prop with given strands lit.
        probes: what is read.
        tolerances: how far a healthy unit may be from its design.
        known_joints: joints whose resistance is given, and so has no tolerance.

    Returns:
        Effects of all causes; a probe on copper that an open joint cut off shows none.
    """
    circuit = solution.circuit
    columns = circuit.probe_incidence(probes).columns()
    read = sensitivities(circuit, solution.factor, columns, circuit.probe_offset(probes))
    return spread_from_sensitivities(solution, read, tolerances, known_joints)


@dataclass(frozen=True)
class Sensitivities:
    """What is read of the unknowns, solved backwards: good for every solution with one factor.

    Attributes:
        per_volt: change of each reading per volt put into a branch, shape (kept, read).
        per_amp: change per ampere taken at a loaded node, shape (loaded, read). [V/A]
        per_supply: change per volt of each supply, shape (read, feeds).
    """

    per_volt: FloatArray
    per_amp: FloatArray
    per_supply: FloatArray


def sensitivities(
    circuit: Circuit, factor: Factor, columns: FloatArray, per_supply: FloatArray
) -> Sensitivities:
    """Solve backwards for things read off the unknowns.

    Args:
        circuit: the prop.
        factor: of the solutions that it is for.
        columns: what is read of the unknowns, shape (unknowns, read).
        per_supply: what is read beyond them per volt of each supply, shape (read, feeds).

    Source: adjoint sensitivities of nodal equations, as in any text on network tolerance.
    """
    backward = factor.solve(columns)
    per_volt = circuit.incidence.across(backward)
    per_amp = -circuit.load_incidence.across(backward)
    pushed = circuit.conductance_s[:, None] * circuit.supply_matrix
    return Sensitivities(per_volt, per_amp, per_supply - per_volt.T @ pushed)


def spread_from_sensitivities(
    solution: Solution,
    read: Sensitivities,
    tolerances: Tolerances = HAND_SOLDERED,
    known_joints: frozenset[str] = frozenset(),
    known_sd: float = 0.0,
) -> Spread:
    """What one standard deviation of each cause does to anything read off the unknowns.

    Args:
        solution: the prop with given strands lit.
        read: what is read, solved backwards with this solution's factor.
        tolerances: how far a healthy unit may be from its design.
        known_joints: joints whose resistance is given, and so has no tolerance.
        known_sd: but this, one standard deviation of the logarithm of theirs.
    """
    circuit = solution.circuit
    current_a = solution.branch_a
    per_log_amp = read.per_amp * solution.load_a[:, None]

    names, rows = circuit.joint_rows
    across = read.per_volt[rows]
    mean, shares = joint_moments(solution, tolerances)
    shares = np.where([name in known_joints for name in names], known_sd, shares)
    per_supply = read.per_supply + joint_mean_effect(solution, across, mean)
    parts = [per_supply * circuit.supply_v * tolerances.supply]
    # change with the logarithm of a resistance: change per volt in the branch, times its amps
    weights = shared_weights(circuit, tolerances)
    moved = (weights * current_a) @ read.per_volt
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
    """Mean and standard deviation of what each joint does to a reading, over its first effect.

    A joint far above its nominal sheds current where other copper can take it over, so its effect
    is no straight line of its resistance. With `r` the joint's stiffness and `t` the logarithm of
    its resistance over nominal, the change of any reading goes with
    `(1 - exp(-t)) / (1 + (exp(-t) - 1) r)`, exactly while loads stay on the straight part of their
    law (Sherman and Morrison); its variance over the log-normal is by Gauss and Hermite's rule.

    Returns:
        Shape (joints that carry current,) each, in the order of `Circuit.joint_rows`.
    """
    points, weights = _NORMAL
    less = np.expm1(-points * np.log(tolerances.joint_factor))
    change = -less / (1.0 + less * np.clip(solution.joint_stiffness, 0.0, 1.0)[:, None])
    mean = change @ weights
    sd = np.sqrt((change - mean[:, None]) ** 2 @ weights)
    fuse = [name in solution.circuit.netlist.fuses for name in solution.circuit.joint_rows[0]]
    return np.where(fuse, 0.0, mean), np.where(fuse, 0.0, sd)


def joint_mean_effect(
    solution: Solution, across: FloatArray, mean: FloatArray
) -> FloatArray | float:
    """What supplies do to readings because a joint's mean lies above its nominal.

    A current that unequal supplies drive through a joint drops volts over the joint's mean.

    Args:
        solution: the prop with given strands lit.
        across: change of each reading per volt put into each joint that carries current,
            shape (joints carrying current, read).
        mean: of what each of them does, see `joint_moments`.

    Returns:
        To add to the change per volt of each supply, shape (read, feeds).
    """
    if len(solution.circuit.supply_v) == 1:
        return 0.0
    _, rows = solution.circuit.joint_rows
    return np.asarray(across.T @ (mean[:, None] * solution.per_supply_a[rows]))


def circulating_current_a(solution: Solution, tolerances: Tolerances) -> FloatArray:
    """What unequal supplies add to each branch's current, as far as a joint's drop feels it.

    Supplies that should be equal and are not drive a current round the prop, of which the design
    knows nothing: the drop across a joint is then the product of two deviations. Its variance is
    that of the joint's resistance times the mean square of its current.

    Returns:
        What to add to each kept branch's current, with its sign, shape (kept,). [A]
    """
    sd_a = solution.per_supply_a * solution.circuit.supply_v * tolerances.supply
    current_a = solution.branch_a
    square = current_a**2 + (sd_a**2).sum(axis=1)
    return np.asarray(np.where(current_a < 0.0, -1.0, 1.0) * np.sqrt(square) - current_a)


def _joints(solution: Solution, across: FloatArray, current_a: FloatArray) -> FloatArray:
    """Effect of each joint on each reading, shape (read, joints); 0 for open ones.

    Args:
        solution: the prop with given strands lit.
        across: change per volt put into each joint that carries current, (carrying, read).
        current_a: what to take for the current of each of them, its share of spread included.
    """
    circuit = solution.circuit
    names, _ = circuit.joint_rows
    row_of = {name: row for row, name in enumerate(names)}
    effects = np.zeros((across.shape[1], len(circuit.netlist.joint)))
    for column, name in enumerate(circuit.netlist.joint):
        if name in row_of:
            effects[:, column] = across[row_of[name]] * current_a[row_of[name]]
    return effects
