"""A soak: hours of light, with a look now and then, and a count of what came and went."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

from benchtest.errors import InputError
from benchtest.session.log.events import SoakBegun, SoakSeen, SoakStopped

PLANNED_S = 2 * 3600.0
EVERY_S = 15 * 60.0
LEAST_S, MOST_S = 60.0, 7 * 24 * 3600.0
"""What may be asked for. [s]"""


@dataclass(frozen=True, slots=True)
class Soak:
    """A soak as far as the record knows it.

    Attributes:
        planned_s: how long it should last. [s]
        every_s: time between two looks. [s]
        level: of its light.
        done_s: how long it had lasted when the record last heard of it. [s]
        looked_s: how long it had lasted at the last look. [s]
        looks: how often somebody looked.
        intermittent: how often something flickered or went out.
        ended: it is over.
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
        """It lasted as long as planned."""
        return self.done_s >= self.planned_s


def begun(what: SoakBegun) -> Soak:
    """A soak that begins.

    Raises:
        InputError: its times are none.
    """
    if not LEAST_S <= what.planned_s <= MOST_S:
        raise InputError("soak: give a time from 1 minute to 7 days, such as 2h or 90m")
    if not LEAST_S <= what.every_s <= what.planned_s:
        raise InputError("soak: look once a minute at most, and at least once: such as 15m")
    return Soak(what.planned_s, what.every_s, what.level)


def next_soak(soak: Soak | None, what: SoakSeen | SoakStopped) -> Soak:
    """The soak after a look, or after its end.

    Raises:
        InputError: none is under way, or its clock ran backwards.
    """
    if soak is None or soak.ended:
        raise InputError("no soak is under way")
    if not soak.done_s <= what.done_s < math.inf:
        raise InputError(f"soak: {what.done_s:g} s is before the last look")
    if isinstance(what, SoakStopped):
        return replace(soak, done_s=what.done_s, ended=what.over)
    count = soak.intermittent + (not what.steady)
    done_s = what.done_s
    return replace(soak, done_s=done_s, looked_s=done_s, looks=soak.looks + 1, intermittent=count)


@dataclass(frozen=True, slots=True)
class Progress:
    """What a screen shows of a soak."""

    share: float
    elapsed: str
    left: str
    next_look: str
    due: bool
    """It is time to look."""
    looks: int
    intermittent: int


def progress(soak: Soak, done_s: float) -> Progress:
    """How far a soak is.

    Args:
        soak: as the record knows it.
        done_s: how long it has lasted now. [s]
    """
    done_s = float(int(done_s))  # a screen shows whole seconds, and is drawn when they change
    wait_s = max(0.0, soak.looked_s + soak.every_s - done_s)
    return Progress(
        min(1.0, done_s / soak.planned_s),
        clock_text(done_s),
        clock_text(max(0.0, soak.planned_s - done_s)),
        clock_text(wait_s),
        wait_s == 0.0,
        soak.looks,
        soak.intermittent,
    )


def clock_text(seconds: float) -> str:
    """A time as a wall clock shows it.

    >>> clock_text(3725.9)
    '1:02:05'
    """
    whole = int(seconds)
    return f"{whole // 3600}:{whole // 60 % 60:02}:{whole % 60:02}"


def seconds_of(text: str) -> float:
    """A time as people write it: `2h`, `90m`, `45s`; a bare number is minutes. [s]

    Raises:
        InputError: it is none.

    >>> seconds_of("1.5h")
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
        raise InputError(f'time: "{text[:20]}"; write 2h, 90m or 45s')
    return seconds
