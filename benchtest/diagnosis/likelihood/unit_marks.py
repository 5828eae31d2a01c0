"""Likelihood of marks of a unit whose node voltages, and headroom, differ from the design's.

Near the end of headroom an eye sees a tenth of a volt: a healthy unit with a little less supply, or
nodes that need a little more, is warm where its design is white. All nodes of a unit differ alike,
so their deviation is one unknown of the unit. It is summed over a few ranges, within which the
nodes near a limit may look either way.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Hashable, Sequence
from functools import cached_property

import numpy as np
from numpy.typing import NDArray

from benchtest.circuit.netlist import FloatArray
from benchtest.circuit.solution import solve_unloaded
from benchtest.circuit.tolerance import Tolerances
from benchtest.diagnosis.likelihood.marks import (
    AS_PREDICTED,
    MarkLikelihood,
    SolvedVolts,
    StrandLook,
    VoltageLevel,
    appearance,
    best_explained,
)
from benchtest.diagnosis.model.fault_response import DesignResponse
from benchtest.diagnosis.model.faults import ChainFault
from benchtest.diagnosis.model.node_variation import LED_SD_V, headroom_sd_v
from benchtest.diagnosis.solve_budget import SolveBudget
from benchtest.diagnosis.thresholds import MAX_HEADROOM_SD
from benchtest.prop.lit_set import LitSet
from benchtest.prop.node_kinds import NodeKind

LEVEL_STEP_SD = 1.6
"""Width of each range of the deviation, in standard deviations. Ours: three ranges include 98 %."""
LEVELS = 3
"""Number of ranges; the probability of the outer two includes the tails."""
TABLE_STEP_V = 2e-3
"""Step of the table of appearances: far less than any deviation. [V]"""


class _Deviation:
    """Standard deviation of node voltages, and appearance by voltage, cached for each lit set."""

    def __init__(self, healthy: DesignResponse, tolerances: Tolerances) -> None:
        self._healthy, self._tolerances = healthy, tolerances
        self._sd_v: dict[LitSet, FloatArray] = {}
        self._tables: dict[str, NDArray[np.intp]] = {}

    def sd_v(self, lit: LitSet) -> FloatArray:
        """Return the standard deviation of each node's voltage, shape (nodes,). [V]"""
        if lit not in self._sd_v:
            self._sd_v[lit] = node_voltage_sd_v(self._healthy, self._tolerances, lit)
        return self._sd_v[lit]

    def appearance(self, node_v: FloatArray, lit: LitSet) -> NDArray[np.intp]:
        """Return the `Appearance` of lit nodes, from a table; same shape as `node_v`."""
        if lit.colour not in self._tables:
            most_v = 1.5 * max(
                self._healthy.circuit.supply_v.max(), self._healthy.design.node.volts
            )
            volts = TABLE_STEP_V * np.arange(float(round(float(most_v) / TABLE_STEP_V)))
            self._tables[lit.colour] = appearance(self._healthy.design.node, volts, lit)
        table = self._tables[lit.colour]
        rows = np.rint(node_v / TABLE_STEP_V).astype(np.intp)
        return np.asarray(table[np.clip(rows, 0, len(table) - 1)])


