"""A parade: the strands light one after the other, and one key at the end passes them all."""

from __future__ import annotations

from collections.abc import Collection
from dataclasses import dataclass, replace

from benchtest.prop.lit_set import format_ranges
from benchtest.session.guidance.next_step import Advice

PACES_S = (0.5, 0.7, 1.0, 1.5, 2.0, 3.0)
"""Seconds that each strand is lit. The shortest stays below three changes of light a second."""
USUAL_PACE_S = 1.0
MIN_PARADE_STRANDS = 3
"""Fewer strands are looked at one by one just as quickly."""


@dataclass(frozen=True, slots=True)
class Parade:
    """The strands of a parade and its progress.

    Attributes:
        strands: strands that are to be seen, in the order in which they light.
        since_s: time at which the present strand lit. [s]
        pace_s: time that each strand is lit. [s]
        place: place of the lit strand; the number of strands once all were lit.
    """

    strands: tuple[int, ...]
    since_s: float
    pace_s: float = USUAL_PACE_S
    place: int = 0

    @property
    def strand(self) -> int | None:
        """The strand that is lit; None once all were."""
        return self.strands[self.place] if self.place < len(self.strands) else None

    def at(self, now_s: float) -> Parade:
        """Return the parade at a later time: the next strand lights once this one's time is over.

        At most one strand further: none is skipped when the program was busy.
        """
        if self.strand is None or now_s - self.since_s < self.pace_s:
            return self
        return replace(self, place=self.place + 1, since_s=now_s)

    def at_pace(self, step: int) -> Parade:
        """Return the parade one step faster (1) or slower (-1)."""
        place = PACES_S.index(self.pace_s) - step
        return replace(self, pace_s=PACES_S[max(0, min(len(PACES_S) - 1, place))])


def begin_parade(
    strands: Collection[int], shown: Collection[int], now_s: float, pace_s: float
) -> Parade:
    """Return a parade of strands, from the first that was not shown before it stopped.

    Args:
        strands: strands that are to be seen.
        shown: strands that lit before the parade was stopped; they are passed with the others.
        now_s: present time. [s]
        pace_s: time that each strand is lit. [s]
    """
    order = tuple(sorted(strands, key=lambda number: (number not in shown, number)))
    return Parade(order, now_s, pace_s, sum(number in shown for number in order))


def parade_advice(parade: Parade) -> Advice:
    """Ask to watch the lit strand or, after the last one, whether all lit wholly."""
    strand, count = parade.strand, len(parade.strands)
    if strand is None:
        return Advice("parade", f"Did every node of strands {format_ranges(parade.strands)} light?")
    text = f"Watch strand {strand}, {parade.place + 1} of {count}. Press x if a node stays dark."
    return Advice("parade", text, strand=strand)
