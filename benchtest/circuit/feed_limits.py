"""What each feed must carry at full white, beside what its fuse and supply can give."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

from benchtest.circuit.network import Circuit
from benchtest.circuit.solution import Solution
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


CIRCULATES_A = 0.005
"""Less than this between two supplies is of no account. [A]"""


def circulating_warning(circuit: Circuit) -> str | None:
    """What supplies of different volts on one rail drive into each other, in words."""
    volts = {feed.name: feed.volts for feed in circuit.design.feeds}
    if len(set(volts.values())) == 1:
        return None
    amps = circuit.unloaded().feed_a
    most = max(amps, key=lambda name: amps[name])
    least = min(amps, key=lambda name: amps[name])
    if amps[most] < CIRCULATES_A:
        return None
    return (
        f"feeds {most} ({volts[most]:g} V) and {least} ({volts[least]:g} V) are joined and not "
        f"alike: {amps[most]:.2f} A circulates out of {most} with nothing lit, "
        f"{-amps[least]:.2f} A of it into {least}; trim the supplies to the same volts"
    )


def feed_budgets(solution: Solution) -> list[FeedBudget]:
    """Every feed of the prop with its current at this solution."""
    amps = solution.feed_a
    return [FeedBudget(feed, amps[feed.name]) for feed in solution.circuit.design.feeds]
