"""Whether a prop of regulated nodes starts at all, and up to which level."""

from __future__ import annotations

from collections.abc import Callable

from benchtest.circuit.solution import Solution, solve
from benchtest.errors import CircuitFault

LEVEL_BISECTIONS = 12
"""Halvings of the level's range: to a four-thousandth."""


def highest_level(holds: Callable[[float], bool], halvings: int) -> float:
    """Highest level at which something still holds that fails at 1, by halving; rounded down."""
    low, high = 0.0, 1.0
    for _ in range(halvings):
        middle = (low + high) / 2.0
        if holds(middle):
            low = middle
        else:
            high = middle
    return low


def highest_starting_share(solution: Solution) -> tuple[float, dict[str, float]]:
    """The greatest share of what was asked at which every lit node still holds its power.

    Args:
        solution: what was asked, at which the prop does not start.

    Returns:
        Share of the level asked, 0 to 1, and each feed's current there. [A]
    """
    circuit, duty = solution.circuit, solution.duty
    share = highest_level(lambda part: solve(circuit, part * duty).starts, LEVEL_BISECTIONS)
    return share, solve(circuit, share * duty).feed_a


def require_start(solution: Solution) -> None:
    """Refuse a prop whose regulated nodes ask for more than wire and supply can give.

    Raises:
        CircuitFault: which feed is how many amperes short, and the level at which it starts.
    """
    if solution.starts:
        return
    share, given_a = highest_starting_share(solution)
    level = float(solution.duty.max())
    words = []
    for name, amps in given_a.items():
        if share > 0.0:
            # power held: what is missing of the light is missing of the current
            asked_a = amps / share
            words.append(f"feed {name} is {asked_a - amps:.2f} A short of about {asked_a:.2f} A")
    fits = f"it starts up to level {level * share:.2f}" if share > 0.0 else "no level starts"
    raise CircuitFault(
        f"{solution.circuit.design.name}: cannot start at level {level:g}: regulated nodes draw "
        f"more as their volts fall, and here no volts satisfy both wire and nodes. "
        f"{'; '.join([*words, fits])}; use thicker or shorter wire, or another feed"
    )
