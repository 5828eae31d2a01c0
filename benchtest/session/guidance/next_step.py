"""What the person at the bench should do now, and what still keeps a unit indoors."""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal

from benchtest.diagnosis import Finding, NextReading, Suspect
from benchtest.formatting import name_strands
from benchtest.prop.design import Design, NodeName, Probe
from benchtest.prop.lit_set import LitSet
from benchtest.records.models import Stage
from benchtest.session.guidance.supply_doubt import is_answered, supply_doubt
from benchtest.session.log import colour_checks as colours
from benchtest.session.log import power_checks as checks
from benchtest.session.log.events import Concluded
from benchtest.session.log.evidence import odd_readings
from benchtest.session.log.node_search import Search, begin, search_nodes
from benchtest.session.log.power_checks import Key
from benchtest.session.log.reading_list import NumberedReading, is_retaken, reading_words
from benchtest.session.log.state import State
from benchtest.session.log.suspects import INNOCENT, suspected

Task = Literal[
    "check",
    "glow",
    "look",
    "search",
    "caught",
    "walk",
    "colour",
    "recolour",
    "think",
    "read",
    "repair",
    "wiggle",
    "soak",
    "sign-off",
    "done",
]

FEW_NODES = 8
"""Up to so many nodes a strand is walked node by node: that is as quick as halves."""

LIKELY = 0.5
"""Probability at which a suspect is worth the iron while other evidence is still to be had."""
_DATA_JOINT = re.compile(r"\d[AB]d$", re.ASCII)
MOST_NAMED = 3
"""Suspects that the shelf names."""
DATA_FAULTS = ("data-open", "dead-node", "no-data-out", "reversed", "swapped", "colour-order")


@dataclass(frozen=True, slots=True)
class Advice:
    """The next thing to do."""

    task: Task
    says: str
    strand: int | None = None
    lit: LitSet | None = None
    probe: Probe | None = None
    suspect: Suspect | None = None
    check: Key | None = None
    colour: str | None = None
    nodes: tuple[NodeName, ...] = ()
    """Nodes to light, where it is not whole strands."""
    end: str = ""
    caution: str = ""
    again: int | None = None
    """Event of the reading that is taken again."""
    may_skip: bool = False
    """The user can answer that it cannot be taken; it is not asked for again."""


def next_step(state: State, finding: Finding | None) -> Advice:
    """The next thing to do.

    Args:
        state: where the session stands.
        finding: what the evidence says, of this state; None while that is being worked out.
    """
    if state.signed is not None:
        left = "; ".join(unfinished_items(state, finding or state.concluded))
        words = f"Still open: {left}." if left else "Nothing is left to do here."
        return Advice("done", f"Signed off by {state.signed.by}. {words}")
    design = state.design
    if due := checks.due_checks(design, state.checks, state.recheck, state.fresh):
        return check_advice(state, due[0])
    if state.first_light is None and state.fresh:
        return glow_advice()
    if state.untested:
        return look_advice(state, state.untested[0])
    if state.unmarked:
        number = state.unmarked[0]
        few = design.strand(number).nodes <= FEW_NODES
        return walk_advice(number) if few else search_advice(state, number)
    if look := colours.next_look(design, state.colours, state.apart, state.unlit):
        return colour_advice(design, *look)
    if finding is None:
        return Advice("think", "Working out what the evidence says.")
    return _on_evidence(state, finding)


