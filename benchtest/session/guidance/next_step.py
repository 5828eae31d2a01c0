"""The next step for the user, from the state of a session and its finding."""

from __future__ import annotations

from collections.abc import Collection, Sequence
from dataclasses import dataclass, replace
from typing import Literal

from benchtest.diagnosis import Finding, NextReading, Suspect, next_reading_s
from benchtest.drive.universe_layout import universe_numbers
from benchtest.formatting import name_strands
from benchtest.pattern import has_picture
from benchtest.prop.design import Design, Lead, NodeName, Probe
from benchtest.prop.enough import EnoughRule
from benchtest.prop.lit_set import LitSet, format_ranges
from benchtest.prop.notation import CONTROLLER, describe_leads
from benchtest.session.guidance.pointing import unshown_places
from benchtest.session.guidance.release import (
    enough_text,
    is_enough,
    low_volts_items,
    unfinished_items,
)
from benchtest.session.guidance.supply_doubt import is_answered, supply_doubt
from benchtest.session.log import colour_checks, power_checks
from benchtest.session.log.controller_look import (
    ControllerLook,
    colour_orders,
    controller_looks,
)
from benchtest.session.log.events import CheckMade
from benchtest.session.log.evidence import MIN_SUSPECT_PROBABILITY, odd_readings, suspected
from benchtest.session.log.node_search import Search, begin_search, search_nodes
from benchtest.session.log.power_checks import CheckKey
from benchtest.session.log.reading_list import NumberedReading, describe_odd_reading, is_taken_again
from benchtest.session.log.state import State
from benchtest.wording import nearest_text, repair_text

