"""The picture on the bench: its turns change by themselves while it is asked about."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace

from benchtest.errors import InputError
from benchtest.pattern import strand_colour, turn_count
from benchtest.prop.design import Design
from benchtest.session.guidance.next_step import Advice
from benchtest.session.workbench.prop_light import PropLight

TURN_S = 1.0
"""Time of one turn: no channel of a node brightens more than once in two of them. [s]"""
MAX_NAMED_COLOURS = 4
"""Number of strands whose colours are named in a line."""


@dataclass(frozen=True, slots=True)
class _Turns:
    """Progress of the picture of some strands."""

    advice: Advice
    since_s: float
    count: int = 0
    """Number of turns that were shown to their end."""


class PictureRun:
    """Shows the turns of a picture one after the other, as long as it is asked about."""

    def __init__(self, design: Design, light: PropLight, now_s: Callable[[], float]) -> None:
        self._design = design
        self._light = light
        self._now_s = now_s
        self._turns: _Turns | None = None

    def show(self, advice: Advice) -> None:
        """Light the present turn; another question begins with the first one."""
        turns = self._turns
        if turns is None or turns.advice != advice:
            self._turns = turns = _Turns(advice, self._now_s())
        assert advice.lit is not None
        turn = turns.count % turn_count(self._design)
        self._light.light_picture(turn, advice.lit.strands, self._describe(advice, turn))

    def advance(self, advice: Advice) -> bool:
        """Begin the next turn if the time of this one is over; return True if it was.

        The time stands still while the prop is dark or frames do not reach it.

        Args:
            advice: the present question.
        """
        turns, now_s = self._turns, self._now_s()
        if advice.task != "picture" or turns is None:
            self._turns = None
            return False
        if not self._light.is_seen:
            self._turns = replace(turns, since_s=now_s)
        elif now_s - turns.since_s >= TURN_S:
            self._turns = replace(turns, count=turns.count + 1, since_s=now_s)
            return True
        return False

    @property
    def is_shown(self) -> bool:
        """True once every turn was shown; the last one need not be over."""
        done = 0 if self._turns is None else self._turns.count
        return done >= turn_count(self._design) - 1

    def require_all_turns(self) -> None:
        """Check that every node has shown every colour.

        Raises:
            InputError: some turns were not shown yet.
        """
        if not self.is_shown:
            raise InputError("watch until each strand has shown every colour; x at once if not so")

    def _describe(self, advice: Advice, turn: int) -> str:
        """Return the colours of the first strands, for eyes that do not distinguish them."""
        assert advice.lit is not None
        numbers = sorted(advice.lit.strands)
        named = [f"{n} {strand_colour(self._design, n, turn)}" for n in numbers[:MAX_NAMED_COLOURS]]
        more = " ..." if len(numbers) > len(named) else ""
        return f"picture: {', '.join(named)}{more}"
