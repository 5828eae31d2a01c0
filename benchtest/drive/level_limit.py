"""How bright a prop may be: within its fuse, and within 80 % of its supply."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from benchtest.circuit.feed_limits import SUPPLY_SHARE
from benchtest.prop.design import Design


@dataclass(frozen=True, slots=True)
class Limit:
    """What keeps a prop from being lit at a level."""

    level: float
    """The highest that fits, 0 to 1."""
    why: str


def limit_a(design: Design, feed: str) -> tuple[float, str] | None:
    """Amperes that a feed may give, and by what; None where the design does not say. [A]"""
    found = next(f for f in design.feeds if f.name == feed)
    limits = []
    if found.fuse_a is not None:
        limits.append((found.fuse_a, f"its fuse of {found.fuse_a:g} A"))
    if found.supply_a is not None:
        limits.append(
            (SUPPLY_SHARE * found.supply_a, f"80 % of its supply of {found.supply_a:g} A")
        )
    return min(limits) if limits else None


def level_that_fits(
    design: Design, level: float, lit_a: Mapping[str, float], dark_a: Mapping[str, float]
) -> Limit | None:
    """Whether a prop may be lit at a level; current is taken to follow the level in a line.

    Args:
        design: the prop.
        level: the level asked for, above 0.
        lit_a: predicted current of each feed at that level. [A]
        dark_a: predicted current of each feed, nothing lit. [A]

    Returns:
        None where it fits; else the highest level that does, and what limits it.
    """
    found: Limit | None = None
    for feed, amps in lit_a.items():
        allowed = limit_a(design, feed)
        if allowed is None or amps <= allowed[0]:
            continue
        room = max(0.0, allowed[0] - dark_a[feed]) / max(amps - dark_a[feed], 1e-9)
        fits = int(level * room * 100) / 100
        if found is None or fits < found.level:
            found = Limit(fits, f"feed {feed} would give {amps:.1f} A, above {allowed[1]}")
    return found


def surely_fits(design: Design, duty: NDArray[np.float64]) -> bool:
    """Whether even one feed alone could carry it: then nothing needs to be solved.

    Nodes that hold their power draw more as their volts fall, so of them nothing is sure.
    """
    kind = design.node
    if kind.family == "regulated":
        return False
    most_ma = design.node_count * kind.quiescent_ma + float(duty.sum()) * kind.channel_ma
    for feed in design.feeds:
        limit = limit_a(design, feed.name)
        above = max(1.0, feed.volts / kind.volts)  # resistors follow their volts
        if limit is not None and most_ma * 1e-3 * above > limit[0]:
            return False
    return True
