"""What a bench has measured on other units of a design, for the next one to learn from."""

from __future__ import annotations

from dataclasses import replace

from benchtest.diagnosis import Engine
from benchtest.diagnosis.batch.model import SeenUnit
from benchtest.errors import InputError, NameFault, did_you_mean
from benchtest.evidence.meter import Meter
from benchtest.input_files import printable
from benchtest.prop.design import Design
from benchtest.prop.joints import power_joints
from benchtest.prop.reader import parse_design
from benchtest.records.models import SessionRow, Unit
from benchtest.records.shelf import Shelf
from benchtest.session.log.evidence import standing_readings
from benchtest.session.log.measured_supplies import measured_supplies, with_measured_supplies
from benchtest.session.log.state import State, fold
from benchtest.session.session import decode_events


def units_of(shelf: Shelf, design_name: str) -> list[Unit]:
    """Units of a design.

    Raises:
        NameFault: there are none.
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


def seen_unit(shelf: Shelf, tag: str, design: Design) -> SeenUnit:
    """A unit's newest session with readings that still hold; without readings where none has.

    Args:
        shelf: the bench's records.
        tag: the unit.
        design: what it must have been built to.

    Raises:
        NameFault: no unit has that tag.
        InputError: it was built to another design, or to another wiring of this one.
        FileFaults: the prop file that a session keeps can no longer be read.
    """
    name = shelf.unit(tag).design_name
    if name != design.name:
        raise InputError(f"unit {tag}: is a {name}, not a {design.name}; name units of this design")
    for row in reversed(shelf.sessions(tag)):
        if (seen := _seen(shelf, row, design)) is not None:
            return seen
    return SeenUnit(tag, ())


def _seen(shelf: Shelf, row: SessionRow, design: Design) -> SeenUnit | None:
    own = parse_design(row.design_text, f"record of {row.tag}")
    if wiring(own) != wiring(design):
        raise InputError(
            f"unit {row.tag}: was wired otherwise on {row.started_at[:10]} than this prop file "
            "says; name units of the same wiring"
        )
    state = fold(decode_events(shelf.events(row.id)), own)
    if not state.readings:
        return None
    seen = unit_readings(row, state)
    # what units have in common of a lone supply is learned from their readings
    return seen if len(design.feeds) > 1 else replace(seen, supply_v={})


def unit_readings(row: SessionRow, state: State, engine: Engine | None = None) -> SeenUnit:
    """Return what a session has for others to be compared with, or to learn from.

    Without the readings that its own finding sets aside.

    Args:
        row: the session.
        state: of it.
        engine: of its design, with its supplies as they were measured, where there is one already.

    Raises:
        CircuitFault: the design's circuit has no solution.
    """
    meter = Meter.parse(row.meter)
    engine = engine or Engine(with_measured_supplies(state.design, state.checks))
    return SeenUnit(
        row.tag,
        standing_readings(engine, state, meter),
        meter,
        repaired=[repair.where for repair in state.repairs],
        supply_v=measured_supplies(state.design, state.checks),
    )


def wiring(design: Design) -> tuple[object, ...]:
    """What readings of two units must share to be readings of one thing."""
    nodes = [strand.nodes for strand in design.strands]
    return nodes, power_joints(design), [feed.at for feed in design.feeds], design.data_path
