"""Contact of meter leads, judged by what a meter that reads by itself shows. Does no I/O.

A reading is kept without a key only if three things are certain. The rule, and its reasons:

1. The leads have moved. The volts at the last place are known; `MIN_CHANGED` readings in a row have
   to differ from them by more than the spread allowed below, while the light stays the same.
   Otherwise the reading of the last place could be kept for the next one. Leads that stay at their
   points need not move.
2. The reading is steady: `MIN_SAMPLES` in a row over `MIN_SPAN_S`, each within
   `MAX_SPREAD_STEPS` steps of the meter's range and `MAX_SPREAD_SHARE` of the last one. A contact
   that opens and closes moves the display by far more, and so do the leads of a meter of high input
   resistance while they lose their charge.
3. The leads touch. Open leads show about 0 V, which no rail has: below `MIN_RAIL_V` a rail's
   reading counts as open. Behind an open joint there are one to four volts, so this loses nothing.
   A drop of a good joint is about 0 V as well, so the light decides: with other strands lit, or
   none, the reading has to change by `MIN_RESPONSE_STEPS` steps. Where it does not, the drop is too
   small to be distinguished from open leads, and only the user can keep it.

All figures chosen by us; source of the volts behind an open joint: `hw_notes/measuring.md`.
"""

from __future__ import annotations

from collections import deque

from benchtest.evidence.meter import Meter

MIN_SAMPLES = 3
"""Readings in a row. Hand-held meters give two to four a second, so these take a second or two."""
MIN_SPAN_S = 0.5
"""Time from the first to the last of them: a fast meter must not settle within one bounce. [s]"""
MAX_SPREAD_STEPS = 3
"""Last digits may flicker by one; a range's edge and an echo of hum add a little."""
MAX_SPREAD_SHARE = 0.001
"""For meters with more digits than the contact and the supply are steady by."""
MIN_RAIL_V = 0.5
"""Least volts of a rail with the leads on it. [V]"""
MIN_RESPONSE_STEPS = 5
"""Steps by which a drop has to follow the light: more than the spread of two steady readings."""
MIN_CHANGED = 2
"""Readings in a row that differ once the leads have moved: one could be a disturbance."""


def spread_limit_v(meter: Meter, volts: float) -> float:
    """Return the largest spread of steady readings around these volts. [V]"""
    return MAX_SPREAD_STEPS * _step_v(meter, volts) + MAX_SPREAD_SHARE * abs(volts)


def has_changed(meter: Meter, before_v: float, now_v: float) -> bool:
    """Return whether two readings under the same light differ too much for leads that stayed."""
    larger_v = max(before_v, now_v, key=abs)
    return abs(now_v - before_v) > spread_limit_v(meter, larger_v)


def is_open(volts: float, *, is_rail: bool) -> bool:
    """Return whether leads at these volts may touch nothing, as far as the volts alone show it."""
    return is_rail and abs(volts) < MIN_RAIL_V


def follows_light(meter: Meter, one_v: float, other_v: float) -> bool:
    """Return whether readings under two lights differ, as only those of touching leads do."""
    larger_v = max(one_v, other_v, key=abs)
    return abs(one_v - other_v) >= MIN_RESPONSE_STEPS * _step_v(meter, larger_v)


def _step_v(meter: Meter, volts: float) -> float:
    return meter.resolution_v(min(abs(volts), meter.ranges_v[-1]))


class SteadyReadings:
    """The newest readings under one light, and the volts that they agree on.

    >>> readings = SteadyReadings(Meter.parse("0.5%+3/6000"))
    >>> [readings.add(volts, at_s) for at_s, volts in enumerate([0.3, 4.871, 4.872, 4.871])]
    [None, None, None, 4.871]
    """

    def __init__(self, meter: Meter) -> None:
        self.meter = meter
        self._newest: deque[tuple[float, float]] = deque()

    def clear(self) -> None:
        """Forget the readings: the light has changed."""
        self._newest.clear()

    def add(self, volts: float, at_s: float) -> float | None:
        """Add a reading; return the last one if all are steady, else None.

        Args:
            volts: the reading. [V]
            at_s: its time, on a clock that never goes back. [s]
        """
        limit_v = spread_limit_v(self.meter, volts)
        for place, (before_v, _) in reversed(list(enumerate(self._newest))):
            if abs(before_v - volts) > limit_v:
                for _ in range(place + 1):
                    self._newest.popleft()
                break
        self._newest.append((volts, at_s))
        is_long = at_s - self._newest[0][1] >= MIN_SPAN_S
        return volts if len(self._newest) >= MIN_SAMPLES and is_long else None
