"""What a builder asks of a prop before wiring it, answered at full white."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from benchtest.circuit.extra_feed import ExtraFeed, best_extra_feed
from benchtest.circuit.feed_limits import FeedBudget, circulating_warning, feed_budgets
from benchtest.circuit.netlist import FloatArray
from benchtest.circuit.network import Circuit
from benchtest.circuit.ratings import FirstFade, RatingCheck, check_ratings, find_first_fade
from benchtest.circuit.solution import Solution, solve
from benchtest.circuit.startup import require_start
from benchtest.prop.design import Design, Strand
from benchtest.prop.lit_set import all_lit


@dataclass(frozen=True)
class DesignReview:
    """A prop at full white, against what its parts stand.

    Attributes:
        full: the prop at full white.
        budgets: what each feed gives.
        limits: each fuse, supply and kind of wire against what it should carry.
        fading: the colour that fades first, and where.
        extra: where another feed would help most; None where every place is fed.
        warnings: what a builder should know before wiring, a sentence each.
    """

    full: Solution
    budgets: list[FeedBudget]
    limits: list[RatingCheck]
    fading: FirstFade
    extra: ExtraFeed | None
    warnings: list[str]

    @property
    def extra_needed(self) -> bool:
        """True where the lowest node sees less than its kind should."""
        return self.full.lowest_node[1] < self.full.circuit.design.node.lowest_v

    @property
    def lowest_strand(self) -> Strand:
        """The strand of the lowest node."""
        return self.full.circuit.design.strand(self.full.lowest_node[0].strand)

    @property
    def profile_v(self) -> FloatArray:
        """Volts along that strand, node 1 first, shape (its nodes,). [V]"""
        strand = self.lowest_strand
        start = self.full.circuit.design.first_index[strand.number - 1]
        return np.asarray(self.full.node_v[start : start + strand.nodes])


def review_design(design: Design) -> DesignReview:
    """Solve full white and say what it takes.

    Raises:
        CircuitFault: the prop's regulated nodes do not start, or supplies are joined by nothing.
    """
    full = solve(Circuit(design), all_lit(design).duty(design))
    require_start(full)
    budgets = feed_budgets(full)
    limits = check_ratings(full.circuit, full)
    warnings = [warning for budget in budgets for warning in budget.warnings]
    warnings += _warnings(full, limits)
    extra = best_extra_feed(design, full)
    return DesignReview(full, budgets, limits, find_first_fade(full), extra, warnings)


def _warnings(full: Solution, limits: list[RatingCheck]) -> list[str]:
    design, (node, volts) = full.circuit.design, full.lowest_node
    found = []
    if volts < design.node.lowest_v:
        found.append(
            f"node {node} sees {volts:.2f} V at full white; {design.node.name} should have "
            f"{design.node.lowest_v:g} V: thicker wire, another feed, or a lower level"
        )
    if (words := circulating_warning(full.circuit)) is not None:
        found.append(words)
    found += [
        f"{limit.what} would carry {limit.amps:.1f} A, more than {limit.allowed_a:.1f} A for hours "
        "is not usual; a hint, local codes go first"
        for limit in limits
        if limit.level < 1.0 and limit.is_hint
    ]
    return found
