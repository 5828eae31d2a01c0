"""Budget of one finding: every stage that asks for solved circuits draws on it.

A unit is about a microsecond of a desktop processor. Costs are formulas of the design's size and
the number of readings, fitted to measured times; the clock is never read, so the same input gets
the same answer on every machine. A request that does not fit is refused, and its result stays an
estimate with a larger variance.
"""

from __future__ import annotations

from collections.abc import Hashable
from enum import Enum

from benchtest.prop.design import Design

MAX_UNITS, MAX_UNITS_LARGE = 900_000, 3_000_000
"""Units of one finding: props up to 16 strands of 50 nodes, and larger ones."""
MIN_LARGE_NODES = 1000
"""Nodes from which the larger limit applies."""


class Stage(Enum):
    """Stages of a finding, with the share of the budget that is used up when each has to stop.

    A stage may use what earlier stages left.
    """

    EVIDENCE = 0.45
    """Single faults, weighed against the evidence."""
    SEVERAL = 0.8
    """Two and three faults together."""
    PLAN = 1.0
    """The next reading."""


class BudgetSpent(Exception):
    """A request for optional work that the budget refuses; never leaves the diagnosis."""


class SolveBudget:
    """Work units of one finding, shared by all stages.

    A decision is final: the same request always gets the same answer, also after a cache has
    dropped the result. A granted request is charged once, whether a cache holds its result or not.

    Attributes:
        limit: units in all.
        spent: units charged so far.
        stage: the stage that is running; its share bounds what is granted.
    """

    def __init__(self, limit: int = MAX_UNITS) -> None:
        self.limit = limit
        self.spent = 0
        self.stage = Stage.EVIDENCE
        self._taken: set[Hashable] = set()
        self._answers: dict[Hashable, bool] = {}

    @classmethod
    def of(cls, design: Design, share: float = 1.0) -> SolveBudget:
        """Return the budget of one finding on a design."""
        return cls(int(share * max_units(design)))

    def begin(self, stage: Stage) -> None:
        """Let a stage run: its share bounds what is granted from now on."""
        self.stage = stage

    @property
    def left(self) -> int:
        """Units that the running stage may still use."""
        return max(0, int(self.stage.value * self.limit) - self.spent)

    def allows(self, requests: tuple[Hashable, ...], units: int) -> bool:
        """Return True if all requests fit; nothing is charged.

        Args:
            requests: keys of what would be worked out.
            units: cost of each.
        """
        if requests not in self._answers:
            fresh = sum(request not in self._taken for request in requests)
            self._answers[requests] = fresh * units <= self.left
        return self._answers[requests]

    def takes(self, requests: tuple[Hashable, ...], units: int) -> bool:
        """Charge all requests if they fit, and return whether they do."""
        if not self.allows(requests, units):
            return False
        for request in requests:
            self.take(request, units)
        return True

    def take(self, request: Hashable, units: int) -> None:
        """Charge one request, whether it fits or not."""
        if request not in self._taken:
            self._taken.add(request)
            self.spent += units


def max_units(design: Design) -> int:
    """Return the units that one finding on a design may use."""
    return MAX_UNITS_LARGE if design.node_count >= MIN_LARGE_NODES else MAX_UNITS


def solve_units(design: Design) -> int:
    """Return the cost of solving one circuit whose nodes lack headroom, with its tolerances."""
    return 3500 + 4 * design.node_count


def conditional_units(design: Design, lit_sets: int, readings: int) -> int:
    """Return the cost of the circuit with some faults given, and its readings' likelihood.

    Args:
        design: the prop.
        lit_sets: lit sets of readings and marks.
        readings: number of readings.
    """
    return 2000 + lit_sets * (1000 + 5 * design.node_count // 2) + 40 * readings


def likelihood_units(readings: int, columns: int) -> int:
    """Return the cost of the readings' likelihood at a number of means and covariances."""
    return columns * (60 + readings * readings) // 24


def rank_units(joints: int, chain: int, looks: int) -> int:
    """Return the cost of ranking every further fault with some given, readings left out.

    Args:
        joints: power joints.
        chain: faults of the data line and of nodes.
        looks: strands that were looked at, once for each lit set.
    """
    return 2000 + 20 * chain + looks * (30 * joints + 2 * chain)
