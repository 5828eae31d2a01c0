"""Earlier tests: a line about each session of a unit, and readings of a design's other units."""

from __future__ import annotations

from dataclasses import replace
from datetime import datetime

from benchtest.diagnosis import Engine, JointBand
from benchtest.diagnosis.batch import UnitReadings
from benchtest.errors import BenchError, InputError, NameFault, did_you_mean
from benchtest.evidence.meter import Meter
from benchtest.formatting import format_percent, list_counts
from benchtest.input_files import printable
from benchtest.prop.design import Design
from benchtest.prop.joints import power_joints
from benchtest.prop.reader import parse_design
from benchtest.records.models import SessionRow, Unit
from benchtest.records.report import HistoryLine, JointLine
from benchtest.records.shelf import Shelf
from benchtest.session.log.events import RepairDone, StageSet
from benchtest.session.log.evidence import find_accepted_readings, suspected
from benchtest.session.log.power_checks import measured_supplies, with_measured_supplies
from benchtest.session.log.state import State, fold
from benchtest.session.log.unit_target import VIRTUAL
from benchtest.session.session import Session, decode_events


def units_of(shelf: Shelf, design_name: str) -> list[Unit]:
    """Return the units of a design.

    Raises:
        NameFault: the bench has none.
    """
    units = [unit for unit in shelf.units() if unit.design_name == design_name]
    if not units:
        known = sorted({unit.design_name for unit in shelf.units()})
        words = f" (of {', '.join(known)})" if known else ""
        raise NameFault(
            f'design "{printable(design_name)}": this bench has no unit of it'
            f"{did_you_mean(design_name, known)}{words}"
        )
    return units


def last_unit_readings(shelf: Shelf, tag: str, design: Design) -> UnitReadings:
    """Return the readings of a unit's newest session that has any; else none.

    Args:
        shelf: the records.
        tag: the unit.
        design: design that the unit must have.

    Raises:
        NameFault: no unit has that tag.
        InputError: the unit has another design, or another wiring.
        FileFaults: the prop file of a session can no longer be read.
    """
    name = shelf.unit(tag).design_name
    if name != design.name:
        raise InputError(f"unit {tag}: is a {name}, not a {design.name}; name units of this design")
    for row in reversed(shelf.sessions(tag)):
        if (seen := _seen(shelf, row, design)) is not None:
            return seen
    return UnitReadings(tag, ())


def _seen(shelf: Shelf, row: SessionRow, design: Design) -> UnitReadings | None:
    own = parse_design(row.design_text, f"record of {row.tag}")
    if wiring_key(own) != wiring_key(design):
        raise InputError(
            f"unit {row.tag}: was wired differently on {row.started_at[:10]}; name units with the "
            "wiring of this prop file"
        )
    state = fold(decode_events(shelf.events(row.id)), own)
    if not state.readings:
        return None
    seen = unit_readings(row, state)
    # the common offset of a single supply is learned from the readings
    return seen if len(design.feeds) > 1 else replace(seen, supply_v={})


def unit_readings(row: SessionRow, state: State, engine: Engine | None = None) -> UnitReadings:
    """Return the readings of a session for a comparison or for learning.

    Readings that its own finding rejects are left out.

    Args:
        row: the session.
        state: its state.
        engine: engine of its design, with its supplies as they were measured; None for a new one.

    Raises:
        CircuitFault: the design's circuit has no solution.
    """
    meter = Meter.parse(row.meter)
    engine = engine or Engine(with_measured_supplies(state.design, state.checks))
    return UnitReadings(
        row.tag,
        find_accepted_readings(engine, state, meter),
        meter,
        repaired=[repair.where for repair in state.repairs],
        supply_v=measured_supplies(state.design, state.checks),
    )


def wiring_key(design: Design) -> tuple[object, ...]:
    """Return everything that two designs must share for their readings to be comparable."""
    nodes = [strand.nodes for strand in design.strands]
    return nodes, power_joints(design), [feed.at for feed in design.feeds], design.data_path


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
