"""Steps that readings were written down in, where these are coarser than the meter's own.

A person who rounds, or a meter of fewer counts than the one named, leaves readings whose last
digits carry nothing. What was typed shows the step: `4.87` was read to 10 mV.
"""

from __future__ import annotations

import math
from collections import defaultdict
from collections.abc import Sequence
from dataclasses import dataclass, replace

from benchtest.evidence.meter import Meter
from benchtest.evidence.readings import Reading

FEWEST, FEWEST_DISTINCT = 4, 3
"""Readings other than 0, and different ones among them, from which last digits of 0 are no chance:
one in ten thousand."""
DROPPED_SHARE, DROPPED_CHANCE = 0.1, 0.01
"""Share of readings that end in 0, which programs drop; readings typed with fewer decimals than
others are such while there would be as many more often than the second."""
MOST_COARSE = 2
"""Powers of ten that a step may be coarser than the meter's own, where only last digits show it."""


@dataclass(frozen=True)
class RoundingSteps:
    """Steps of readings.

    Attributes:
        each: of every reading; 0 where it is its meter's own, and for a clamp's amperes, shape
            (readings,). [V]
        by_range: the coarsest that most readings of a meter's range have, where it is coarser
            than the range's own. [V]
    """

    each: tuple[float, ...]
    by_range: dict[tuple[Meter, int], float]

    def as_read(self, meter: Meter) -> Meter:
        """Return the meter as this person reads it."""
        steps = tuple(self.by_range.get((meter, n), 0.0) for n in range(len(meter.ranges_v)))
        return replace(meter, steps_v=steps) if any(steps) else meter


def infer_rounding_steps(readings: Sequence[Reading], default: Meter) -> RoundingSteps:
    """Return the steps that readings were written down in.

    Args:
        readings: with the decimals as typed, where they were.
        default: meter of readings that name none.
    """
    groups: defaultdict[tuple[Meter, int], list[int]] = defaultdict(list)
    for place, reading in enumerate(readings):
        if reading.volts is not None:
            meter = reading.meter or default
            groups[meter, _range_place(meter, reading.volts)].append(place)
    each, by_range = [0.0] * len(readings), {}
    for (meter, number), places in groups.items():
        own_v = meter.ranges_v[number] / meter.counts
        steps = _steps([readings[place] for place in places], own_v)
        for place, step in zip(places, steps, strict=True):
            each[place] = step if step > 1.5 * own_v else 0.0
        middle = sorted(steps)[len(steps) // 2]
        if middle > 1.5 * own_v:
            by_range[meter, number] = middle
    return RoundingSteps(tuple(each), by_range)


def _range_place(meter: Meter, volts: float) -> int:
    fits = [number for number, full_v in enumerate(meter.ranges_v) if abs(volts) <= full_v]
    return fits[0] if fits else len(meter.ranges_v) - 1


def _steps(group: Sequence[Reading], own_v: float) -> list[float]:
    """Return the step of each reading of one range, at least the range's own. [V]"""
    steps = [max(own_v, 10.0**-decimals) for decimals in _decimals(group, own_v)]
    volts = [reading.value for reading in group]
    for _ in range(MOST_COARSE):
        coarser = [10.0 * step for step in steps]
        told = {round(v / own_v) for v in volts if v != 0.0}
        count = sum(1 for v in volts if v != 0.0)
        if count < FEWEST or len(told) < FEWEST_DISTINCT:
            break
        if not all(_is_whole(v / step) for v, step in zip(volts, coarser, strict=True)):
            break
        steps = coarser
    return steps


def _is_whole(number: float) -> bool:
    return math.isclose(number, round(number), abs_tol=1e-6)


def _decimals(group: Sequence[Reading], own_v: float) -> list[int]:
    """Return the decimals that each reading of one range was read to.

    A program that writes numbers drops zeros at their end; a person types what the display shows.
    """
    most = step_decimals(own_v)
    typed = [most if reading.decimals is None else min(reading.decimals, most) for reading in group]
    finest = max(typed)
    coarse = sum(
        1 for n, reading in zip(typed, group, strict=True) if n < finest and reading.value != 0.0
    )
    keeps_zeros = any(reading.ends_in_zero for reading in group)
    if keeps_zeros or _chance_of(coarse, len(group)) < DROPPED_CHANCE:
        return typed
    return [finest] * len(group)


def step_decimals(step_v: float) -> int:
    """Return the decimals that a step is written with.

    >>> step_decimals(0.001), step_decimals(0.1), step_decimals(0.005)
    (3, 1, 3)
    """
    return max(0, math.ceil(-math.log10(step_v) - 1e-9))


def _chance_of(count: int, total: int) -> float:
    """Return the chance of so many readings or more that end in 0."""
    return sum(
        math.comb(total, n) * DROPPED_SHARE**n * (1.0 - DROPPED_SHARE) ** (total - n)
        for n in range(count, total + 1)
    )
