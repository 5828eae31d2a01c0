"""What a unit's earlier sessions say, and which of its joints have changed since."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import datetime

from benchtest.diagnosis import Finding, JointBand
from benchtest.errors import BenchError
from benchtest.records.report import ChangeLine, HistoryLine, JointLine
from benchtest.records.words import percent, sums
from benchtest.session.events import RepairDone, StageSet
from benchtest.session.guidance import suspected
from benchtest.session.live import TESTS, Session
from benchtest.session.state import State

MOST_LINES = 8


def local_time(stamp: str) -> str:
    """A record's time as people at the bench read it."""
    try:
        return datetime.fromisoformat(stamp).astimezone().strftime("%Y-%m-%d %H:%M")
    except ValueError:
        return stamp


def joint_line(band: JointBand) -> JointLine:
    """A joint as the report shows it."""
    ohms = None if band.ohms is None else (band.ohms.low, band.ohms.best, band.ohms.high)
    likely_open = band.open > band.probability / 2
    return JointLine(band.name, band.probability, likely_open, ohms, band.cleared_ohm)


def history_lines(session: Session) -> list[HistoryLine]:
    """Sessions of the unit, latest first; those whose record can no longer be read are left out."""
    lines = []
    stage = "bare"
    for row in session.shelf.sessions(session.tag):
        try:
            past = session if row.id == session.row.id else Session.resume(session.shelf, row.id)
        except BenchError:
            continue
        counted = {h.seq for h in past.state.undoable}
        for happened in past.happened:
            if isinstance(happened.what, StageSet) and happened.seq in counted:
                stage = happened.what.stage
        lines.append(_line(past, stage))
    return lines[::-1][:MOST_LINES]


def _line(past: Session, stage: str) -> HistoryLine:
    state = past.state
    repairs = sum(isinstance(h.what, RepairDone) for h in state.undoable)
    did = sums(
        {
            "passed": sum(state.verdicts.values()),
            "failed": len(state.failed),
            "readings": len(state.readings) + len(state.stale),
            "repairs": repairs,
        }
    )
    signed = state.signed.by if state.signed else ""
    return HistoryLine(
        local_time(past.row.started_at), stage, did, found_words(state), signed, past.row.id
    )


def found_words(state: State) -> str:
    """What was concluded of a session, in a few words; empty where nothing was."""
    said = state.concluded
    if said is None:
        return ""
    if said.healthy > 0.5:
        cleared = said.cleared_ohm
        more = "" if cleared is None else f", no joint above {cleared * 1e3:.0f} mΩ"
        return f"nothing wrong, {percent(said.healthy)}{more}"
    return ", ".join(f"{where} {percent(p)}" for where, p in suspected(said)[:2])


def test_before(session: Session) -> Session | None:
    """The unit's test before this one, if it is of the same joints."""
    rows = session.shelf.sessions(session.tag)
    place = next(at for at, row in enumerate(rows) if row.id == session.row.id)
    for row in reversed(rows[:place]):
        try:
            past = Session.resume(session.shelf, row.id)
        except BenchError:
            continue
        if any(isinstance(h.what, TESTS) for h in past.state.undoable):
            if row.design_text == session.row.design_text:
                past.engine = session.engine  # its circuits are factored already
            return past
    return None


def changes(before: Finding, now: Finding) -> list[ChangeLine]:
    """Joints that differ between two tests of a unit by more than the doubt of both.

    A joint that is suspected in one test and cleared, in the other, below the band it had there
    has changed; so has one whose bands in both lie apart.
    """
    old = {band.name: joint_line(band) for band in before.joints}
    lines = []
    for band in now.joints:
        was, here = old.get(band.name), joint_line(band)
        if was is not None and (change := _change(was, here)):
            lines.append(ChangeLine(band.name, was.words, here.words, change))
    return lines


def _change(was: JointLine, here: JointLine) -> str:
    low, high = _range(was)
    low_now, high_now = _range(here)
    if high is not None and low_now > high:
        return "has risen"
    return "has fallen" if high_now is not None and high_now < low else ""


def _range(joint: JointLine) -> tuple[float, float | None]:
    """Between which resistances a joint is; no upper limit where nothing sets one. [Ω]"""
    if not joint.loud:
        return 0.0, joint.cleared_ohm
    if joint.likely_open or joint.ohms is None:
        return 30.0, None
    return joint.ohms[0], joint.ohms[2]


def changed_since(session: Session, found: Finding) -> tuple[str, Sequence[ChangeLine]]:
    """When the unit was tested before, and what has changed since; empty where it never was."""
    past = test_before(session)
    if past is None:
        return "", ()
    return local_time(past.row.started_at), changes(past.diagnose(), found)
