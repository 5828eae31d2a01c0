"""The reading that is asked for while a finding is worked out."""

from __future__ import annotations

from collections.abc import Sequence

from benchtest.diagnosis import Finding
from benchtest.prop.design import Point, Probe
from benchtest.prop.lit_set import LitSet
from benchtest.session.log.events import ReadingTaken, SessionEvent
from benchtest.session.log.state import LoggedEvent, State, is_evidence


class InterimReading:
    """The best reading of the last plan that was not taken since.

    Attributes:
        asked: lit set and probe; None while none is asked.
        is_begun: True while the entry field has content for it. It then stays asked until the
            content is entered or dropped, even if the new finding plans another reading.
    """

    def __init__(self) -> None:
        self.asked: tuple[LitSet, Probe] | None = None
        self.is_begun = False
        self._last: Finding | None = None

    def recorded(self, what: SessionEvent, finding: Finding | None) -> None:
        """Note an event; the last plan stays valid only after a reading.

        Args:
            what: the event.
            finding: finding of the evidence before it; None while it was being worked out.
        """
        if not is_evidence(what):
            return
        if not isinstance(what, ReadingTaken):
            self.forget()
            return
        self._last = finding or self._last
        self.asked, self.is_begun = None, False

    def forget(self) -> None:
        """Ask for nothing until the next finding."""
        self.asked, self.is_begun, self._last = None, False, None

    def ask(self, state: State) -> bool:
        """Ask for the best reading of the last plan that was not taken since.

        Returns:
            True if there is one, which is asked from now on.
        """
        if self.asked is None and self._last is not None:
            gone = {_key(one.lit, one.probe) for one in state.readings}
            gone |= {_key(*one) for one in state.unreachable}
            self.asked = self._last.next.after(gone)
            return self.asked is not None
        return False

    def overtaken(
        self, events: Sequence[LoggedEvent], now: Sequence[LoggedEvent], late: Finding
    ) -> None:
        """Take the plan of a finding that is late because readings were taken meanwhile."""
        since = now[len(events) :]
        only_readings = all(isinstance(one.what, ReadingTaken) for one in since)
        if only_readings and tuple(now[: len(events)]) == tuple(events):
            self._last = late

    def keeps(self, finding: Finding) -> bool:
        """Return True if the reading stays asked after a new finding.

        It stays if the entry field has content for it, or if the new plan contains it: the user may
        be moving the leads already.
        """
        ask = self.asked
        planned = ask is not None and not finding.next.settled and ask in finding.next.planned
        if not self.is_begun and not planned:
            self.asked = None
        return self.asked is not None


def _key(lit: LitSet, probe: Probe) -> tuple[LitSet, frozenset[Point]]:
    return lit, probe.points
