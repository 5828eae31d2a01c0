"""Content of a session's report and of a unit's label."""

from __future__ import annotations

import hashlib

from benchtest import __version__
from benchtest.diagnosis import Finding, judged_healthy
from benchtest.errors import InputError
from benchtest.records.label import LabelContent
from benchtest.records.models import Stage
from benchtest.records.report import (
    ComparisonSection,
    ReadingLine,
    ReportContent,
    StrandLine,
    SuspectLine,
)
from benchtest.records.shelf import Shelf
from benchtest.session.guidance.release import low_volts_items, release_blockers, unfinished_items
from benchtest.session.guidance.steps import step_results
from benchtest.session.guidance.supply_doubt import describe_low_volts
from benchtest.session.log.events import RepairDone, SignedOff
from benchtest.session.log.evidence import MIN_SUSPECT_PROBABILITY, accepted_readings, odd_readings
from benchtest.session.log.reading_list import WHY_GONE, counted_numbers
from benchtest.session.log.shelf_changes import why_retired
from benchtest.session.log.state import State
from benchtest.session.log.unit_target import VIRTUAL
from benchtest.session.report.strand_profile import lowest_read_v, strand_plot
from benchtest.session.report.unit_history import history_lines, joint_line, local_time
from benchtest.session.session import Session, last_test
from benchtest.wording import fault_repair_text


def report_content(
    session: Session,
    finding: Finding | None = None,
    comparison: ComparisonSection | None = None,
) -> ReportContent:
    """Return everything on the report.

    Args:
        session: the session.
        finding: its finding; None to diagnose it.
        comparison: joints compared with the unit's earlier tests; None without any.
    """
    state = session.state
    found = finding or session.diagnose()
    unit = session.shelf.unit(session.tag)
    stage = unit.stage
    last = last_test(session.shelf, session.tag)
    # a later session may have moved the unit to another stage without a test
    here = last[1] if last is not None and last[0].id == session.row.id else state
    waits = release_blockers(here, stage)
    passed = state.signed is not None and not unfinished_items(state, found)
    signed = state.signed
    cleared = found.cleared_ohm if found.healthy > 0.5 else None
    plot = strand_plot(session, found)
    low = describe_low_volts(session.design, lowest_read_v(plot))
    if low and (item := f"volts: {low}") not in waits:
        waits = [*waits, item]
    return ReportContent(
        tag=unit.tag,
        design=session.design,
        stage=stage,
        started_at=local_time(session.row.started_at),
        ended_at=local_time(session.events[-1].at) if session.events else "",
        meter=str(session.meter),
        record=session.row.id,
        prop_file=hashlib.sha256(session.row.design_text.encode()).hexdigest()[:12],
        program=f"benchtest {__version__}",
        verdict=_verdict(state, passed, waits, low),
        good=passed and not low,
        waits_for=waits,
        strands=_strands(state),
        marks=state.marks,
        joints=[joint_line(band) for band in found.joints],
        plot=plot,
        readings=_readings(session, found),
        suspects=_suspects(session, found),
        healthy=found.healthy if state.readings or state.verdicts else None,
        cleared_mohm=None if cleared is None else cleared * 1e3,
        repairs=_repairs(session),
        history=history_lines(session),
        comparison=comparison,
        steps=step_results(state),
        notes=state.notes,
        signed_by=signed.by if signed else None,
        signed_at=_signed_at(session),
        comment=signed.comment if signed else "",
        left_out=session.left_out,
        was=unit.was,
        retired=why_retired(session.shelf, unit.tag) if unit.retired else None,
        driven=describe_targets(session),
        others=describe_others(session),
        virtual=any(happened.target == VIRTUAL for happened in session.events),
    )


def describe_targets(session: Session) -> str:
    """Return the targets of a session in words; empty if the record has none."""
    targets = list(dict.fromkeys(h.target for h in session.events if h.target is not None))
    if VIRTUAL not in targets:
        return ", ".join(targets)
    real = [target for target in targets if target != VIRTUAL]
    if real:
        return f"partly a virtual prop, partly {', '.join(real)}"
    return "a virtual prop"


