"""A soak: hours of light with regular looks, and a count of intermittent faults."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

from benchtest.errors import InputError
from benchtest.session.log.events import SoakBegun, SoakSeen, SoakStopped

DEFAULT_SOAK_S = 2 * 3600.0
DEFAULT_LOOK_INTERVAL_S = 15 * 60.0
MIN_SOAK_S, MAX_SOAK_S = 60.0, 7 * 24 * 3600.0
"""Shortest and longest soak, and look interval. [s]"""


@dataclass(frozen=True, slots=True)
class Soak:
    """A soak as it is on record.

    Attributes:
        planned_s: planned duration. [s]
        every_s: interval of the looks. [s]
        level: level of the light.
        done_s: duration at the last event on record. [s]
        looked_s: duration at the last look. [s]
        looks: number of looks.
        intermittent: number of looks at which something flickered or went out.
        ended: True if it is over.
    """

    planned_s: float
    every_s: float
    level: float
    done_s: float = 0.0
    looked_s: float = 0.0
    looks: int = 0
    intermittent: int = 0
    ended: bool = False

    @property
    def whole(self) -> bool:
        """True if it lasted as long as planned."""
        return self.done_s >= self.planned_s


def new_soak(what: SoakBegun) -> Soak:
    """Return a soak that begins.

    Raises:
        InputError: a duration is invalid.
    """
    if not MIN_SOAK_S <= what.planned_s <= MAX_SOAK_S:
        raise InputError("soak: give a time from 1 minute to 7 days, such as 2h or 90m")
    if not MIN_SOAK_S <= what.every_s <= what.planned_s:
        raise InputError("soak: give a look interval from 1 minute to the whole time, such as 15m")
    return Soak(what.planned_s, what.every_s, what.level)


def next_soak(soak: Soak | None, what: SoakSeen | SoakStopped) -> Soak:
    """Return the soak after a look, a pause or its end.

    Raises:
        InputError: there is no soak, or its clock ran backwards.
    """
    if soak is None or soak.ended:
        raise InputError("there is no soak in progress")
    if not soak.done_s <= what.done_s < math.inf:
        raise InputError(f"soak: {what.done_s:g} s is before the last event on record")
    if isinstance(what, SoakStopped):
        return replace(soak, done_s=what.done_s, ended=what.over)
    count = soak.intermittent + (not what.steady)
    done_s = what.done_s
    return replace(soak, done_s=done_s, looked_s=done_s, looks=soak.looks + 1, intermittent=count)


@dataclass(frozen=True, slots=True)
class Progress:
    """Progress of a soak, for display."""

    share: float
    elapsed: str
    left: str
    next_look: str
    due: bool
    """True if it is time to look."""
    looks: int
    intermittent: int


def soak_progress(soak: Soak, done_s: float) -> Progress:
    """Return the progress of a soak.

    Args:
        soak: the soak on record.
        done_s: duration up to now. [s]
    """
    done_s = float(int(done_s))  # a screen shows whole seconds, and is drawn when they change
    wait_s = max(0.0, soak.looked_s + soak.every_s - done_s)
    return Progress(
        min(1.0, done_s / soak.planned_s),
        format_clock(done_s),
        format_clock(max(0.0, soak.planned_s - done_s)),
        format_clock(wait_s),
        wait_s == 0.0,
        soak.looks,
        soak.intermittent,
    )


def format_clock(seconds: float) -> str:
    """Return a duration as hours, minutes and seconds.

    >>> format_clock(3725.9)
    '1:02:05'
    """
    whole = int(seconds)
    return f"{whole // 3600}:{whole // 60 % 60:02}:{whole % 60:02}"


def parse_duration_s(text: str) -> float:
    """Return a duration from text: `2h`, `90m`, `45s`; a bare number is minutes. [s]

    Raises:
        InputError: not a duration.

    >>> parse_duration_s("1.5h")
    5400.0
    """
    word = text.strip().lower()
    factor = {"h": 3600.0, "m": 60.0, "s": 1.0}.get(word[-1:])
    number = word[:-1] if factor else word
    try:
        seconds = float(number) * (factor or 60.0)
    except ValueError:
        seconds = math.nan
    if not math.isfinite(seconds):
        raise InputError(f'"{text[:20]}" is not a time; write 2h, 90m or 45s')
    return seconds