class _Level(VoltageLevel):
    """One range of the deviation."""

    def __init__(self, deviation: _Deviation, middle_sd: float, log_weight: float) -> None:
        self._deviation = deviation
        self._low_sd = middle_sd - LEVEL_STEP_SD / 2.0
        self._high_sd = middle_sd + LEVEL_STEP_SD / 2.0
        self.log_weight = log_weight

    def most_lost_v(self, lit: LitSet) -> float:
        """Return the most volts that a node may have less than predicted. [V]"""
        return max(-self._low_sd * float(self._deviation.sd_v(lit).max(initial=0.0)), 0.0)

    def appearance(
        self,
        kind: NodeKind,
        node_v: FloatArray,
        lit: LitSet,
        nodes: NDArray[np.intp] | None = None,
    ) -> NDArray[np.intp]:
        """Return the `Appearance` of lit nodes, a limit where both ends of the range differ."""
        sd_v = self._deviation.sd_v(lit)
        sd_v = sd_v if nodes is None else sd_v[nodes]
        low = self._deviation.appearance(node_v + self._low_sd * sd_v, lit)
        high = self._deviation.appearance(node_v + self._high_sd * sd_v, lit)
        return np.asarray((low + high) // 2)


def _levels(deviation: _Deviation) -> list[_Level]:
    """Return the ranges of a deviation with a normal distribution, lowest first."""
    middles = LEVEL_STEP_SD * (np.arange(LEVELS) - LEVELS // 2)
    edges = [-np.inf, *(middles[1:] - LEVEL_STEP_SD / 2.0).tolist(), np.inf]
    upto = [0.5 * (1.0 + math.erf(edge / math.sqrt(2.0))) for edge in edges]
    return [
        _Level(deviation, middle, math.log(share))
        for middle, share in zip(middles.tolist(), np.diff(upto).tolist(), strict=True)
    ]


def node_voltage_sd_v(responses: DesignResponse, tolerances: Tolerances, lit: LitSet) -> FloatArray:
    """Return the standard deviation of each healthy node's voltage over its headroom, (nodes,). [V]

    The parts that all nodes share: headroom, supply and its source resistance, and the drop by
    current and wire. A node's own deviation is small next to them.

    Args:
        responses: the design without faults.
        tolerances: of the unit.
        lit: strands lit.
    """
    solution, kind = responses.solution(lit), responses.design.node
    unloaded_v = solve_unloaded(responses.circuit).node_v
    drop_v = np.maximum(unloaded_v - solution.node_v, 0.0)
    feed_a = max((abs(amps) for amps in solution.feed_a.values()), default=0.0)
    shared_v = math.hypot(
        max(headroom_sd_v(kind), LED_SD_V),
        tolerances.supply * kind.volts,
        tolerances.source_ohm * feed_a,
    )
    return np.asarray(np.hypot(shared_v, math.hypot(tolerances.current, tolerances.wire) * drop_v))


class UnitMarkLikelihood:
    """Likelihood of every single fault, given the marks, over all levels of node voltages.

    A prop with enough headroom has one level: only its faults leave nodes short of voltage, and
    their resistance is unknown anyway.

    Attributes:
        looks: what was seen.
        levels: likelihood at each level.
    """

    def __init__(
        self,
        responses: DesignResponse,
        looks: Sequence[StrandLook],
        budget: SolveBudget,
        conditional: Hashable,
        tolerances: Tolerances,
    ) -> None:
        """Choose the levels.

        Args:
            responses: the prop without faults, or with the given ones.
            looks: what was seen.
            budget: budget of the finding.
            conditional: key of the given faults in requests to the budget.
            tolerances: of the unit.
        """
        self.looks = looks
        healthy = responses.fault_free or responses
        deviation = _Deviation(healthy, tolerances)
        lits = dict.fromkeys(look.lit for look in looks)
        levels: Sequence[VoltageLevel] = [AS_PREDICTED]
        if any(_is_short_of_headroom(healthy, lit, deviation.sd_v(lit)) for lit in lits):
            levels = _levels(deviation)
        solved_v: SolvedVolts | None = {} if len(levels) > 1 else None
        self.levels = [
            MarkLikelihood(responses, looks, budget, conditional, level, solved_v)
            for level in levels
        ]

    @cached_property
    def _log_weights(self) -> FloatArray:
        return np.array([one.level.log_weight for one in self.levels])

    def _over_levels(self, found: Sequence[FloatArray | float]) -> FloatArray:
        """Return the log likelihood over all levels from that at each, same shape."""
        rows = np.array(found)
        share = self._log_weights.reshape(-1, *(1,) * (rows.ndim - 1))
        return np.asarray(np.logaddexp.reduce(rows + share, axis=0))

    @property
    def middle(self) -> MarkLikelihood:
        """Likelihood at the predicted voltages."""
        return self.levels[len(self.levels) // 2]

    def best(self) -> float:
        """Return the log likelihood that the likeliest explanation could have at any level."""
        is_blurred = len(self.levels) > 1
        return best_explained(self.looks, is_blurred=is_blurred) + float(self._log_weights.min())

    def healthy(self) -> float:
        """Return the log likelihood of the marks without further faults."""
        return float(self._over_levels([one.healthy() for one in self.levels]))

    def chain(self) -> FloatArray:
        """Return the log likelihood of each fault of `FaultSpace.chain`, shape (chain faults,)."""
        return self._over_levels([one.chain() for one in self.levels])

    def dead_shorts(self) -> FloatArray:
        """Return `chain` with shorts that leave no voltage, shape (chain faults,)."""
        return self._over_levels([one.dead_shorts for one in self.levels])

    def at_voltages(self, ways: Callable[[LitSet], tuple[FloatArray, FloatArray]]) -> FloatArray:
        """Return the log probability of the marks in some ways that nodes may have voltage.

        Args:
            ways: see `MarkLikelihood.at_voltages`.

        Returns:
            Shape (ways,).
        """
        return self._over_levels([one.at_voltages(ways) for one in self.levels])

    def joints(self, only: Sequence[int] | None = None, *, by_estimate: bool = False) -> FloatArray:
        """Return the log likelihood of each power joint's faults, shape (joints, COLUMNS).

        Args:
            only: joints to evaluate; the rows of others are undefined. None for all.
            by_estimate: True to use estimates at nonlinear resistances, and solve no circuit.
        """
        return self._over_levels([one.joints(only, by_estimate=by_estimate) for one in self.levels])

    def blind_difference(self, joints: FloatArray) -> tuple[float, FloatArray]:
        """Return the log likelihood by `BLIND_EYE` less that of `healthy` and `joints`.

        Args:
            joints: the last result of `joints` for all joints, shape (joints, COLUMNS).

        Returns:
            Without further faults, and for each power joint's faults, shape (joints, COLUMNS).
        """
        blind = [one.blind() for one in self.levels]
        healthy = float(self._over_levels([each[0] for each in blind]))
        return healthy - self.healthy(), self._over_levels([each[1] for each in blind]) - joints

    def possible(self, lit: LitSet, fault: ChainFault | None) -> NDArray[np.intp]:
        """Return all appearances that each node may have with one chain fault, or none.

        Shape (ways, nodes).
        """
        return np.vstack([one.possible(lit, fault) for one in self.levels])

    def expected_at(self, lit: LitSet, node_v: FloatArray) -> NDArray[np.intp]:
        """Return all appearances that each node may have at predicted voltages, (ways, nodes).

        Args:
            lit: strands lit.
            node_v: predicted voltage of each node, shape (nodes,). [V]
        """
        return np.vstack([one.expected_at(lit, node_v) for one in self.levels])


def _is_short_of_headroom(healthy: DesignResponse, lit: LitSet, sd_v: FloatArray) -> bool:
    """Return True if lit nodes of a healthy unit may lack light."""
    solution, kind = healthy.solution(lit), healthy.design.node
    shining = solution.duty.any(axis=1)
    least_v = (solution.node_v - MAX_HEADROOM_SD * sd_v)[shining]
    return bool((least_v < max(kind.full_v.values())).any())
