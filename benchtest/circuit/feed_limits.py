"""Current limits of feeds: fuses, supplies, and the level or lit sets that keep within them."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

from benchtest.circuit.netlist import FloatArray
from benchtest.circuit.network import Circuit
from benchtest.circuit.solution import Solution, solve, solve_unloaded
from benchtest.prop.design import Design, Feed
from benchtest.prop.lit_set import LitSet

FUSE_SHARE = 0.75
"""Share of its rating that a fuse may carry for hours. Source: fuse makers' data sheets ("25 %
derating")."""
SUPPLY_SHARE = 0.8
"""Share of its rated current that a supply may give for hours. Common practice, no source."""
_MIN_CIRCULATING_A = 0.005
"""Current between two unequal supplies below which no warning is given. [A]"""


@dataclass(frozen=True, slots=True)
class FeedBudget:
    """Load of one feed at a solution, against the ratings of its fuse and supply."""

    feed: Feed
    amps: float
    """Current that it gives. [A]"""

    @property
    def watts(self) -> float:
        """Power out of the supply, cable losses included. [W]"""
        return self.amps * self.feed.volts

    @property
    def warnings(self) -> list[str]:
        """One sentence for each rating that is exceeded for continuous use."""
        feed, found = self.feed, []
        for rated_a, share, part in (
            (feed.fuse_a, FUSE_SHARE, "fuse"),
            (feed.supply_a, SUPPLY_SHARE, "supply"),
        ):
            if rated_a is not None and self.amps > share * rated_a:
                found.append(
                    f"feed {feed.name}: {self.amps:.1f} A is {self.amps / rated_a:.0%} of its "
                    f"{rated_a:g} A {part}; more than {share:.0%} for hours is not good practice"
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
    """Return every feed of the prop with its current at this solution."""
    amps = solution.feed_a
    return [FeedBudget(feed, amps[feed.name]) for feed in solution.circuit.design.feeds]


def circulating_warning(circuit: Circuit) -> str | None:
    """Return a warning about the current between supplies of different volts on one rail.

    Args:
        circuit: the prop; the current is that of its unloaded circuit.

    Returns:
        One sentence; None below `_MIN_CIRCULATING_A`.
    """
    volts = {feed.name: feed.volts for feed in circuit.design.feeds}
    if len(set(volts.values())) == 1:
        return None
    amps = solve_unloaded(circuit).feed_a
    most = max(amps, key=lambda name: amps[name])
    least = min(amps, key=lambda name: amps[name])
    if amps[most] < _MIN_CIRCULATING_A:
        return None
    return (
        f"feeds {most} ({volts[most]:g} V) and {least} ({volts[least]:g} V) are joined but differ: "
        f"{amps[most]:.2f} A circulates out of {most} with nothing lit, "
        f"{-amps[least]:.2f} A of it into {least}; trim the supplies to the same volts"
    )


@dataclass(frozen=True, slots=True)
class LevelLimit:
    """Highest permissible level of a prop, and its reason."""

    level: float
    """Highest level that fits, 0 to 1."""
    why: str


def _feed_limit_a(design: Design, feed: str) -> tuple[float, str] | None:
    """Return the current that a feed may give, and the part that limits it.

    The limit is the lower of the fuse's rating and `SUPPLY_SHARE` of the supply's.

    Args:
        design: the prop.
        feed: name of one of its feeds.

    Returns:
        Current [A] and part; None where the design gives neither rating.
    """
    found = next(f for f in design.feeds if f.name == feed)
    limits = []
    if found.fuse_a is not None:
        limits.append((found.fuse_a, f"its fuse of {found.fuse_a:g} A"))
    if found.supply_a is not None:
        limits.append(
            (SUPPLY_SHARE * found.supply_a, f"80 % of its supply of {found.supply_a:g} A")
        )
    return min(limits) if limits else None


def find_level_limit(
    design: Design, level: float, lit_a: Mapping[str, float], dark_a: Mapping[str, float]
) -> LevelLimit | None:
    """Return the limit of a prop that may not be lit at a level; None where it may.

    Current is taken as linear in the level: `dark_a + level / asked * (lit_a - dark_a)`.

    Args:
        design: the prop.
        level: level asked for, above 0 and up to 1.
        lit_a: predicted current of each feed at that level, by name. [A]
        dark_a: predicted current of each feed with nothing lit, by name. [A]
    """
    found: LevelLimit | None = None
    for feed, amps in lit_a.items():
        allowed = _feed_limit_a(design, feed)
        if allowed is None or amps <= allowed[0]:
            continue
        room = max(0.0, allowed[0] - dark_a[feed]) / max(amps - dark_a[feed], 1e-9)
        fits = int(level * room * 100) / 100
        if found is None or fits < found.level:
            found = LevelLimit(fits, f"feed {feed} would give {amps:.1f} A, above {allowed[1]}")
    return found


def surely_within_limits(design: Design, duty: FloatArray) -> bool:
    """Return whether each feed alone could carry the whole prop, so that no solution is needed.

    The bound is the sum of all node currents at nominal supply, times the feed's volts over
    nominal for resistor nodes. Regulated nodes draw more as their volts fall: no bound exists.

    Args:
        design: the prop.
        duty: share of full current asked of each channel, shape (nodes, colours).
    """
    kind = design.node
    if kind.family == "regulated":
        return False
    most_ma = design.node_count * kind.quiescent_ma + float(duty.sum()) * kind.channel_ma
    for feed in design.feeds:
        limit = _feed_limit_a(design, feed.name)
        above = max(1.0, feed.volts / kind.volts)
        if limit is not None and most_ma * 1e-3 * above > limit[0]:
            return False
    return True


class PermittedLitSets:
    """Lit sets that keep within each feed's limit, `_feed_limit_a`; answers are kept.

    A reading is taken with channels at 0 or full, so that a lower level is no way to take one of
    a lit set that is too much for a feed.
    """

    def __init__(self, circuit: Circuit) -> None:
        self._circuit = circuit
        limits = {
            feed.name: _feed_limit_a(circuit.design, feed.name) for feed in circuit.design.feeds
        }
        self._most_a = {name: limit[0] for name, limit in limits.items() if limit is not None}
        self._known: dict[LitSet, bool] = {}

    def __call__(self, lit: LitSet) -> bool:
        """Return whether these strands may be lit."""
        if lit not in self._known:
            self._known[lit] = self._fits(lit)
        return self._known[lit]

    def _fits(self, lit: LitSet) -> bool:
        duty = lit.duty(self._circuit.design)
        if not self._most_a or not duty.any() or surely_within_limits(self._circuit.design, duty):
            return True
        solution = solve(self._circuit, duty)
        given_a = solution.feed_a
        return solution.starts and all(given_a[name] <= a for name, a in self._most_a.items())