def _on_evidence(state: State, finding: Finding) -> Advice:
    if (again := _retake(state, finding)) is not None:
        return again
    if (supply := _supply_again(state, finding)) is not None:
        return supply
    ask, top, guilt = finding.next, None, 0.0
    if guilty := suspected(finding):
        # an open and a resistive joint are one thing to the iron
        where, guilt = guilty[0]
        top = next(suspect for suspect in finding.suspects if suspect.where == where)
    # a break in the data line is mended first: strands behind it cannot be lit to measure
    is_due = ask.settled or (top is not None and top.fault in DATA_FAULTS and not ask.before_repair)
    if top is not None and guilt >= LIKELY and is_due:
        if (ohms := _ohms_first(state, top)) is not None:
            return ohms
        orders = colours.likely_orders(state.design.node, state.colours)[:2]
        likely = f" It is likely {' or '.join(orders)}." if orders else ""
        return Advice("repair", f"Repair: {top.repair}.{likely}", suspect=top)
    if not ask.settled and ask.lit is not None:
        return _reading_advice(state, ask)
    if top is not None and guilt > INNOCENT:
        if (ohms := _ohms_first(state, top)) is not None:
            return ohms
        return Advice("repair", f"Most likely: {top.repair}.", suspect=top)
    if state.failed:
        strand = state.failed[0]
        words = f"Strand {strand} failed and nothing explains it: repair it, then look again."
        return Advice("walk", words, strand=strand)
    if wrong := colours.wrong_strands(state.colours):
        return Advice("recolour", colours.remedy(state.design, state.colours), strand=wrong[0])
    if finding.fits_nothing:
        return Advice("sign-off", f"{unexplained_text(finding)} Sign off anyway?")
    if left := unfinished_items(state, finding):
        return Advice("sign-off", f"Still open: {'; '.join(left)}. Who signs it off all the same?")
    return Advice("sign-off", "Nothing is open. Who signs this unit off?")


def unexplained_text(finding: Finding) -> str:
    """Return that something is wrong which no fault explains, and what comes nearest."""
    near = " and ".join(str(one) for one in finding.nearest)
    return "Not sound, and no fault explains it" + (f"; nearest: {near}." if near else ".")


def _ohms_first(state: State, suspect: Suspect) -> Advice | None:
    """Measure the ohms between the rails, without power, before a bridge is looked for.

    They show a short whatever else is wrong. Once: what they showed before first light counts.
    """
    if suspect.fault != "short" or state.unshorted.get(suspect.where, 0):
        return None
    return check_advice(state, ("rails", suspect.where))


def _retake(state: State, finding: Finding) -> Advice | None:
    """Take a reading again that disagrees with all others: once, before anything is made of it."""
    for one in odd_readings(state, finding):
        if one.reading.volts is None or _is_answered(state, one):
            continue
        lit, probe = one.reading.lit, one.reading.probe
        words = reading_words(one)
        return Advice(
            "read",
            f"{words[0].upper()}{words[1:]}: take it again, with {lit.text(state.design)} lit.",
            lit=lit,
            probe=probe,
            again=one.seq,
            may_skip=True,
        )
    return None


def _is_answered(state: State, one: NumberedReading) -> bool:
    """Return True where a reading was taken again, or cannot be."""
    asked = (one.reading.lit, one.reading.probe)
    return asked in state.unreachable or _is_retaken(state, one)


def _supply_again(state: State, finding: Finding) -> Advice | None:
    """Measure a supply again under load where all rail volts are off alike: once."""
    doubt = supply_doubt(state, finding)
    if doubt is None or is_answered(state, doubt):
        return None
    shown = doubt.lit.text(state.design)
    return Advice(
        "check",
        f"{doubt.words}: measure the supply again under load, at its terminals, with {shown} lit.",
        lit=doubt.lit,
        probe=doubt.probe,
        check=("supply", doubt.feed),
        caution="Only the tips touch. Mains terminals nearby: cover them, one hand in the pocket.",
        may_skip=True,
    )


def _reading_advice(state: State, ask: NextReading) -> Advice:
    """Take the next reading; that before a repair can be skipped where leads do not reach."""
    assert ask.lit is not None
    words = f"olts at {ask.probe} with {ask.lit.text(state.design)} lit?"
    assert ask.probe is not None
    first = "is there power" if ask.probe.is_rail else "the joint itself"
    words = f"Before the iron, {first}: v{words}" if ask.before_repair else f"V{words}"
    return Advice("read", words, lit=ask.lit, probe=ask.probe, may_skip=ask.before_repair)


