"""A soak under way: the record's soak and a running clock."""

from __future__ import annotations

from collections.abc import Callable

from benchtest.errors import InputError
from benchtest.formatting import count_noun
from benchtest.session.guidance.next_step import Advice
from benchtest.session.log.events import SoakBegun, SoakSeen, SoakStopped
from benchtest.session.log.soak import EVERY_S, PLANNED_S, Progress, Soak, progress
from benchtest.session.session import Session

CAUTION = "Stay in sight of it. Off at once at a smell or anything too hot to touch."


class Soaking:
    """Counts the time that a prop is lit in a soak; paused, it counts nothing.

    After the program was ended, the soak goes on from the last look that the record knows.
    """

    def __init__(self, session: Session, now_s: Callable[[], float]) -> None:
        self.session = session
        self._now_s = now_s
        self._since_s: float | None = None
        self._before_s = 0.0

    @property
    def soak(self) -> Soak | None:
        """The soak that is not over; None where there is none."""
        soak = self.session.state.soak
        return None if soak is None or soak.ended else soak

    @property
    def running(self) -> bool:
        """It is lit, and time counts."""
        return self.soak is not None and self._since_s is not None

    @property
    def done_s(self) -> float:
        """How long it has lasted. [s]"""
        recorded_s = 0.0 if self.soak is None else self.soak.done_s
        if self._since_s is None:
            return recorded_s
        return max(recorded_s, self._before_s + self._now_s() - self._since_s)

    @property
    def progress(self) -> Progress | None:
        """What a screen shows; None where no soak is under way."""
        return None if self.soak is None else progress(self.soak, self.done_s)

    @property
    def advice(self) -> Advice:
        """What the person should do now."""
        shown = self.progress
        if shown is None:
            hours, minutes = PLANNED_S / 3600.0, EVERY_S / 60.0
            words = (
                f"Leave it lit for {hours:g} h, with a look every {minutes:g} min? "
                "Enter begins; type another time, such as 90m."
            )
        elif not self.running:
            words = f"The soak stands at {shown.elapsed}. Enter goes on, x ends it."
        elif shown.due:
            words = "Look now: all white and steady?"
        else:
            words = f"Soaking. Next look in {shown.next_look}."
        return Advice("soak", words, caution=CAUTION)

    def begin(self, planned_s: float, every_s: float, level: float) -> None:
        """Begin a soak.

        Raises:
            InputError: its times are none.
        """
        self.session.record(SoakBegun(planned_s, every_s, level))
        self._before_s = 0.0
        self._since_s = self._now_s()

    def resume(self) -> None:
        """Let time count again."""
        if self.soak is not None and self._since_s is None:
            self._before_s = self.done_s
            self._since_s = self._now_s()

    def pause(self, unlit_s: float = 0.0) -> None:
        """The light is off: time does not count. What was soaked so far is on the record.

        Args:
            unlit_s: for how long it has been off already. [s]
        """
        if self.running:
            recorded_s = 0.0 if self.soak is None else self.soak.done_s
            done_s = max(recorded_s, self.done_s - unlit_s)
            self._since_s = None
            self.session.record(SoakStopped(done_s, over=False))
        self._since_s = None

    def seen(self, steady: bool) -> str:
        """Somebody looked; says what was counted.

        Raises:
            InputError: no soak is running.
        """
        if not self.running:
            raise InputError("no soak is running; Enter begins one, or goes on with it")
        self.session.record(SoakSeen(self.done_s, steady))
        soak = self.soak
        assert soak is not None
        return f"look {soak.looks}: {'steady' if steady else 'intermittent'}"

    def end(self) -> str:
        """Stop; says how long it lasted.

        Raises:
            InputError: no soak is under way.
        """
        if self.soak is None:
            raise InputError("no soak is under way")
        done_s = self.done_s
        self.session.record(SoakStopped(done_s))
        self._since_s = None
        soak = self.session.state.soak
        assert soak is not None
        shown = progress(soak, done_s)
        looks = count_noun(shown.looks, "look")
        return f"soaked {shown.elapsed}, {looks}, {shown.intermittent} intermittent"

    @property
    def is_over(self) -> bool:
        """As long as planned has passed."""
        soak = self.soak
        return soak is not None and self.running and self.done_s >= soak.planned_s