def describe_others(session: Session) -> str:
    """Return the other sources heard while evidence was taken, and what does not count then.

    Empty if none was heard.
    """
    heard = [one for one in session.events if one.others]
    if not heard:
        return ""
    named = "; ".join(dict.fromkeys(str(source) for one in heard for source in one.others))
    gone = sum(one.is_disturbed for one in heard)
    if not gone:
        return f"{named}. All looks and readings count: no priority reaches that of the test."
    return f"{named}. Looks and readings that do not count, taken meanwhile: {gone}."


def label_content(shelf: Shelf, tag: str) -> LabelContent:
    """Return the content of a unit's label, from its last test and the finding on record.

    Raises:
        InputError: the unit has not been tested.
        NameFault: no unit has that tag.
    """
    unit = shelf.unit(tag)
    tested = last_test(shelf, tag)
    if tested is None or not tested[1].undoable:
        raise InputError(f"unit {tag}: has not been tested yet, so there is nothing to label")
    row, state = tested
    passed, words = verdict_of(state, unit.stage)
    when = local_time(state.undoable[-1].at)[:10]
    return LabelContent(tag, unit.design_name, unit.stage, when, words, passed, row.id)


def verdict_of(state: State, stage: Stage) -> tuple[bool, str]:
    """Return True for a unit that has passed, and the verdict, from the finding on record."""
    passed = state.signed is not None and not unfinished_items(state, state.concluded)
    low = "; ".join(low_volts_items(state))
    return passed and not low, _verdict(state, passed, release_blockers(state, stage), low)


def _verdict(state: State, passed: bool, waits: list[str], low: str = "") -> str:
    if state.signed is None:
        return "Not yet"
    if not passed:
        return "Signed off with work left"
    if low:
        return "Signed off with low volts"
    return "Passed on the bench" if waits else "May go outdoors"


def _strands(state: State) -> list[StrandLine]:
    lines = []
    for strand in state.design.strands:
        passed = state.verdicts.get(strand.number)
        verdict = "not looked at" if passed is None else "passed" if passed else "failed"
        marks = [
            f"{mark.nodes} {mark.seen}"
            for mark in state.marks
            if mark.strand == strand.number and mark.seen != "ok"
        ]
        lines.append(StrandLine(strand.number, strand.nodes, verdict, ", ".join(marks)))
    return lines


def _readings(session: Session, found: Finding) -> list[ReadingLine]:
    """Return every reading with its number, and the reason that it does not count."""
    state = session.state
    gone = [one for one in state.taken if not one.counts]
    judged = judged_healthy(session.engine, [one.reading for one in gone], session.meter)
    rows = dict(zip((one.number for one in gone), judged, strict=True))
    rows |= zip(counted_numbers(state.taken), found.readings, strict=False)
    odd = {one.number for one in odd_readings(state, found)}
    kept = accepted_readings(state, found)
    lines = []
    for one in state.taken:
        if (row := rows.get(one.number)) is None:
            continue
        reading = row.reading
        lit, probe = reading.lit.text(session.design), str(reading.probe)
        lines.append(
            ReadingLine(
                lit, probe, reading.value, reading.unit, row.expected, row.sd, row.z,
                not any(one.reading is other for other in kept), one.number,
                "disagrees with all others" if one.number in odd else WHY_GONE[one.standing],
            )
        )  # fmt: skip
    return lines


def _suspects(session: Session, found: Finding) -> list[SuspectLine]:
    return [
        SuspectLine(
            s.where,
            s.fault,
            s.probability,
            None if s.ohms is None else s.ohms.best,
            fault_repair_text(session.design, s.where, s.fault),
        )
        for s in found.suspects
        if s.probability > MIN_SUSPECT_PROBABILITY
    ]


def _repairs(session: Session) -> list[tuple[str, str, str]]:
    counted = {happened.seq for happened in session.state.undoable}
    return [
        (local_time(h.at), h.what.where, h.what.what)
        for h in session.events
        if isinstance(h.what, RepairDone) and h.seq in counted
    ]


def _signed_at(session: Session) -> str | None:
    if session.state.signed is None:
        return None
    signed = [h for h in session.state.undoable if isinstance(h.what, SignedOff)]
    return local_time(signed[-1].at)
