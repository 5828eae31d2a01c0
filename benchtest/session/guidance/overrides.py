"""User overrides of the guidance."""

from __future__ import annotations

from dataclasses import dataclass, replace

from benchtest.prop.design import NodeName, Probe
from benchtest.prop.lit_set import LitSet
from benchtest.session.guidance.next_step import (
    Advice,
    caught_advice,
    reading_text,
    search_advice,
)
from benchtest.session.guidance.parade import Parade, parade_advice
from benchtest.session.guidance.pointing import unshown_places
from benchtest.session.guidance.steps import StepName
from benchtest.session.log.state import State


@dataclass(frozen=True, slots=True)
class Overrides:
    """Questions that the user chose, in place of those of the guidance.

    Attributes:
        walking: node lit alone while a strand is walked.
        by_hand: the user chose the walk in place of a search by halves.
        caught: node found to fail; the nodes after it are looked at next.
        own_reading: lit set and probe of a reading the user chose.
        replaces: number of the event whose reading that one replaces; None for none.
        step: step taken out of order, until it ends.
        queue: questions of that step.
        asked: number of questions in the queue that are answered.
        parade: parade in progress; None without one.
    """

    walking: NodeName | None = None
    by_hand: bool = False
    caught: NodeName | None = None
    own_reading: tuple[LitSet, Probe] | None = None
    replaces: int | None = None
    step: StepName | None = None
    queue: tuple[Advice, ...] = ()
    asked: int = 0
    parade: Parade | None = None

    def advice(self, state: State) -> Advice | None:
        """Return the question that the user chose; None to ask what the guidance asks."""
        if self.parade is not None:
            return parade_advice(self.parade)
        if self.caught is not None:
            return caught_advice(state, self.caught)
        if self.walking is not None:
            words = f"Which node of strand {self.walking.strand} fails?"
            return Advice("walk", words, strand=self.walking.strand)
        if self.own_reading is not None:
            return read_advice(state, *self.own_reading, self.replaces)
        if self.step == "search":
            return search_advice(state, None)
        return self.queue[self.asked] if self.queue else None

    def after_answer(self) -> Overrides:
        """Return the overrides after an answer: none after the last question of the queue."""
        if not self.queue:
            return self
        if self.asked + 1 == len(self.queue):
            return Overrides()
        return replace(self, asked=self.asked + 1)

    def after_undo(self) -> Overrides:
        """Return the overrides after an answer was undone: its question is asked again."""
        if self.queue and self.asked:
            return replace(self, asked=self.asked - 1)
        return self if self.step == "search" else Overrides()

    @property
    def any(self) -> bool:
        """True if the user chose the question; a walk that the guidance asks for is not chosen."""
        chosen = self.queue or self.own_reading or self.step or self.caught or self.parade
        return bool(chosen or self.by_hand)


def read_advice(state: State, lit: LitSet, probe: Probe, replaces: int | None = None) -> Advice:
    """Return the question for one reading, which may replace an earlier one."""
    words = f"{reading_text(state, lit, probe)} {unshown_places(probe)}".rstrip()
    if replaces is not None:
        words = f"Once more. {words}"
    return Advice("read", words, lit=lit, probe=probe, replaces=replaces)
