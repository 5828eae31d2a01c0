"""What the person chose to do, against what the guidance would ask."""

from __future__ import annotations

from dataclasses import dataclass, field

from benchtest.prop.design import Design, NodeName, Probe
from benchtest.prop.lit_set import LitSet
from benchtest.session.guidance.next_step import Advice, caught_advice, search_advice
from benchtest.session.guidance.steps import StepName
from benchtest.session.log.state import State


@dataclass
class Choices:
    """Everything that is asked because somebody chose it.

    Attributes:
        walking: the node that is lit alone, while a strand is walked.
        by_hand: it is walked by choice, instead of a search by halves.
        caught: a node that was found to fail; what is after it is looked at.
        own_reading: a reading of the person's own choice.
        again: event of the reading that it is to replace, where there is one.
        step: a step taken out of order, while it lasts.
        queue: what that step asks.
        asked: how much of the queue is answered.
    """

    walking: NodeName | None = None
    by_hand: bool = False
    caught: NodeName | None = None
    own_reading: tuple[LitSet, Probe] | None = None
    again: int | None = None
    step: StepName | None = None
    queue: list[Advice] = field(default_factory=list)
    asked: int = 0

    def advice(self, state: State) -> Advice | None:
        """What is asked by choice; None where the guidance asks."""
        if self.caught is not None:
            return caught_advice(state, self.caught)
        if self.walking is not None:
            words = f"Which node of strand {self.walking.strand} fails?"
            return Advice("walk", words, strand=self.walking.strand)
        if self.own_reading is not None:
            return read_advice(state.design, *self.own_reading, self.again)
        if self.step == "search":
            return search_advice(state, None)
        return self.queue[self.asked] if self.queue else None

    def drop(self) -> None:
        """Back to what the guidance says."""
        self.walking = self.caught = self.own_reading = self.again = self.step = None
        self.by_hand = False
        self.queue, self.asked = [], 0

    def answered(self) -> None:
        """One question of the queue is answered; after its last the guidance goes on."""
        if self.queue:
            self.asked += 1
            if self.asked == len(self.queue):
                self.drop()

    def back(self) -> None:
        """An answer is taken back: its question comes again."""
        if self.queue and self.asked:
            self.asked -= 1
        elif self.step != "search":
            self.drop()

    @property
    def any(self) -> bool:
        """Something is asked by choice."""
        return bool(self.queue or self.own_reading or self.step or self.caught or self.by_hand)


def read_advice(design: Design, lit: LitSet, probe: Probe, again: int | None = None) -> Advice:
    """Take one reading, perhaps in place of an earlier one."""
    words = f"Volts at {probe} with {lit.text(design)} lit?"
    if again is not None:
        words = f"Once more: {words[0].lower()}{words[1:]}"
    return Advice("read", words, lit=lit, probe=probe, again=again)
