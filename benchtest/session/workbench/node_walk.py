"""Looks at strands and nodes: verdicts, walks along a strand, marks."""

from __future__ import annotations

from dataclasses import replace

from benchtest.errors import InputError
from benchtest.evidence.marks import Seen
from benchtest.formatting import name_strands
from benchtest.prop.design import Design, NodeName, StrandEnd
from benchtest.prop.lit_set import parse_lit_set
from benchtest.prop.notation import parse_node
from benchtest.session.guidance.next_step import look_advice
from benchtest.session.guidance.overrides import Overrides
from benchtest.session.log.events import MarkMade, VerdictGiven
from benchtest.session.log.node_search import search_nodes
from benchtest.session.workbench.active_session import ActiveSession

STRAYS: tuple[Seen, ...] = ("stuck", "flicker")
"""Marks that a strand can have while it is not lit."""


def parse_strand_or_node(where: str, design: Design) -> tuple[int, str]:
    """Return a strand and its nodes, written as in a mark.

    Raises:
        InputError: the prop has no such strand or node, or several strands are named.
    """
    text = where.strip()
    if "." in text:
        node = parse_node(text, design)
        return node.strand, str(node.node)
    strands = parse_lit_set(text, design).strands
    if len(strands) != 1:
        raise InputError("give one strand, such as 4, or one node, such as 4.17")
    (strand,) = strands
    return strand, f"1-{design.strand(strand).nodes}"


def first_node(design: Design, strand: int) -> NodeName:
    """Return the node of a strand that data reaches first."""
    return search_nodes(design, strand)[0]


