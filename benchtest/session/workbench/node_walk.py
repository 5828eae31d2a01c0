"""Strands and nodes under the eye: verdicts, walks, marks."""

from __future__ import annotations

from benchtest.errors import InputError
from benchtest.evidence.marks import Seen
from benchtest.prop.design import Design, NodeName, StrandEnd
from benchtest.prop.lit_set import parse_lit_set
from benchtest.prop.notation import parse_node
from benchtest.session.desk import Desk
from benchtest.session.log.events import MarkMade, VerdictGiven

STRAYS: tuple[Seen, ...] = ("stuck", "flicker")
"""What can be said of a strand that is not lit."""


def nodes_of(where: str, design: Design) -> tuple[int, str]:
    """A strand and its nodes, of one strand or of one node, as a mark writes them.

    Raises:
        InputError: the prop has no such thing, or it is more than one strand.
    """
    word = where.strip()
    if "." in word:
        node = parse_node(word, design)
        return node.strand, str(node.node)
    strands = parse_lit_set(word, design).strands
    if len(strands) != 1:
        raise InputError("give one strand, such as 4, or one node, such as 4.17")
    (strand,) = strands
    return strand, f"1-{design.strand(strand).nodes}"


class Walker(Desk):
    """The desk with somebody who looks."""

    def judge(self, passed: bool) -> None:
        """Pass or fail the strand that is lit."""
        advice = self.advice
        if advice.task != "look" or advice.strand is None:
            raise InputError("no strand is being looked at; up and down choose one")
        self.record(VerdictGiven(advice.strand, passed, self.lamp.level or self.look_level))
        self.choices.answered()

    def judge_all_dark(self) -> None:
        """Fail the strand that is lit, all of it being dark."""
        strand = self.advice.strand
        with self.one_key():
            self.judge(passed=False)
            assert strand is not None
            nodes = self.design.strand(strand).nodes
            self._mark(strand, f"1-{nodes}", "dark")

    def choose(self, step: int) -> None:
        """Look at the strand before or after this one, whatever the advice is."""
        count = len(self.design.strands)
        here = self.advice.strand or (1 if step < 0 else count)
        self.choose_strand((here - 1 + step) % count + 1)

    def walk_by_hand(self) -> None:
        """Leave the search by halves, and walk the strand node by node."""
        advice = self.advice
        strand = advice.strand or (advice.nodes[0].strand if advice.nodes else 1)
        self.choices.drop()
        self.choices.walking = self.first_on(strand)
        self.choices.by_hand = True

    def walk(self, step: int) -> None:
        """Move the lit node along its strand, as it stands: right is towards end B."""
        self.walk_to((self._walked()).node + step)

    def walk_on(self, step: int) -> None:
        """Move the lit node the way data runs, or back."""
        self.walk(step if self._forwards(self._walked().strand) else -step)

    def walk_to(self, node: int) -> None:
        """Light that node of the strand that is walked."""
        strand = self._walked().strand
        last = self.design.strand(strand).nodes
        self.choices.walking = NodeName(strand, max(1, min(last, node)))
        self.lamp.light_nodes([self.choices.walking], self.walk_level)

    def catch(self) -> None:
        """The lit node fails; the nodes after it are looked at next."""
        self.choices.caught = self._walked()

    def _walked(self) -> NodeName:
        if self.choices.walking is None:
            raise InputError("no strand is being walked")
        return self.choices.walking

    def _forwards(self, strand: int) -> bool:
        return StrandEnd(strand, "A") in self.design.data_path

    def mark(self, seen: Seen, onwards: bool) -> str:
        """Mark the node that fails, or it and all after it, the way data runs; says so."""
        advice = self.advice
        node = advice.nodes[0] if advice.task == "caught" else self._walked()
        strand = node.strand
        first = last = node.node
        if onwards:
            nodes = self.design.strand(strand).nodes
            first, last = (first, nodes) if self._forwards(strand) else (1, first)
        shown = str(first) if first == last else f"{first}-{last}"
        with self.one_key():
            if self.session.state.verdicts.get(strand) is not False and advice.task == "caught":
                self.record(VerdictGiven(strand, passed=False, level=self.look_level))
            self._mark(strand, shown, seen)
        if advice.task == "caught":
            self.choices.drop()
        return f"marked strand {strand}, node {shown} {seen}"

    def _mark(self, strand: int, nodes: str, seen: Seen) -> None:
        """Mark nodes, of the look at which their strand failed.

        At another level it would be another look, and the rest of the strand, right in the first,
        would speak for these nodes too.
        """
        level = self.session.state.looked_level.get(strand, self.look_level)
        self.record(MarkMade(str(strand), strand, nodes, seen, level))

    def stray(self, where: str, seen: str) -> str:
        """Something shines that should be dark: a strand or node, `stuck` or `flicker`.

        Raises:
            InputError: there is no such thing, it should be lit, or no whole strands are.
        """
        lit = self.lamp.lit
        if lit is None:
            raise InputError("light whole strands first: the mark must say what was lit")
        strand, nodes = nodes_of(where, self.design)
        word = next((known for known in STRAYS if known == seen.strip()), None)
        if word is None:
            raise InputError(f'"{seen[:20]}": give {" or ".join(STRAYS)}')
        if lit.lights(strand):
            raise InputError(f"strand {strand} should be lit; mark it in a walk")
        self.record(MarkMade(lit.text(self.design), strand, nodes, word, lit.level, lit.colour))
        return f"marked strand {strand}, node {nodes} {word}, with {lit.text(self.design)} lit"

    def end_walk(self) -> None:
        """Done with this strand."""
        if (
            self.choices.walking is not None
            and self.choices.walking.strand in self.session.state.unmarked
        ):
            raise InputError("mark the node that fails first: d dark, w warm, c wrong colour …")
        self.choices.walking = None
        self.choices.by_hand = False