def check_advice(state: State, key: Key) -> Advice:
    """Make sure of one thing before power."""
    made = None if key in state.recheck else state.checks.get(key)
    words = checks.question(state.design, key, made)
    return Advice("check", words, check=key, caution=checks.CAUTIONS[key[0]])


def glow_advice() -> Advice:
    """Light everything for the first time."""
    return Advice(
        "glow",
        "First light, low: does every strand glow?",
        caution="Hand on the switch. Off at once at a smell, smoke or anything hot.",
    )


def look_advice(state: State, number: int) -> Advice:
    """Look at one strand."""
    again = " again" if state.repairs else ""
    return Advice("look", f"Does every node of strand {number} light{again}?", strand=number)


def walk_advice(number: int) -> Advice:
    """Walk a strand node by node."""
    return Advice("walk", f"Walk strand {number} to the node that fails.", strand=number)


def search_of(state: State, strand: int | None) -> Search:
    """The search of a strand, or of the whole prop, that is under way or begins."""
    search = state.search
    return begin(state.design, strand) if search is None or search.strand != strand else search


def search_advice(state: State, strand: int | None) -> Advice:
    """Find a node that fails by halves."""
    search = search_of(state, strand)
    nodes = search_nodes(state.design, strand)
    if search.lost:
        words = "Every part lit, so nothing fails that parts can show. Walk it, or look again."
        return Advice("walk", words, strand=strand or 1)
    if search.found:
        return caught_advice(state, nodes[search.low - 1])
    low, high = search.half
    part = tuple(nodes[low - 1 : high])
    ask = f"Do all of {part[0]} to {part[-1]} light?" if high > low else f"Does {part[0]} light?"
    words = f"{ask} Look {search.looks + 1}."
    return Advice("search", words, strand=strand, nodes=part)


def caught_advice(state: State, node: NodeName) -> Advice:
    """A node that fails is found; what is after it says whether data passes."""
    nodes = search_nodes(state.design, node.strand)
    after = tuple(nodes[nodes.index(node) + 1 :])
    if after:
        words = f"Node {node} fails. Do the nodes after it light?"
        return Advice("caught", words, strand=node.strand, nodes=(node, *after))
    words = f"Node {node}, the last of its strand, is lit alone. Does it light?"
    return Advice("caught", words, strand=node.strand, nodes=(node,))


def colour_advice(design: Design, colour: str, strands: Sequence[int]) -> Advice:
    """Look at one colour on some strands."""
    lit = LitSet(frozenset(strands), colour=colours.light_of(colour))
    if len(strands) == 1 < len(design.strands):
        words = f"Strand {strands[0]} {colour}: is all of it {colour}?"
        return Advice("colour", words, strand=strands[0], lit=lit, colour=colour)
    where = "Everything" if len(strands) == len(design.strands) else _strands_of(lit, design)
    words = f"{where} {colour}: is it {colour} everywhere, and no other colour?"
    return Advice("colour", words, lit=lit, colour=colour)


def _strands_of(lit: LitSet, design: Design) -> str:
    """Strands with their ranges: `Strands 1-8, 10`."""
    return f"Strands {', '.join(lit.text(design).split())}"


def wiggle_advice(end: str) -> Advice:
    """Move the joints of a strand end while all is lit."""
    words = f"Move the wires at {end}, tap its joints. Does the light stay steady?"
    return Advice(
        "wiggle", words, end=end, caution="A dry wooden stick, no metal, no bare fingers."
    )


def unfinished_items(state: State, finding: Finding | Concluded | None) -> list[str]:
    """What keeps the unit from being signed off with a good conscience; empty when nothing does."""
    items = []
    if state.untested:
        items.append(f"look at {name_strands(state.untested)}")
    if state.failed:
        items.append(f"{name_strands(state.failed)} failed")
    for mark in state.marks:
        if mark.seen != "ok" and state.verdicts.get(mark.strand):  # seen after the strand passed
            items.append(f"another look at strand {mark.strand}, marked {mark.seen}")
    items.extend(_left_by_steps(state))
    items.extend(_odd(state))
    if finding is None:
        items.append("readings")
    else:
        items.extend(_of_evidence(state, finding))
    return items


