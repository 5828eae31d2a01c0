"""What each feed must carry at full white, beside what its fuse and supply can give."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

from benchtest.circuit.network import Solution
from benchtest.prop.design import Feed

FUSE_SHARE = 0.75
"""Share of its rating that a fuse may carry for hours. Source: fuse makers' data sheets ("25 %
derating")."""
SUPPLY_SHARE = 0.8
"""Share of its plate that a supply may give for hours. Common practice, no source."""


@dataclass(frozen=True, slots=True)
class FeedBudget:
    """One feed's load at a solution."""

    feed: Feed
    amps: float
    """What it gives. [A]"""

    @property
    def watts(self) -> float:
        """Power out of the supply, cable losses included. [W]"""
        return self.amps * self.feed.volts

    @property
    def warnings(self) -> list[str]:
        """What is beyond good practice, and what would be within it."""
        feed, found = self.feed, []
        for limit_a, share, what in (
            (feed.fuse_a, FUSE_SHARE, "fuse"),
            (feed.supply_a, SUPPLY_SHARE, "supply"),
        ):
            if limit_a is not None and self.amps > share * limit_a:
                found.append(
                    f"feed {feed.name}: {self.amps:.1f} A is {self.amps / limit_a:.0%} of its "
                    f"{limit_a:g} A {what}; more than {share:.0%} for hours is not good practice"
                )
        return found

    def as_json(self) -> dict[str, Any]:
        return {
            "feed": self.feed.name,
            "amps": round(self.amps, 4),
            "watts": round(self.watts, 3),
            "fuse_a": self.feed.fuse_a,
            "supply_a": self.feed.supply_a,
        }


def feed_budgets(solution: Solution) -> list[FeedBudget]:
    """Every feed of the prop with its current at this solution."""
    amps = solution.feed_a
    return [FeedBudget(feed, amps[feed.name]) for feed in solution.circuit.design.feeds]
