"""The prop points: before a reading its nodes show where the leads go; also at a repair."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

from benchtest.diagnosis.planning.cost import leads_after
from benchtest.errors import InputError
from benchtest.session.guidance.next_step import Advice
from benchtest.session.guidance.pointing import (
    BLINK_S,
    LEAD_POINT_S,
    Pointer,
    describe_pointers,
    lead_pointers,
    place_pointers,
    pointer_duty,
)
from benchtest.session.workbench.active_session import ActiveSession


@dataclass(frozen=True, slots=True)
class _Show:
    """Pointers that are shown."""

    pointers: tuple[Pointer, ...]
    since_s: float
    until_s: float
    """End of the time, infinite until a key ends it. [s]"""


class PointingRun:
    """Shows places on the prop: by itself before a reading whose leads move, and by a key.

    The lit set of a reading comes on when the time is over or at the first key.
    """

    def __init__(
        self, active: ActiveSession, now_s: Callable[[], float], *, is_automatic: bool
    ) -> None:
        self._active = active
        self._now_s = now_s
        self._is_automatic = is_automatic
        self._show: _Show | None = None
        self._shown: object = None
        """Request that was pointed at already; it is lit at once when it is drawn again."""
        self._blink_on = True

    @property
    def is_showing(self) -> bool:
        """True while nodes point."""
        return self._show is not None

    def show_before(self, advice: Advice) -> bool:
        """Point at the leads' places before a reading; return True if that is shown now.

        Args:
            advice: the present question.
        """
        request = (advice.lit, advice.probe)
        if self._shown == request and self._show is None:
            return False
        if self._shown != request:
            self._shown, self._show = request, None
            pointers = self._lead_pointers(advice)
            if not (self._is_automatic and pointers):
                return False
            now_s = self._now_s()
            self._show = _Show(pointers, now_s, now_s + LEAD_POINT_S * len(pointers))
        self._light()
        return True

    def show_repair(self, advice: Advice) -> bool:
        """Point at the place of a repair; return True if a node is near it.

        Args:
            advice: the present question, about a suspect.
        """
        request = (advice.task, None if advice.suspect is None else advice.suspect.where)
        if self._shown != request:
            self._shown, self._show = request, None
            if self._is_automatic and advice.suspect is not None:
                pointers = place_pointers(self._active.design, advice.suspect.where)
                self._show = _Show(pointers, self._now_s(), float("inf")) if pointers else None
        if self._show is None:
            return False
        self._light()
        return True

    def toggle(self) -> str:
        """Show the places of the present question again, or end that; return it in words.

        Raises:
            InputError: no node is near, or the question is about no place.
        """
        if self._show is not None:
            self._show = None
            return ""
        advice = self._active.advice
        pointers: tuple[Pointer, ...] = ()
        if advice.probe is not None:
            pointers = lead_pointers(self._active.design, advice.probe)
        elif advice.suspect is not None:
            pointers = place_pointers(self._active.design, advice.suspect.where)
        elif advice.strand is not None:
            pointers = place_pointers(self._active.design, str(advice.strand))
        if not pointers:
            raise InputError("no node is near that place; see the drawing")
        self._show = _Show(pointers, self._now_s(), float("inf"))
        self._light()
        return describe_pointers(pointers)

    def stop(self) -> bool:
        """End the pointing; return True if there was any."""
        was_showing = self._show is not None
        self._show = None
        return was_showing

    def advance(self) -> bool:
        """Blink, or end at the end of the time; return True if it ended."""
        show, light = self._show, self._active.light
        if show is None:
            return False
        if light.put_out or light.clock.held is not None:
            self._show = None
            return False
        if self._now_s() >= show.until_s:
            self._show = None
            return True
        if self._is_on(show) != self._blink_on:
            self._light()
        return False

    def _lead_pointers(self, advice: Advice) -> tuple[Pointer, ...]:
        """Return the pointers of the leads that move for a reading."""
        if advice.task != "read" or advice.probe is None:
            return ()
        design = self._active.design
        taken = self._active.state.taken[-1:]
        leads = leads_after(design, [(one.reading.lit, one.reading.probe) for one in taken])
        return lead_pointers(design, advice.probe, (leads.red, leads.black))

    def _is_on(self, show: _Show) -> bool:
        return int((self._now_s() - show.since_s) / BLINK_S) % 2 == 0

    def _light(self) -> None:
        show = self._show
        assert show is not None
        self._blink_on = self._is_on(show)
        duty = pointer_duty(self._active.design, show.pointers, blink_on=self._blink_on)
        self._active.light.light_duty(duty, describe_pointers(show.pointers))
