"""Start of props with regulated nodes: whether they start, and up to which level."""

from __future__ import annotations

from collections.abc import Callable

from benchtest.circuit.solution import Solution, solve
from benchtest.errors import CircuitFault

LEVEL_BISECTIONS = 12
"""Halvings of the range of levels: to a resolution of 1/4096."""


def highest_level(holds: Callable[[float], bool], halvings: int) -> float:
    """Return the highest level at which a condition holds that fails at 1, by bisection.

    Args:
        holds: the condition, true from 0 up to some level.
        halvings: number of bisections; the result is rounded down to 2^-halvings.
    """
    low, high = 0.0, 1.0
    for _ in range(halvings):
        middle = (low + high) / 2.0
        if holds(middle):
            low = middle
        else:
            high = middle
    return low


def highest_starting_share(solution: Solution) -> tuple[float, dict[str, float]]:
    """Return the greatest share of a level at which every lit node holds its power.

    Args:
        solution: the prop at the level, at which it does not start.

    Returns:
        Share of that level, 0 to 1, and the current of each feed there. [A]
    """
    circuit, duty = solution.circuit, solution.duty
    share = highest_level(lambda part: solve(circuit, part * duty).starts, LEVEL_BISECTIONS)
    return share, solve(circuit, share * duty).feed_a


def require_start(solution: Solution) -> None:
    """Reject a prop whose regulated nodes need more power than wire and supply can deliver.

    Raises:
        CircuitFault: the prop does not start; the message gives the missing current of each feed
            and the level at which the prop starts.
    """
    if solution.starts:
        return
    share, given_a = highest_starting_share(solution)
    level = float(solution.duty.max())
    words = []
    for name, amps in given_a.items():
        if share > 0.0:
            # at constant power the missing share of light is the missing share of current
            asked_a = amps / share
            words.append(f"feed {name} is {asked_a - amps:.2f} A short of about {asked_a:.2f} A")
    fits = f"it starts up to level {level * share:.2f}" if share > 0.0 else "no level starts"
    raise CircuitFault(
        f"{solution.circuit.design.name}: cannot start at level {level:g}: regulated nodes draw "
        f"more as their volts fall, and the wire cannot carry it. "
        f"{'; '.join([*words, fits])}; use thicker or shorter wire, or another feed"
    )
