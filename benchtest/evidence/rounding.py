"""Rounding of readings to steps that are coarser than those of the meter.

A person who rounds, or a meter with fewer counts than the one named, produces readings whose last
digits contain no information. The typed digits show the step: `4.87` was read to 10 mV.
"""

from __future__ import annotations

import math
from collections import defaultdict
from collections.abc import Sequence
from dataclasses import dataclass, replace

from benchtest.evidence.meter import Meter
from benchtest.evidence.readings import Reading

_MIN_READINGS, _MIN_DISTINCT = 4, 3
"""Number of readings other than 0, and of different ones among them, whose last digits are all 0
by chance in one of ten thousand cases."""
_ZERO_SHARE, _MIN_ZERO_PROBABILITY = 0.1, 0.01
"""Share of readings that end in 0 by chance, which programs drop. Readings with fewer decimals than
others count as such while their number is at least this probable."""
_MAX_POWERS = 2
"""Powers of ten by which last digits of 0 can show a step to be coarser than the meter's."""


@dataclass(frozen=True)
class RoundingSteps:
    """Steps that readings were rounded to.

    Attributes:
        each: step of each reading; 0 where it is that of the meter, and for amperes of a clamp,
            shape (readings,). [V]
        by_range: median step of the readings in a range of a meter, where it is coarser than the
            range's. [V]
    """

    each: tuple[float, ...]
    by_range: dict[tuple[Meter, int], float]

    def as_read(self, meter: Meter) -> Meter:
        """Return the meter with the steps that this person rounds to."""
        steps = tuple(self.by_range.get((meter, n), 0.0) for n in range(len(meter.ranges_v)))
        return replace(meter, steps_v=steps) if any(steps) else meter


def infer_rounding_steps(readings: Sequence[Reading], default: Meter) -> RoundingSteps:
    """Return the steps that readings were rounded to.

    Args:
        readings: the readings, with their decimals where they were typed.
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
    for _ in range(_MAX_POWERS):
        coarser = [10.0 * step for step in steps]
        distinct = {round(v / own_v) for v in volts if v != 0.0}
        count = sum(1 for v in volts if v != 0.0)
        if count < _MIN_READINGS or len(distinct) < _MIN_DISTINCT:
            break
        if not all(_is_whole(v / step) for v, step in zip(volts, coarser, strict=True)):
            break
        steps = coarser
    return steps


def _is_whole(number: float) -> bool:
    return math.isclose(number, round(number), abs_tol=1e-6)


def _decimals(group: Sequence[Reading], own_v: float) -> list[int]:
    """Return the decimals to which each reading of one range was read.

    A program drops zeros at the end of numbers; a person types the digits of the display.
    """
    most = step_decimals(own_v)
    typed = [most if reading.decimals is None else min(reading.decimals, most) for reading in group]
    finest = max(typed)
    coarse = sum(
        1 for n, reading in zip(typed, group, strict=True) if n < finest and reading.value != 0.0
    )
    keeps_zeros = any(reading.ends_in_zero for reading in group)
    if keeps_zeros or _chance_of(coarse, len(group)) < _MIN_ZERO_PROBABILITY:
        return typed
    return [finest] * len(group)


def step_decimals(step_v: float) -> int:
    """Return the decimals needed to write a step.

    >>> step_decimals(0.001), step_decimals(0.1), step_decimals(0.005)
    (3, 1, 3)
    """
    return max(0, math.ceil(-math.log10(step_v) - 1e-9))


def _chance_of(count: int, total: int) -> float:
    """Return the probability of so many readings or more that end in 0."""
    return sum(
        math.comb(total, n) * _ZERO_SHARE**n * (1.0 - _ZERO_SHARE) ** (total - n)
        for n in range(count, total + 1)
    )
