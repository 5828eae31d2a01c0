"""A soak in progress: the soak on record and a running clock."""

from __future__ import annotations

from collections.abc import Callable
from typing import Protocol

from benchtest.drive.awake import AwakeLock
from benchtest.errors import InputError
from benchtest.formatting import count_noun
from benchtest.session.guidance.next_step import Advice
from benchtest.session.log.events import SoakBegun, SoakSeen, SoakStopped
from benchtest.session.log.soak import (
    DEFAULT_LOOK_INTERVAL_S,
    DEFAULT_SOAK_S,
    Progress,
    Soak,
    soak_progress,
)
from benchtest.session.log.state import State

CAUTION = "Stay in sight of it. Off at once at a smell or anything too hot to touch."


class SoakLog(Protocol):
    """The part of a session that a soak needs."""

    @property
    def state(self) -> State: ...

    def record(self, what: SoakBegun | SoakSeen | SoakStopped, /) -> object: ...


class SoakTimer:
    """Count the time that a prop is lit in a soak; no time counts during a pause.

    After a restart of the program the soak continues from the last look on record.
    """

    def __init__(
        self, log: SoakLog, now_s: Callable[[], float], awake: AwakeLock | None = None
    ) -> None:
        """Prepare; nothing is lit yet.

        Args:
            log: the session.
            now_s: clock. [s]
            awake: lock that is held while time counts; None for a new one.
        """
        self._awake = awake or AwakeLock()
        self._log = log
        self._now_s = now_s
        self._since_s: float | None = None
        self._before_s = 0.0

    @property
    def soak(self) -> Soak | None:
        """The soak that has not ended; None without one."""
        soak = self._log.state.soak
        return None if soak is None or soak.ended else soak

    @property
    def running(self) -> bool:
        """True while the prop is lit and time counts."""
        return self.soak is not None and self._since_s is not None

    @property
    def done_s(self) -> float:
        """Time soaked so far. [s]"""
        recorded_s = 0.0 if self.soak is None else self.soak.done_s
        if self._since_s is None:
            return recorded_s
        return max(recorded_s, self._before_s + self._now_s() - self._since_s)

    @property
    def progress(self) -> Progress | None:
        """Progress for display; None without a soak."""
        return None if self.soak is None else soak_progress(self.soak, self.done_s)

    @property
    def advice(self) -> Advice:
        """The next thing for the user to do in a soak."""
        shown = self.progress
        if shown is None:
            hours, minutes = DEFAULT_SOAK_S / 3600.0, DEFAULT_LOOK_INTERVAL_S / 60.0
            words = (
                f"Leave it lit for {hours:g} h, with a look every {minutes:g} min? "
                "Enter begins; type another time, such as 90m."
            )
        elif not self.running:
            words = f"The soak is paused at {shown.elapsed}. Enter continues it, e ends it."
        elif shown.due:
            words = "Look now: all white and steady?"
        else:
            words = f"Soaking. Next look in {shown.next_look}."
        return Advice("soak", words, caution=CAUTION)

    def begin(self, planned_s: float, every_s: float, level: float) -> None:
        """Begin a soak.

        Raises:
            InputError: a duration is invalid.
        """
        self._log.record(SoakBegun(planned_s, every_s, level))
        self._before_s = 0.0
        self._since_s = self._now_s()
        self._awake.take()

    def resume(self) -> None:
        """Count time again after a pause."""
        if self.soak is not None and self._since_s is None:
            self._before_s = self.done_s
            self._since_s = self._now_s()
            self._awake.take()

    def pause(self, unlit_s: float = 0.0) -> None:
        """Stop counting because the light is off, and record the time soaked so far.

        Args:
            unlit_s: time that the light has been off already. [s]
        """
        if self.running:
            recorded_s = 0.0 if self.soak is None else self.soak.done_s
            done_s = max(recorded_s, self.done_s - unlit_s)
            self._since_s = None
            self._log.record(SoakStopped(done_s, over=False))
        self._since_s = None
        self._awake.release()

    def seen(self, steady: bool) -> str:
        """Record a look at the prop; return a line that confirms it.

        Raises:
            InputError: no soak is running.
        """
        if not self.running:
            raise InputError("no soak is running; Enter begins or continues one")
        self._log.record(SoakSeen(self.done_s, steady))
        soak = self.soak
        assert soak is not None
        return f"look {soak.looks}: {'steady' if steady else 'intermittent'}"

    def end(self) -> str:
        """End the soak; return its duration and looks in a line.

        Raises:
            InputError: there is no soak.
        """
        if self.soak is None:
            raise InputError("no soak to end; Enter begins one")
        done_s = self.done_s
        self._log.record(SoakStopped(done_s))
        self._since_s = None
        self._awake.release()
        soak = self._log.state.soak
        assert soak is not None
        shown = soak_progress(soak, done_s)
        looks = count_noun(shown.looks, "look")
        return f"soaked {shown.elapsed}, {looks}, {shown.intermittent} intermittent"

    @property
    def is_over(self) -> bool:
        """True once the planned time has passed."""
        soak = self.soak
        return soak is not None and self.running and self.done_s >= soak.planned_s
