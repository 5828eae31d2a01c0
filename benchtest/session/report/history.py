"""History of a unit: one line about each session."""

from __future__ import annotations

from datetime import datetime

from benchtest.diagnosis import JointBand
from benchtest.errors import BenchError
from benchtest.formatting import format_percent, list_counts
from benchtest.records.report import HistoryLine, JointLine
from benchtest.session.log.events import RepairDone, StageSet
from benchtest.session.log.state import State
from benchtest.session.log.suspects import suspected
from benchtest.session.log.unit_target import VIRTUAL
from benchtest.session.session import Session

MAX_HISTORY_LINES = 8


def local_time(stamp: str) -> str:
    """Return a time on record as local time."""
    try:
        return datetime.fromisoformat(stamp).astimezone().strftime("%Y-%m-%d %H:%M")
    except ValueError:
        return stamp


def joint_line(band: JointBand) -> JointLine:
    """Return a joint as a line of the report."""
    ohms = None if band.ohms is None else (band.ohms.low, band.ohms.best, band.ohms.high)
    likely_open = band.open > band.probability / 2
    return JointLine(band.name, band.probability, likely_open, ohms, band.cleared_ohm)


def history_lines(session: Session) -> list[HistoryLine]:
    """Return the sessions of the unit, the latest first, without records that cannot be read."""
    lines = []
    stage = "bare"
    for row in session.shelf.sessions(session.tag):
        try:
            past = session if row.id == session.row.id else Session.resume(session.shelf, row.id)
        except BenchError:
            continue
        counted = {h.seq for h in past.state.undoable}
        for happened in past.events:
            if isinstance(happened.what, StageSet) and happened.seq in counted:
                stage = happened.what.stage
        lines.append(_line(past, stage))
    return lines[::-1][:MAX_HISTORY_LINES]


def _line(past: Session, stage: str) -> HistoryLine:
    state = past.state
    repairs = sum(isinstance(h.what, RepairDone) for h in state.undoable)
    did = list_counts(
        {"passed": sum(state.verdicts.values()), "failed": len(state.failed)},
        {"reading": len(state.readings) + len(state.stale), "repair": repairs},
    )
    if any(happened.target == VIRTUAL for happened in past.events):
        did += "; virtual prop"
    signed = state.signed.by if state.signed else ""
    return HistoryLine(
        local_time(past.row.started_at), stage, did, describe_conclusion(state), signed, past.row.id
    )


def describe_conclusion(state: State) -> str:
    """Return the finding on record in a few words; empty without one."""
    finding = state.concluded
    if finding is None:
        return ""
    if finding.healthy > 0.5:
        cleared = finding.cleared_ohm
        more = "" if cleared is None else f", no joint above {cleared * 1e3:.0f} mΩ"
        return f"nothing wrong, {format_percent(finding.healthy)}{more}"
    return ", ".join(f"{where} {format_percent(p)}" for where, p in suspected(finding)[:2])
