"""The reading that is asked for while the finding with the last one is worked out."""

from __future__ import annotations

from collections.abc import Sequence

from benchtest.diagnosis import Finding
from benchtest.prop.design import Point, Probe
from benchtest.prop.lit_set import LitSet
from benchtest.session.log.events import ReadingTaken, SessionEvent
from benchtest.session.log.state import LoggedEvent, State, is_evidence


class InterimReading:
    """A sensible next reading from the plan of the last finding.

    Attributes:
        asked: lit set and probe; None while none is asked.
        is_begun: whether something stands in the field for it: it then stays asked until that is
            entered or dropped, whatever the new finding would rather have.
    """

    def __init__(self) -> None:
        self.asked: tuple[LitSet, Probe] | None = None
        self.is_begun = False
        self._last: Finding | None = None

    def recorded(self, what: SessionEvent, finding: Finding | None) -> None:
        """Note an event: only after a reading does the last plan still hold.

        Args:
            what: the event.
            finding: of the evidence before it; None while that was being worked out.
        """
        if not is_evidence(what):
            return
        if not isinstance(what, ReadingTaken):
            self.forget()
            return
        self._last = finding or self._last
        self.asked, self.is_begun = None, False

    def forget(self) -> None:
        """Ask nothing meanwhile."""
        self.asked, self.is_begun, self._last = None, False, None

    def ask(self, state: State) -> bool:
        """Ask for the best reading of the last plan that was not taken since.

        Returns:
            True where there is one, and it is asked from now on.
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
        """Take a finding that readings have overtaken: its plan is the newest there is."""
        since = now[len(events) :]
        only_readings = all(isinstance(one.what, ReadingTaken) for one in since)
        if only_readings and tuple(now[: len(events)]) == tuple(events):
            self._last = late

    def keeps(self, finding: Finding) -> bool:
        """Return whether it stays asked, now that the finding is there.

        It does where something stands in the field for it, and where the new plan has it, too:
        the leads are on their way.
        """
        ask = self.asked
        planned = ask is not None and not finding.next.settled and ask in finding.next.planned
        if not self.is_begun and not planned:
            self.asked = None
        return self.asked is not None


def _key(lit: LitSet, probe: Probe) -> tuple[LitSet, frozenset[Point]]:
    return lit, probe.points