class NodeWalk:
    """Judges strands, walks their nodes one by one and marks what fails."""

    def __init__(self, active: ActiveSession) -> None:
        self._active = active

    @property
    def node(self) -> NodeName:
        """The node that is lit alone.

        Raises:
            InputError: no strand is being walked.
        """
        node = self._active.overrides.walking
        if node is None:
            raise InputError("no strand is being walked; left and right begin a walk")
        return node

    # -- strands -------------------------------------------------------------------------------

    def judge(self, passed: bool) -> None:
        """Pass or fail the strand that is lit."""
        active = self._active
        advice = active.advice
        if advice.task != "look" or advice.strand is None:
            raise InputError("no strand is being looked at; up and down choose one")
        level = active.light.level or active.light.look_level
        active.answer(VerdictGiven(advice.strand, passed, level))

    def judge_all_dark(self) -> None:
        """Fail the strand that is lit, and mark all its nodes dark."""
        active = self._active
        strand = active.advice.strand
        with active.one_key():
            self.judge(passed=False)
            assert strand is not None
            self._mark(strand, f"1-{active.design.strand(strand).nodes}", "dark")

    def judge_downstream(self, is_dark: bool) -> str:
        """Fail the strands behind a dark one, all dark; else look at each, the first one next."""
        active = self._active
        advice = active.advice
        assert advice.lit is not None
        strands = sorted(advice.lit.strands)
        if not is_dark:
            self.choose_strand(strands[0])
            return ""
        level = active.light.level or active.light.look_level
        with active.one_key():
            for strand in strands:
                active.record(VerdictGiven(strand, False, level, "parade"))
                self._mark(strand, f"1-{active.design.strand(strand).nodes}", "dark")
        return f"{name_strands(strands, most=4)} dark"

    def choose(self, step: int) -> None:
        """Look at the strand before or after the present one."""
        count = len(self._active.design.strands)
        here = self._active.advice.strand or (1 if step < 0 else count)
        self.choose_strand((here - 1 + step) % count + 1)

    def choose_strand(self, number: int) -> None:
        """Look at a strand, in place of what the guidance asks."""
        active = self._active
        active.drop_overrides()
        if active.state.signed is None:
            active.overrides = Overrides(queue=(look_advice(active.state, number),))

    # -- a walk along a strand -----------------------------------------------------------------

    def begin(self, node: NodeName) -> None:
        """Walk a strand from one of its nodes on."""
        self._active.overrides = replace(self._active.overrides, walking=node)

    def begin_by_hand(self) -> None:
        """Leave the search by halves, and walk the strand node by node."""
        advice = self._active.advice
        strand = advice.strand or (advice.nodes[0].strand if advice.nodes else 1)
        node = first_node(self._active.design, strand)
        self._active.overrides = Overrides(walking=node, by_hand=True)

    def move(self, step: int) -> None:
        """Move the lit node along its strand; to the right is towards end B."""
        self.move_to(self.node.node + step)

    def follow_data(self, step: int) -> None:
        """Move the lit node in the direction of the data, or back."""
        self.move(step if self._enters_at_a(self.node.strand) else -step)

    def move_to(self, node: int) -> None:
        """Light one node of the strand that is walked."""
        strand = self.node.strand
        last = self._active.design.strand(strand).nodes
        self.begin(NodeName(strand, max(1, min(last, node))))
        self._active.light.light_nodes([self.node], self._active.light.walk_level)

    def catch(self) -> None:
        """Note that the lit node fails; the nodes after it are looked at next."""
        self._active.overrides = replace(self._active.overrides, caught=self.node)

    def answer_caught(self, good: bool) -> str:
        """Mark the caught node by whether the nodes after it light: one dark node, or a break."""
        node, *after = self._active.advice.nodes
        if not after and good:
            self._active.overrides = Overrides(walking=node)
            return f"node {node} lights after all"
        return self.mark("dark", onwards=bool(after) and not good)

    def end(self) -> None:
        """End the walk.

        Raises:
            InputError: the strand failed and none of its nodes is marked yet.
        """
        overrides = self._active.overrides
        walking = overrides.walking
        if walking is not None and walking.strand in self._active.state.unmarked:
            raise InputError("mark the node that fails first: d dark, w warm, c wrong colour …")
        self._active.overrides = replace(overrides, walking=None, by_hand=False)

    def _enters_at_a(self, strand: int) -> bool:
        return StrandEnd(strand, "A") in self._active.design.data_path

    # -- marks ---------------------------------------------------------------------------------

    def mark(self, seen: Seen, onwards: bool) -> str:
        """Mark the node that fails, or that one and all after it; return the mark in words."""
        active = self._active
        advice = active.advice
        caught = advice.task == "caught"
        node = advice.nodes[0] if caught else self.node
        strand = node.strand
        first = last = node.node
        if onwards:
            nodes = active.design.strand(strand).nodes
            first, last = (first, nodes) if self._enters_at_a(strand) else (1, first)
        shown = str(first) if first == last else f"{first}-{last}"
        with active.one_key():
            if caught and active.state.verdicts.get(strand) is not False:
                active.record(VerdictGiven(strand, passed=False, level=active.light.look_level))
            self._mark(strand, shown, seen)
        if caught:
            active.drop_overrides()
        return f"marked strand {strand}, node {shown} {seen}"

    def _mark(self, strand: int, nodes: str, seen: Seen) -> None:
        """Mark nodes at the level at which their strand failed.

        At another level the mark would count as another look, and the nodes of the strand that
        were right in the first look would count as right in this one too.
        """
        active = self._active
        level = active.state.looked_level.get(strand, active.light.look_level)
        active.record(MarkMade(str(strand), strand, nodes, seen, level))

    def mark_stray(self, where: str, seen: str) -> str:
        """Mark a strand or node that lights and should be dark, as `stuck` or `flicker`.

        Raises:
            InputError: the prop has no such place, it should be lit, or no whole strands are lit.
        """
        active = self._active
        lit = active.light.lit
        if lit is None:
            raise InputError("light whole strands first: the mark must say what was lit")
        strand, nodes = parse_strand_or_node(where, active.design)
        mark = next((known for known in STRAYS if known == seen.strip()), None)
        if mark is None:
            raise InputError(f'"{seen[:20]}": give {" or ".join(STRAYS)}')
        if lit.lights(strand):
            raise InputError(f"strand {strand} should be lit; mark it in a walk")
        text = lit.text(active.design)
        active.record(MarkMade(text, strand, nodes, mark, lit.level, lit.colour))
        return f"marked strand {strand}, node {nodes} {mark}, with {text} lit"