def _odd(state: State) -> list[str]:
    """Readings that the last finding set aside and nobody has taken again."""
    numbers = set() if state.concluded is None else set(state.concluded.set_aside)
    return [
        f"reading {one.number} ({one.reading.probe}) again"
        for one in state.taken
        if one.counts and one.number in numbers and not _is_retaken(state, one)
    ]


def _is_retaken(state: State, one: NumberedReading) -> bool:
    counted = [other.reading for other in state.taken if other.counts]
    place = next(n for n, reading in enumerate(counted) if reading is one.reading)
    return one.again is not None or is_retaken(counted, place)


def _of_evidence(state: State, finding: Finding | Concluded) -> list[str]:
    """What the evidence leaves open: readings to take, or what is suspected by those taken."""
    settled = finding.settled if isinstance(finding, Concluded) else finding.next.settled
    guilty = [(name, p) for name, p in suspected(finding) if p > INNOCENT]
    if not settled or not state.readings:
        names = _places([name for name, _ in guilty[:MOST_NAMED]])
        return [f"readings to clear {names}" if guilty else "readings that settle it"]
    return [f"repair of {_places([name])} ({min(p, 0.99):.0%})" for name, p in guilty[:MOST_NAMED]]


def _places(names: list[str]) -> str:
    """Suspects in words; both rails of one joint are one place.

    >>> _places(["4A-", "4.17", "4A+", "7B+", "5Ad", "2 3", "main"])
    'joint 4A, node 4.17, joint 7B+, joint 5Ad, strands 2 and 3, main'
    """
    places: dict[str, str] = {}
    for name in names:
        place = name[:-1] if name[-1:] in ("+", "-") else name
        places[place] = _in_words(name, place if place in places else name)
    return ", ".join(places.values())


def _in_words(name: str, shown: str) -> str:
    if name.replace(" ", "").isdigit():
        return f"strand{'s' if ' ' in shown else ''} {shown.replace(' ', ' and ')}"
    if "." in name:
        return f"node {shown}"
    joint = name[-1:] in ("+", "-") or _DATA_JOINT.search(name)
    return f"joint {shown}" if joint else shown  # a feed, or the prop's colour order


def _left_by_steps(state: State) -> list[str]:
    """What checks, colours, wiggling and soaking found and nobody has put right."""
    items = [
        f"{check} at feed {feed}" for (check, feed), made in state.checks.items()
        if made.passed is False
    ]  # fmt: skip
    if wrong := colours.wrong_strands(state.colours):
        items.append(f"colours of {name_strands(wrong)}")
    if loose := [end for end, steady in state.wiggled.items() if not steady]:
        verb = "flickers" if len(loose) == 1 else "flicker"
        items.append(f"{', '.join(loose[:3])} {verb} when moved")
    if state.soak is not None and state.soak.intermittent:
        items.append(f"{state.soak.intermittent} intermittent in the soak")
    return items


def waits_for(state: State, stage: Stage) -> list[str]:
    """What keeps a unit from going outdoors, by its last session."""
    items = unfinished_items(state, state.concluded)
    if stage in ("bare", "soldered"):
        items.append("sealing and a test after it")
    elif state.tested_earlier:
        items.append("a test since it came back" if stage == "back" else "a test after sealing")
    if state.signed is None:
        items.append("sign-off")
    return items


def shelf_line(tag: str, stage: Stage, waits: Sequence[str]) -> str:
    """A unit on the shelf, in one line.

    >>> shelf_line("WF-03", "sealed", ["readings to clear joint 4A", "sign-off"])
    'WF-03: sealed, waits for: readings to clear joint 4A, sign-off'
    >>> shelf_line("WF-04", "sealed", [])
    'WF-04: sealed, waits for nothing: may go outdoors'
    """
    if waits:
        return f"{tag}: {stage}, waits for: {', '.join(waits)}"
    return f"{tag}: {stage}, waits for nothing" + (
        "" if stage == "outdoors" else ": may go outdoors"
    )
