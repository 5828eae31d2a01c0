"""The parade on the bench: its clock, its keys, and what it records."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace

from benchtest.errors import InputError
from benchtest.formatting import count_noun
from benchtest.session.guidance.next_step import look_advice
from benchtest.session.guidance.overrides import Overrides
from benchtest.session.guidance.parade import USUAL_PACE_S, Parade, begin_parade
from benchtest.session.log.events import VerdictGiven
from benchtest.session.workbench.active_session import ActiveSession


class ParadeRun:
    """Lights strands one after the other; a key stops at one, and one at the end passes them all.

    Nothing is recorded before the last strand was lit and the user has answered.
    """

    def __init__(self, active: ActiveSession, now_s: Callable[[], float]) -> None:
        self._active = active
        self._now_s = now_s
        self._pace_s = USUAL_PACE_S
        self._shown: frozenset[int] = frozenset()
        self._repairs = 0

    @property
    def parade(self) -> Parade | None:
        """The parade in progress; None without one."""
        return self._active.overrides.parade

    def begin(self) -> None:
        """Begin a parade of the strands that are to be seen, or continue one that was stopped.

        Raises:
            InputError: no strand is to be seen.
        """
        state = self._active.state
        if not state.untested:
            raise InputError("every strand was seen; up and down choose one to see again")
        if len(state.repairs) != self._repairs:  # what was shown before may have changed
            self._shown, self._repairs = frozenset(), len(state.repairs)
        self._set(begin_parade(state.untested, self._shown, self._now_s(), self._pace_s))

    def advance(self) -> bool:
        """Light the next strand if the time of this one is over; return True if it was.

        The time stands still while the prop is dark or frames do not reach it.
        """
        parade = self.parade
        if parade is None:
            return False
        now_s = self._now_s()
        if not self._active.light.is_seen:
            self._set(replace(parade, since_s=now_s))
            return False
        later = parade.at(now_s)
        if later is not parade:
            self._set(later)
        return later is not parade

    def change_pace(self, step: int) -> str:
        """Light each strand for a shorter (1) or longer (-1) time; return it in words."""
        parade = self._running()
        later = parade.at_pace(step)
        self._pace_s = later.pace_s
        self._set(later)
        return f"{later.pace_s:g} s for each strand"

    def answer(self, good: bool) -> str:
        """Pass all strands after the last one; before it, only stop at a strand that fails.

        Raises:
            InputError: not all strands were lit yet, or frames do not reach the prop.
        """
        parade, active = self._running(), self._active
        if not good:
            self._stop(parade)
            return ""
        if parade.strand is not None:
            raise InputError("watch to the end; one key passes all strands then")
        level = active.light.look_level
        with active.one_key():
            for strand in sorted(parade.strands):
                active.record(VerdictGiven(strand, True, level, "parade"))
        active.drop_overrides()
        self._shown = frozenset()
        return f"{count_noun(len(parade.strands), 'strand')} passed in a parade"

    def _stop(self, parade: Parade) -> None:
        """Ask about the lit strand by itself; at the end, about each one."""
        active, strand = self._active, parade.strand
        if strand is None:
            self._shown = frozenset()
            active.drop_overrides()
            return
        self._shown = frozenset(parade.strands[: parade.place])
        active.overrides = Overrides(queue=(look_advice(active.state, strand),))

    def _running(self) -> Parade:
        if self.parade is None:
            raise InputError("no parade is running; Enter begins one")
        return self.parade

    def _set(self, parade: Parade) -> None:
        self._active.overrides = Overrides(parade=parade)
