"""Evidence of one session, on the shelf or in an exported file, and its tables."""

from __future__ import annotations

import csv
import io
from collections.abc import Iterable, Sequence
from dataclasses import dataclass

from benchtest.diagnosis import Engine, Finding
from benchtest.errors import InputError, did_you_mean
from benchtest.evidence.marks import Mark
from benchtest.evidence.meter import Meter
from benchtest.evidence.readings import Reading
from benchtest.evidence.rounding import step_decimals
from benchtest.prop.design import Design, NodeName, Probe
from benchtest.prop.lit_set import LitSet
from benchtest.prop.reader import parse_design
from benchtest.records.json_lines import ExportedSession, read_lines
from benchtest.records.models import SessionRow
from benchtest.records.shelf import Shelf
from benchtest.session.log.evidence import diagnose_state
from benchtest.session.log.power_checks import with_measured_supplies
from benchtest.session.log.state import State, fold
from benchtest.session.session import TEST_EVENTS, decode_events, last_test


@dataclass(frozen=True)
class SessionEvidence:
    """Evidence of one session for a diagnosis."""

    row: SessionRow
    state: State

    @property
    def design(self) -> Design:
        """The prop."""
        return self.state.design

    def diagnose(self) -> Finding:
        """Return the finding, the same as in the session itself."""
        engine = Engine(with_measured_supplies(self.design, self.state.checks))
        return diagnose_state(engine, self.state, Meter.parse(self.row.meter))


def last_evidence(shelf: Shelf, tag: str) -> SessionEvidence:
    """Return the evidence of a unit's last test.

    Raises:
        InputError: there is no such unit, or it was never tested.
    """
    shelf.unit(tag)
    tested = last_test(shelf, tag)
    if tested is None:
        raise InputError(f"unit {tag}: has not been tested yet")
    return SessionEvidence(*tested)


def exported_evidence(lines: Iterable[str], file: str, tag: str | None = None) -> SessionEvidence:
    """Return the evidence of a unit's last test in an exported file.

    Args:
        lines: lines of the file.
        file: name of the file, for messages.
        tag: the unit; None if the file has only one.

    Raises:
        FileFaults: the file does not contain exported records.
        InputError: the file has no such unit, no test of it, or several units without a tag given.
    """
    read = read_lines(lines, file)
    one = _unit(sorted({unit.tag for unit in read.all_units}), file, tag)
    own = [line for line in read.sessions if line.row.tag == one]
    for line in sorted(own, key=_place, reverse=True):
        happened = decode_events(line.events)
        design = parse_design(line.row.design_text, f"record of {one}")
        state = fold(happened, design)
        if any(isinstance(step.what, TEST_EVENTS) for step in state.undoable):
            return SessionEvidence(line.row, state)
    raise InputError(f"{file}: unit {one} has not been tested in it")


def _unit(tags: Sequence[str], file: str, tag: str | None) -> str:
    if not tags:
        raise InputError(f"{file}: has no sessions")
    has = ", ".join(tags[:8]) + (" …" if len(tags) > 8 else "")
    if tag is None:
        if len(tags) > 1:
            raise InputError(f"{file}: has units {has}; choose one with --unit")
        return tags[0]
    if tag in tags:
        return tag
    raise InputError(f"{file}: has no unit {tag:.40}, but {has}{did_you_mean(tag, tags)}")


def _place(line: ExportedSession) -> tuple[int, str, str]:
    row = line.row
    return row.placed_ms or 0, row.started_at, row.id


# -- tables ----------------------------------------------------------------------------------


def readings_table(evidence: SessionEvidence) -> str:
    """Return the readings that count, as CSV for spreadsheets and for `diagnose --readings`.

    Spreadsheets convert 1-6 into a date and 4.10 into 4.1: so strands are written one by one, and a
    node by its two points. Lines end as in RFC 4180.
    """
    design, meter = evidence.design, Meter.parse(evidence.row.meter)
    rows = [
        (
            _lit(reading.lit, design), _probe(reading.probe), _volts(reading, meter),
            _figure(reading.amps), _figure(reading.lit.level), reading.lit.colour,
            str(reading.meter or meter), reading.at or "",
        )
        for reading in evidence.state.readings
    ]  # fmt: skip
    return _table(("lit", "probe", "volts", "amps", "level", "colour", "meter", "at"), rows)


def marks_table(evidence: SessionEvidence) -> str:
    """Return the valid marks and the strands that were right, as CSV for `diagnose --marks`.

    A range of nodes is written node by node: spreadsheets convert 5-10 into a date.
    """
    rows = [
        (
            _lit(mark.lit, evidence.design), str(mark.strand), nodes, mark.seen,
            _figure(mark.lit.level), mark.lit.colour,
        )
        for mark in evidence.state.evidence_marks
        for nodes in _nodes(mark, evidence.design)
    ]  # fmt: skip
    return _table(("lit", "strand", "nodes", "seen", "level", "colour"), rows)


def _lit(lit: LitSet, design: Design) -> str:
    text = lit.text(design)
    return " ".join(map(str, sorted(lit.strands))) if "-" in text else text


def _probe(probe: Probe) -> str:
    if isinstance(probe.red.place, NodeName):
        return f"{probe.red}>{probe.black}"
    return str(probe)


def _nodes(mark: Mark, design: Design) -> list[str]:
    if (mark.first, mark.last) == (1, design.strand(mark.strand).nodes):
        return ["all"]
    return [str(node) for node in range(mark.first, mark.last + 1)]


def _volts(reading: Reading, default: Meter) -> str:
    """Return volts with the decimals as typed: the diagnosis derives the reading's step from them.

    Without them on record, zeros fill the number up to the meter's own step.
    """
    if reading.volts is None:
        return ""
    decimals = reading.decimals
    if decimals is None:
        meter = reading.meter or default
        most_v = meter.ranges_v[-1]
        decimals = step_decimals(meter.resolution_v(min(abs(reading.volts), most_v)))
    text = f"{reading.volts:.{decimals}f}"
    shown = text if float(text) == reading.volts else repr(reading.volts)
    return reading.sign.strip() + shown


def _figure(number: float | None) -> str:
    return "" if number is None else f"{number:g}" if number == round(number) else repr(number)


def _table(header: Sequence[str], rows: Iterable[Sequence[str]]) -> str:
    text = io.StringIO(newline="")
    csv.writer(text).writerows([header, *rows])
    return text.getvalue()
