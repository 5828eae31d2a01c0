"""Budget of circuit solutions of one finding, shared by all stages.

A unit is about a microsecond of a desktop processor. Costs are formulas of the design's size and
the number of readings, fitted to measured times; the clock is not read, so that the same input has
the same result on every machine. A request that does not fit is refused, and its result remains an
estimate with a larger variance.
"""

from __future__ import annotations

from collections.abc import Hashable
from enum import Enum

from benchtest.prop.design import Design

MAX_UNITS, MAX_UNITS_LARGE = 900_000, 3_000_000
"""Units of one finding: of props up to 16 strands of 50 nodes, and of larger ones."""
MIN_LARGE_BUDGET_NODES = 1000
"""Nodes from which the larger limit applies."""


class Stage(Enum):
    """Stages of a finding, with the share of the budget at which each must stop.

    A stage may use units that earlier stages left.
    """

    EVIDENCE = 0.45
    """Likelihood of single faults."""
    SEVERAL = 0.8
    """Two and three faults together."""
    PLAN = 1.0
    """The next reading."""


class BudgetSpent(Exception):
    """Optional work that the budget refuses; caught inside the diagnosis."""


class SolveBudget:
    """Work units of one finding, shared by all stages.

    A decision is final: the same request always gets the same answer, even after a cache has
    dropped the result. A granted request is charged once, whether a cache holds its result or not.

    Attributes:
        limit: total units.
        spent: units charged so far.
        stage: the running stage, whose share limits grants.
    """

    def __init__(self, limit: int = MAX_UNITS) -> None:
        self.limit = limit
        self.spent = 0
        self.stage = Stage.EVIDENCE
        self._taken: set[Hashable] = set()
        self._answers: dict[Hashable, bool] = {}

    @classmethod
    def of(cls, design: Design, share: float = 1.0) -> SolveBudget:
        """Return the budget of a share of one finding on a design."""
        return cls(int(share * max_units(design)))

    def begin(self, stage: Stage) -> None:
        """Begin a stage, whose share limits grants from now on."""
        self.stage = stage

    @property
    def left(self) -> int:
        """Units that the running stage may still use."""
        return max(0, int(self.stage.value * self.limit) - self.spent)

    def allows(self, requests: tuple[Hashable, ...], units: int) -> bool:
        """Return True if all requests fit; nothing is charged.

        Args:
            requests: keys of the results.
            units: cost of each.
        """
        if requests not in self._answers:
            fresh = sum(request not in self._taken for request in requests)
            self._answers[requests] = fresh * units <= self.left
        return self._answers[requests]

    def try_charge(self, requests: tuple[Hashable, ...], units: int) -> bool:
        """Charge all requests and return True if they fit, else return False.

        Args:
            requests: keys of the results.
            units: cost of each.
        """
        if not self.allows(requests, units):
            return False
        for request in requests:
            self.charge(request, units)
        return True

    def charge(self, request: Hashable, units: int) -> None:
        """Charge one request, even beyond the limit."""
        if request not in self._taken:
            self._taken.add(request)
            self.spent += units


def max_units(design: Design) -> int:
    """Return the units of one finding on a design."""
    return MAX_UNITS_LARGE if design.node_count >= MIN_LARGE_BUDGET_NODES else MAX_UNITS


def solve_units(design: Design) -> int:
    """Return the cost of one circuit solution with undervoltage nodes, and its tolerances."""
    return 3500 + 4 * design.node_count


def conditional_units(design: Design, lit_sets: int, readings: int) -> int:
    """Return the cost of the circuit with some faults given and of its readings' likelihood.

    Args:
        design: the prop.
        lit_sets: lit sets of readings and marks.
        readings: number of readings.
    """
    return 2000 + lit_sets * (1000 + 5 * design.node_count // 2) + 40 * readings


def likelihood_units(readings: int, columns: int) -> int:
    """Return the cost of the likelihood of readings at a number of means and covariances.

    Args:
        readings: number of readings.
        columns: number of means and covariances.
    """
    return columns * (60 + readings * readings) // 24


def rank_units(joints: int, chain: int, looks: int) -> int:
    """Return the cost of ranking every further fault with some given, without readings.

    Args:
        joints: number of power joints.
        chain: number of faults of the data line and of nodes.
        looks: number of strands looked at, once for each lit set.
    """
    return 2000 + 20 * chain + looks * (30 * joints + 2 * chain)


def earlier_units(joints: int, readings: int) -> int:
    """Return the cost of every further fault against one table of readings from before a repair.

    Args:
        joints: number of power joints.
        readings: number of readings of that table.
    """
    return joints * (20 + readings * (20 + readings) // 8)
