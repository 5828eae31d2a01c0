"""Release of a unit: early sign-off, and unfinished work that keeps it from sign-off or indoors."""

from __future__ import annotations

from collections.abc import Sequence

from benchtest.diagnosis import Finding
from benchtest.errors import NameFault
from benchtest.formatting import format_ohms, name_strands
from benchtest.prop.design import Design
from benchtest.prop.enough import EnoughRule
from benchtest.prop.notation import name_locations, parse_location
from benchtest.records.models import Stage
from benchtest.session.guidance.supply_doubt import describe_low_volts
from benchtest.session.log import colour_checks
from benchtest.session.log.events import Concluded
from benchtest.session.log.evidence import MIN_SUSPECT_PROBABILITY, suspected
from benchtest.session.log.reading_list import is_taken_again
from benchtest.session.log.state import State

MIN_LOADED_SHARE = 0.5
"""Share of the strands that are lit white where a reading between the rails counts as loaded."""


def is_enough(state: State, finding: Finding | Concluded, rule: EnoughRule | None = None) -> bool:
    """Return True if a sign-off may replace further readings.

    The unit is likely sound, the evidence excludes large resistances at every joint, and the volts
    between the rails were read under load.

    Args:
        state: state of the session.
        finding: finding of this state, new or on record.
        rule: evidence that is wanted; None for that of the prop file.
    """
    rule = rule or state.design.enough
    if isinstance(finding, Finding) and not (finding.explained and finding.strange is None):
        return False
    return (
        finding.healthy >= rule.probability
        and finding.cleared_ohm is not None
        and finding.cleared_ohm <= rule.ohm
        and _is_read_under_load(state)
    )


def enough_text(finding: Finding) -> str:
    """Return what the record will show of a unit that is signed off now.

    >>> enough_text(Finding(0.974, (), (), None, (), 0.2124))
    'no joint above 210 mΩ, 97 %'
    """
    assert finding.cleared_ohm is not None
    percent = min(99, int(100 * finding.healthy))
    return f"no joint above {format_ohms(finding.cleared_ohm)}, {percent} %"


def _is_read_under_load(state: State) -> bool:
    least = MIN_LOADED_SHARE * len(state.design.strands)
    return any(
        reading.probe.is_rail
        and len(reading.lit.strands) >= least
        and (reading.lit.colour, reading.lit.level) == ("white", 1.0)
        for reading in state.readings
    )


MAX_NAMED_SUSPECTS = 3
"""Number of suspects that the shelf names."""


def unfinished_items(state: State, finding: Finding | Concluded | None) -> list[str]:
    """Return the work left before a sign-off; empty if all is done.

    Args:
        state: state of the session.
        finding: finding of this state, new or on record; None without one.
    """
    items = []
    if state.untested:
        items.append(f"look at {name_strands(state.untested)}")
    if state.failed:
        items.append(f"{name_strands(state.failed)} failed")
    for mark in state.marks:
        if mark.seen != "ok" and state.verdicts.get(mark.strand):  # seen after the strand passed
            items.append(f"another look at strand {mark.strand}, marked {mark.seen}")
    items.extend(_unrepaired(state))
    items.extend(_odd_readings(state))
    if finding is None:
        items.append("readings")
    else:
        items.extend(_of_evidence(state, finding))
    return items


def _odd_readings(state: State) -> list[str]:
    """Return the readings that the last finding rejected and that were not taken again."""
    numbers = set() if state.concluded is None else set(state.concluded.set_aside)
    return [
        f"reading {one.number} ({one.reading.probe}) again"
        for one in state.taken
        if one.counts and one.number in numbers and not is_taken_again(state.taken, one)
    ]


def _of_evidence(state: State, finding: Finding | Concluded) -> list[str]:
    """Return the readings left to take or, once they decide, the suspects left to repair."""
    settled = finding.settled if isinstance(finding, Concluded) else finding.next.settled
    guilty = [(name, p) for name, p in suspected(finding) if p > MIN_SUSPECT_PROBABILITY]
    if not (settled or is_enough(state, finding)) or not state.readings:
        names = _places([name for name, _ in guilty[:MAX_NAMED_SUSPECTS]], state.design)
        return [f"readings to clear {names}" if guilty else "readings that settle it"]
    return [
        f"repair of {_places([name], state.design)} ({min(p, 0.99):.0%})"
        for name, p in guilty[:MAX_NAMED_SUSPECTS]
    ]


def _places(names: list[str], design: Design) -> str:
    """Return suspects in words; both rails of one joint are one place."""
    known, unknown = [], []
    for name in names:
        try:
            known.append(parse_location(name, design))
        except NameFault:  # in a record from elsewhere
            unknown.append(name)
    return ", ".join([*name_locations(known), *unknown])


def _unrepaired(state: State) -> list[str]:
    """Return the faults that checks, colours, wiggling and soaking found and that remain."""
    items = [
        f"{check} at feed {feed}" for (check, feed), made in state.checks.items()
        if made.passed is False
    ]  # fmt: skip
    if wrong := colour_checks.wrong_strands(state.colours):
        items.append(f"colours of {name_strands(wrong)}")
    if loose := [end for end, steady in state.wiggled.items() if not steady]:
        verb = "flickers" if len(loose) == 1 else "flicker"
        items.append(f"{', '.join(loose[:3])} {verb} when moved")
    if state.soak is not None and state.soak.intermittent:
        items.append(f"{state.soak.intermittent} intermittent in the soak")
    return items


def low_volts_items(state: State) -> list[str]:
    """Return the volts that a unit lacks by its finding on record; empty if it lacks none."""
    known = state.concluded
    words = describe_low_volts(state.design, None if known is None else known.lowest_v)
    return [f"volts: {words}"] if words else []


def release_blockers(state: State, stage: Stage) -> list[str]:
    """Return everything that keeps a unit indoors, by its last session; empty if it may go out."""
    items = [*unfinished_items(state, state.concluded), *low_volts_items(state)]
    if stage in ("bare", "soldered"):
        items.append("seal it, then retest")
    elif state.tested_earlier:
        items.append("a test since it came back" if stage == "back" else "a test after sealing")
    if state.signed is None:
        items.append("sign-off")
    return items


def shelf_line(tag: str, stage: Stage, waits: Sequence[str]) -> str:
    """Return a unit of the shelf in one line.

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