Task = Literal[
    "check",
    "glow",
    "look",
    "parade",
    "downstream",
    "search",
    "caught",
    "walk",
    "picture",
    "controller",
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

MAX_WALKED_NODES = 8
"""Length of a strand that is walked node by node; a search by halves would be no quicker."""
MIN_SIGN_SD, MAX_SIGN_SHARE = 4.0, 0.3
"""A good unit's reading has a sign from so many standard deviations on; a reading is the opposite
one up to this share of it. Ours: node current differs by as much from make to make."""
MIN_REPAIR_PROBABILITY = 0.5
"""Probability of a suspect that is repaired while other evidence could still be taken."""
DATA_FAULTS = (
    "data-open", "dead-node", "no-data-out", "reversed", "swapped", "colour-order", "mapping",
)  # fmt: skip


@dataclass(frozen=True, slots=True)
class Advice:
    """The next step: a task, its text, and what it is about."""

    task: Task
    text: str
    """The question or instruction, in a sentence or two."""
    strand: int | None = None
    lit: LitSet | None = None
    probe: Probe | None = None
    suspect: Suspect | None = None
    check: CheckKey | None = None
    more_checks: tuple[CheckKey, ...] = ()
    """Checks that follow; one key passes all of them with this one."""
    colour: str | None = None
    looks: tuple[ControllerLook, ...] = ()
    """Things that the user may see, one of which a digit chooses."""
    nodes: tuple[NodeName, ...] = ()
    """Nodes to light, if not whole strands."""
    end: str = ""
    caution: str = ""
    replaces: int | None = None
    """Event of the reading that is taken again; None for none."""
    enough: str = ""
    """Record of a sign-off without this reading; empty if the reading is needed."""
    seconds: float | None = None
    """The person's seconds of a reading that is not needed. [s]"""
    may_skip: bool = False
    """True if the user can answer that it cannot be taken; it is not asked for again."""

    @property
    def choices(self) -> tuple[str, ...]:
        """Descriptions of the things that the user may see."""
        return tuple(look.text for look in self.looks)

    @property
    def due_checks(self) -> tuple[CheckKey, ...]:
        """The check that is asked for, and those that one key passes with it."""
        return () if self.check is None else (self.check, *self.more_checks)


def next_step(state: State, finding: Finding | None, rule: EnoughRule | None = None) -> Advice:
    """Return the next step.

    Args:
        state: state of the session.
        finding: finding of this state; None until it is known.
        rule: evidence from which a sign-off is offered; None for that of the prop file.
    """
    if state.signed is not None:
        items = unfinished_items(state, finding or state.concluded)
        left = "; ".join([*items, *low_volts_items(state)])
        more = f"Not done: {left}." if left else "Nothing more to do."
        return Advice("done", f"Signed off by {state.signed.by}. {more}")
    design = state.design
    if due := power_checks.due_checks(design, state.checks, state.recheck, state.fresh):
        return check_advice(state, *due)
    if state.first_light is None and state.fresh:
        return glow_advice()
    # a strand that did not glow is unlike any drawing
    picture = None if state.first_light is False else _picture_advice(state)
    if picture is not None and not state.verdicts:
        return picture
    if (controller := _controller_step(state, finding, rule)) is not None:
        return controller
    if state.dark_behind:
        return downstream_advice(state)
    if state.unmarked:  # before further looks: strands behind a dark node may not light at all
        number = state.unmarked[0]
        is_short = design.strand(number).nodes <= MAX_WALKED_NODES
        return walk_advice(number) if is_short else search_advice(state, number)
    if state.untested:
        return look_advice(state, state.untested[0])
    if (look := _colour_look(state)) is not None:
        return look
    if finding is None:
        return Advice("think", "Working out the finding.")
    return _step_after_finding(state, finding, rule)


def _controller_step(
    state: State, finding: Finding | None, rule: EnoughRule | None
) -> Advice | None:
    """Ask whether controller and prop file agree if the first look was not as it should be.

    After that look, name the setting to change before any strand is judged. None if there is
    nothing to ask, or nothing was found.
    """
    seen, design = state.controller, state.design
    if seen is None:
        # dark nodes begin at a universe's edge only where there are several
        is_dark = state.first_light is False and state.fresh and len(universe_numbers(design)) > 1
        return controller_advice(design) if state.picture is False or is_dark else None
    if not seen.settings or state.verdicts:
        return None
    if orders := colour_orders(seen.settings):
        text = (
            f"The nodes are {' or '.join(orders)}: set colour_order in the prop file, now "
            f"{design.node.colour_order}, and begin a new test."
        )
        return Advice("recolour", text)
    known = {where for look in controller_looks(design) for where in look.settings}
    if not known.issuperset(seen.settings):  # counted: no fault of the engine's list
        counted = Suspect(seen.settings[0], "mapping", 1.0)
        return Advice("recolour", _setting_text(counted, design), suspect=counted)
    if finding is None:
        return Advice("think", "Working out the finding.")
    top = next((one for one in finding.suspects if one.where in seen.settings), None)
    if top is None or top.probability < MIN_REPAIR_PROBABILITY:
        return None
    return Advice("repair", _setting_text(top, design), suspect=top)


def _setting_text(suspect: Suspect, design: Design) -> str:
    text = repair_text(suspect, design)
    return f"{text[:1].upper()}{text[1:]}."


def _picture_advice(state: State) -> Advice | None:
    """Ask for the picture of all strands whose colours are to be seen; None if it is of no use."""
    if state.picture is not None or state.apart or not has_picture(state.design):
        return None
    rows = {colour: state.colours.get(colour, {}) for colour in state.design.node.colours}
    left = colour_checks.unseen_strands(state.design, rows)
    return picture_advice(state.design, left) if left else None


def _colour_look(state: State) -> Advice | None:
    """Ask for the colours that were not seen yet: in one picture, or else one by one.

    They wait while a node is dark: its repair makes another look necessary anyway.
    """
    if (picture := _picture_advice(state)) is not None:
        return None if state.unlit else picture
    unlit = state.unlit | state.dark_behind
    look = colour_checks.next_look(state.design, state.colours, state.apart, unlit)
    return None if look is None else colour_advice(state.design, *look)


def _step_after_finding(state: State, finding: Finding, rule: EnoughRule | None) -> Advice:
    if (again := _exchanged_leads_advice(state, finding)) is not None:
        return again
    if (again := _odd_reading_advice(state, finding)) is not None:
        return again
    if (supply := _supply_advice(state, finding)) is not None:
        return supply
    ask, top, probability = finding.next, None, 0.0
    if suspects := suspected(finding):
        # an open and a resistive joint are repaired alike
        where, probability = suspects[0]
        top = next(suspect for suspect in finding.suspects if suspect.where == where)
    # a break in the data line is repaired first: strands behind it cannot be lit to measure, and no
    # voltage distinguishes its possible places
    is_data = top is not None and top.fault in DATA_FAULTS
    if is_data:
        of_data = (one.probability for one in finding.suspects if one.fault in DATA_FAULTS)
        probability = min(1.0, sum(of_data))
    is_due = ask.settled or (is_data and not ask.before_repair)
    if top is not None and probability >= MIN_REPAIR_PROBABILITY and is_due:
        if (ohms := _ohms_first(state, top)) is not None:
            return ohms
        orders = colour_checks.likely_orders(state.design.node, state.colours)[:2]
        likely = f" It is likely {' or '.join(orders)}." if orders else ""
        return Advice("repair", f"Repair: {repair_text(top, state.design)}.{likely}", suspect=top)
    if not ask.settled and ask.lit is not None:
        advice = _reading_advice(state, ask)
        if is_enough(state, finding, rule):
            seconds = next_reading_s(finding, state.design)
            advice = replace(advice, enough=enough_text(finding), seconds=seconds)
        return advice
    if top is not None and probability > MIN_SUSPECT_PROBABILITY:
        if (ohms := _ohms_first(state, top)) is not None:
            return ohms
        return Advice("repair", f"Most likely: {repair_text(top, state.design)}.", suspect=top)
    if state.failed:
        strand = state.failed[0]
        text = f"Strand {strand} failed and no fault explains it: repair it, then look again."
        return Advice("walk", text, strand=strand)
    if wrong := colour_checks.wrong_strands(state.colours):
        text = colour_checks.colour_remedy(state.design, state.colours)
        return Advice("recolour", text, strand=wrong[0])
    if finding.fits_nothing:
        return Advice("sign-off", f"{unexplained_text(finding)} Sign off anyway?")
    if left := [*unfinished_items(state, finding), *low_volts_items(state)]:
        return Advice("sign-off", f"Not done: {'; '.join(left)}. Sign off anyway?")
    return Advice("sign-off", "All tests done. Sign off as:")


def unexplained_text(finding: Finding) -> str:
    """Return that something is wrong which no fault explains, and what comes nearest."""
    near = nearest_text(finding)
    return "Not sound, and no fault explains it" + (f"; nearest: {near}." if near else ".")


def _ohms_first(state: State, suspect: Suspect) -> Advice | None:
    """Ask for the ohms between the rails, without power, before a bridge is searched for.

    They show a short even next to other faults. Once: a check from before first light counts.
    """
    if suspect.fault != "short" or state.unshorted.get(suspect.where, 0):
        return None
    return check_advice(state, ("rails", suspect.where))


def _exchanged_leads_advice(state: State, finding: Finding) -> Advice | None:
    """Ask for readings again whose signs are all opposite: the leads are exchanged at the meter.

    One such reading alone is a joint's, or a slip.
    """
    counted = [one for one in state.taken if one.counts]
    clear = [
        (one, row.expected)
        for one, row in zip(counted, finding.readings, strict=False)
        if one.reading.volts is not None and abs(row.expected) > MIN_SIGN_SD * row.sd
    ]
    opposite = [
        one
        for one, expected in clear
        if abs(one.reading.value + expected) < MAX_SIGN_SHARE * abs(expected)
    ]
    is_known = any(_was_opposite(state, one) for one in counted)
    if not opposite or not (is_known or 1 < len(opposite) == len(clear)):
        return None
    one = opposite[0]
    lit, probe = one.reading.lit, one.reading.probe
    numbers = format_ranges({each.number for each in opposite})
    which = f"Readings {numbers} have" if len(opposite) > 1 else f"Reading {numbers} has"
    text = (
        f"{which} the opposite sign: are the leads exchanged at the meter? Plug them in right. "
        f"{reading_text(state, lit, probe)} This is reading {one.number} again."
    )
    if _is_answered(state, one):
        return None
    return Advice("read", text, lit=lit, probe=probe, replaces=one.seq, may_skip=True)


def _was_opposite(state: State, one: NumberedReading) -> bool:
    """Return True if a reading replaced one of the opposite sign."""
    before = next((other for other in state.taken if other.seq == one.again), None)
    if before is None or before.reading.volts is None or one.reading.volts is None:
        return False
    off = abs(before.reading.value + one.reading.value)
    return off < MAX_SIGN_SHARE * abs(one.reading.value)


def _odd_reading_advice(state: State, finding: Finding) -> Advice | None:
    """Ask once for a reading again that disagrees with all others."""
    for one in odd_readings(state, finding):
        if one.reading.volts is None or _is_answered(state, one):
            continue
        lit, probe = one.reading.lit, one.reading.probe
        words = describe_odd_reading(one)
        # two slips are rare, and another unit on the bench makes every later reading odd
        same = " Is it still the same unit?" if len(odd_readings(state, finding)) > 1 else ""
        words = f"{words[0].upper()}{words[1:]}.{same}"
        return Advice(
            "read",
            f"{words} Take it again, with {lit.text(state.design)} lit.",
            lit=lit,
            probe=probe,
            replaces=one.seq,
            may_skip=True,
        )
    return None


def _is_answered(state: State, one: NumberedReading) -> bool:
    """Return True if a reading was taken again, or cannot be."""
    asked = (one.reading.lit, one.reading.probe)
    return asked in state.unreachable or is_taken_again(state.taken, one)


def _supply_advice(state: State, finding: Finding) -> Advice | None:
    """Ask once for the supply volts under load if all rail volts are off alike."""
    doubt = supply_doubt(state, finding)
    if doubt is None or is_answered(state, doubt):
        return None
    shown = doubt.lit.text(state.design)
    which = "the supply" if len(state.design.feeds) == 1 else f"the supply of feed {doubt.feed}"
    return Advice(
        "check",
        f"{doubt.words}: measure {which} again under load, at its terminals, with {shown} lit.",
        lit=doubt.lit,
        probe=doubt.probe,
        check=("supply", doubt.feed),
        caution="Touch with the tips only. Cover mains terminals nearby; one hand in the pocket.",
        may_skip=True,
    )


def reading_text(state: State, lit: LitSet, probe: Probe, left: Collection[Lead] = ()) -> str:
    """Return where the leads of a reading go, and what is lit.

    Args:
        state: state of the session.
        lit: strands lit.
        probe: where the leads go.
        left: leads that stay there for the next readings.
    """
    counted = [one.reading.probe for one in state.taken if one.counts]
    leads = describe_leads(probe, counted[-1] if counted else None, left)
    return f"{leads}. {lit_words(lit, state.design)} lit."


def lit_words(lit: LitSet, design: Design) -> str:
    """Return a lit set as the subject of a sentence: `No strand`, `Strands 1 3-5`."""
    if not lit.strands:
        return "No strand"
    if len(lit.strands) == len(design.strands) and lit.level >= 1.0:
        return "All strands" if len(design.strands) > 1 else "The strand"
    plural = "" if len(lit.strands) == 1 else "s"
    return f"Strand{plural} {lit.text(design)}"


def _reading_advice(state: State, ask: NextReading) -> Advice:
    """Ask for the next reading; the one before a repair can be skipped."""
    assert ask.lit is not None
    assert ask.probe is not None
    text = reading_text(state, ask.lit, ask.probe, ask.left)
    if ask.before_repair:
        first = "is there power?" if ask.probe.is_rail else "the joint itself."
        text = f"Before the repair, {first} {text}"
    text = f"{text} {unshown_places(ask.probe)}".rstrip()
    return Advice("read", text, lit=ask.lit, probe=ask.probe, may_skip=ask.before_repair)


def sign_off_advice(enough: str) -> Advice:
    """Ask for a sign-off in place of further readings."""
    return Advice("sign-off", f"Enough: {enough}. Sign off as:")


def check_advice(state: State, key: CheckKey, *following: CheckKey) -> Advice:
    """Ask for one check before power.

    Args:
        state: state of the session.
        key: the check.
        following: further checks that are due. They can be passed together with this one unless
            one of them failed, when its remedy has to be read.
    """
    failed = {one for one in (key, *following) if _failed_check(state, one) is not None}
    text = power_checks.check_question(state.design, key, _failed_check(state, key))
    caution = power_checks.CAUTIONS[key[0]]
    return Advice(
        "check", text, check=key, caution=caution, more_checks=() if failed else following
    )


def _failed_check(state: State, key: CheckKey) -> CheckMade | None:
    """Return a failed check that is still valid; None without one."""
    made = None if key in state.recheck else state.checks.get(key)
    return None if made is None or made.passed is not False else made


def glow_advice() -> Advice:
    """Ask for the first light of the whole prop."""
    return Advice(
        "glow",
        "First light, low: does every strand glow?",
        caution="Hand on the switch. Off at once at a smell, smoke or anything hot.",
    )


def look_advice(state: State, number: int) -> Advice:
    """Ask for a look at one strand."""
    soldered = [one for one in state.repairs if not one.where.startswith(CONTROLLER)]
    again = " again" if soldered else ""
    return Advice("look", f"Does every node of strand {number} light{again}?", strand=number)


def downstream_advice(state: State) -> Advice:
    """Ask in one look about the strands behind a dark one."""
    lit = LitSet(state.dark_behind)
    behind = name_strands(sorted(state.dark_behind), most=4)
    verb = "Is" if len(state.dark_behind) == 1 else "Are"
    text = f"{verb} {behind}, behind it in the data, dark too?"
    return Advice("downstream", text, lit=lit)


def walk_advice(number: int) -> Advice:
    """Ask for a walk along a strand, node by node."""
    return Advice("walk", f"Walk strand {number} to the node that fails.", strand=number)


def search_of(state: State, strand: int | None) -> Search:
    """Return the search of a strand, or of the whole prop, that is in progress or begins."""
    search = state.search
    if search is None or search.strand != strand:
        return begin_search(state.design, strand)
    return search


def search_advice(state: State, strand: int | None) -> Advice:
    """Ask for the next look of a search by halves."""
    search = search_of(state, strand)
    nodes = search_nodes(state.design, strand)
    if search.lost:
        text = "Every part was lit, so the search found no fault. Walk the strand, or look again."
        return Advice("walk", text, strand=strand or 1)
    if search.found:
        return caught_advice(state, nodes[search.low - 1])
    low, high = search.half
    part = tuple(nodes[low - 1 : high])
    ask = f"Do all of {part[0]} to {part[-1]} light?" if high > low else f"Does {part[0]} light?"
    return Advice("search", f"{ask} Look {search.looks + 1}.", strand=strand, nodes=part)


def caught_advice(state: State, node: NodeName) -> Advice:
    """Ask for a look after a node that fails: the nodes after it show whether data passes."""
    nodes = search_nodes(state.design, node.strand)
    after = tuple(nodes[nodes.index(node) + 1 :])
    if after:
        text = f"Node {node} fails. Do the nodes after it light?"
        return Advice("caught", text, strand=node.strand, nodes=(node, *after))
    text = f"Node {node}, the last of its strand, is lit alone. Does it light?"
    return Advice("caught", text, strand=node.strand, nodes=(node,))


def picture_advice(design: Design, strands: Sequence[int]) -> Advice:
    """Ask whether some strands are as drawn while they show every colour in turns."""
    lit = LitSet(frozenset(strands))
    colours = ", ".join(design.node.colours)
    if len(strands) == 1:
        text = f"Strand {strands[0]} in turns {colours}, its tip one ahead where data enters?"
        return Advice("picture", text, strand=strands[0], lit=lit)
    text = (
        f"As drawn? Each strand in turns {colours}, never as its neighbours; "
        "its tip, one colour ahead, where data enters."
    )
    return Advice("picture", text, lit=lit)


def controller_advice(design: Design, looks: tuple[ControllerLook, ...] = ()) -> Advice | None:
    """Ask which of some looks the prop has while its nodes have two colours in turn.

    Args:
        design: the prop.
        looks: the looks; empty for those of all settings of the controller.
    """
    if not (looks := looks or controller_looks(design)):
        return None
    text = "First node white: along the data, what do the nodes show in turn?"
    lit = LitSet(frozenset(strand.number for strand in design.strands))
    return Advice("controller", text, lit=lit, looks=looks)


def colour_advice(design: Design, colour: str, strands: Sequence[int]) -> Advice:
    """Ask for a look at one colour on some strands."""
    lit = LitSet(frozenset(strands), colour=colour_checks.colour_of_channel(colour))
    if len(strands) == 1 < len(design.strands):
        text = f"Strand {strands[0]} {colour}: is all of it {colour}?"
        return Advice("colour", text, strand=strands[0], lit=lit, colour=colour)
    where = "Everything" if len(strands) == len(design.strands) else _strands_of(lit, design)
    text = f"{where} {colour}: is it {colour} everywhere, and no other colour?"
    return Advice("colour", text, lit=lit, colour=colour)


def _strands_of(lit: LitSet, design: Design) -> str:
    """Return strands in ranges: `Strands 1-8, 10`."""
    return f"Strands {', '.join(lit.text(design).split())}"


def wiggle_advice(end: str) -> Advice:
    """Ask to move the joints of a strand end while all is lit."""
    text = f"Move the wires at {end}, tap its joints. Does the light stay steady?"
    return Advice("wiggle", text, end=end, caution="A dry wooden stick, no metal, no bare fingers.")
