"""Content of the page of all units of a design."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Sequence
from datetime import datetime

import numpy as np

from benchtest import __version__
from benchtest.circuit.prediction import predict
from benchtest.comparison.batch_report import (
    BatchContent,
    JointAtFault,
    SharedReading,
    SharedValue,
    UnitLine,
)
from benchtest.comparison.gather import compare_batch, gather_units
from benchtest.comparison.report import BatchComparison
from benchtest.diagnosis.likelihood.measurement import volt_noise
from benchtest.errors import CircuitFault, InputError, NameFault
from benchtest.evidence.meter import Meter
from benchtest.evidence.outliers import MIN_OUTLIER_SCORE, MIN_OUTLIER_VALUES, outlier_scores
from benchtest.evidence.readings import Reading
from benchtest.prop.design import Design
from benchtest.prop.lit_set import LitSet, format_ranges, parse_lit_set
from benchtest.prop.notation import parse_probe
from benchtest.prop.reader import parse_design
from benchtest.records.models import SessionRow, Unit
from benchtest.records.shelf import Shelf
from benchtest.session.guidance.release import release_blockers
from benchtest.session.log.state import State
from benchtest.session.log.suspects import MIN_SUSPECT_PROBABILITY
from benchtest.session.report.history import describe_conclusion, local_time
from benchtest.session.report.report_content import verdict_of
from benchtest.session.report.unit_readings import units_of
from benchtest.session.session import last_test

Tested = list[tuple[Unit, SessionRow, State]]


def batch_content(shelf: Shelf, design_name: str, now: datetime) -> BatchContent:
    """Return everything on the page of a design's units.

    Args:
        shelf: the records.
        design_name: name of the design.
        now: time of the page.

    Raises:
        NameFault: the bench has no unit of that design.
        FileFaults: the prop file that a session keeps can no longer be read.
    """
    units = units_of(shelf, design_name)
    tested: Tested = []
    lines = []
    for unit in units:
        last = last_test(shelf, unit.tag)
        if last is None:
            lines.append(
                UnitLine(unit.tag, unit.stage, "never", "Not tested", False, "", ["a test"])
            )
            continue
        tested.append((unit, *last))
        lines.append(_line(unit, *last))
    if not tested:
        raise NameFault(f'design "{design_name[:40]}": none of its units has been tested yet')
    newest = max(tested, key=lambda row: row[1].started_at)[1]
    design = parse_design(newest.design_text, f"record of {newest.tag}")
    return BatchContent(
        design=design,
        made_at=now.astimezone().strftime("%Y-%m-%d %H:%M"),
        program=f"benchtest {__version__}",
        units=lines,
        shared=_shared(design, tested),
        joints=_joints(tested),
        comparison=_comparison(shelf, design_name),
        fewest=MIN_OUTLIER_VALUES,
    )


def _comparison(shelf: Shelf, design_name: str) -> BatchComparison | None:
    """Return the comparison of joints; None without readings to compare."""
    try:
        return compare_batch(gather_units(shelf, design_name))
    except (InputError, CircuitFault):
        return None


def _line(unit: Unit, row: SessionRow, state: State) -> UnitLine:
    good, verdict = verdict_of(state, unit.stage)
    return UnitLine(
        unit.tag,
        unit.stage,
        local_time(row.started_at)[:10],
        verdict,
        good,
        describe_conclusion(state),
        release_blockers(state, unit.stage),
    )


def _joints(tested: Tested) -> list[JointAtFault]:
    """Return joints and nodes at fault, those in most units first."""
    suspected: dict[str, list[str]] = defaultdict(list)
    repaired: dict[str, list[str]] = defaultdict(list)
    for unit, _, state in tested:
        for row in state.concluded.suspects if state.concluded else ():
            where = str(row["where"])
            if (
                float(row["probability"]) > MIN_SUSPECT_PROBABILITY
                and unit.tag not in suspected[where]
            ):
                suspected[where].append(unit.tag)
        for repair in state.repairs:
            if unit.tag not in repaired[repair.where]:
                repaired[repair.where].append(unit.tag)
    names = {name for name in (*suspected, *repaired) if suspected[name] or repaired[name]}
    rows = [JointAtFault(name, suspected[name], repaired[name]) for name in names]
    return sorted(rows, key=lambda j: (-len({*j.suspected, *j.repaired}), j.joint))


Key = tuple[LitSet, str, str]


def _shared(design: Design, tested: Tested) -> list[SharedReading]:
    """Return readings that two units or more have in common; a unit's last one counts."""
    values: dict[Key, dict[str, tuple[float, Meter]]] = defaultdict(dict)
    for unit, row, state in tested:
        meter = Meter.parse(row.meter)
        for reading in state.readings:
            key, value = _key(reading)
            values[key][unit.tag] = (value, reading.meter or meter)
    common = [(key, by_tag) for key, by_tag in values.items() if len(by_tag) > 1]
    rows = []
    for key, by_tag in common:
        expected = _expected(design, key)
        if expected is not None:
            rows.append(_row(design, key, by_tag, expected))
    return sorted(rows, key=lambda row: (-len(row.shown), row.lit, row.probe))


def _key(reading: Reading) -> tuple[Key, float]:
    return (reading.lit, str(reading.probe), reading.unit), reading.value


def _expected(design: Design, key: Key) -> float | None:
    """Return the design's value; None if this version of it has no such probe or solution."""
    lit, name, unit = key
    try:
        parse_lit_set(format_ranges(lit.strands) or "none", design, lit.level, lit.colour)
        prediction = predict(design, lit, [parse_probe(name, design)])
    except (CircuitFault, InputError):
        return None
    return dict(prediction.feeds).get(name) if unit == "A" else prediction.probes[0].volts


def _row(
    design: Design, key: Key, by_tag: dict[str, tuple[float, Meter]], expected: float
) -> SharedReading:
    lit, probe, unit = key
    values = [value for value, _ in by_tag.values()]
    median = float(np.median(values))
    scores = outlier_scores(
        values, _least_sd(unit, median, [meter for _, meter in by_tag.values()])
    )
    shown = [
        SharedValue(tag, value, score, abs(score) > MIN_OUTLIER_SCORE)
        for tag, value, score in zip(by_tag, values, scores, strict=True)
    ]
    return SharedReading(lit.text(design), probe, unit, median, expected, shown)


def _least_sd(unit: str, median: float, meters: Sequence[Meter]) -> float:
    """Return the least standard deviation between units: that of the meters. [V] or [A]"""
    if unit == "A":
        return 0.05
    return max(float(volt_noise(meter, np.array(median))) for meter in meters)
