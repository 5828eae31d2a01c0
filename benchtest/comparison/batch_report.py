"""The HTML page of all units of a design: its content, outlier scores, and the page itself."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime

import numpy as np

from benchtest import __version__
from benchtest.circuit.prediction import predict
from benchtest.comparison.gather import compare_batch, gather_units
from benchtest.comparison.report import BatchComparison
from benchtest.diagnosis.likelihood.measurement import volt_noise
from benchtest.errors import CircuitFault, InputError, NameFault
from benchtest.evidence.meter import Meter
from benchtest.evidence.readings import Reading
from benchtest.prop.design import Design
from benchtest.prop.lit_set import LitSet, format_ranges, parse_lit_set
from benchtest.prop.notation import parse_probe
from benchtest.prop.reader import parse_design
from benchtest.records.models import SessionRow, Unit
from benchtest.records.report import render_page
from benchtest.records.shelf import Shelf
from benchtest.session.guidance.release import release_blockers
from benchtest.session.log.evidence import MIN_SUSPECT_PROBABILITY
from benchtest.session.log.state import State
from benchtest.session.report.report_content import verdict_of
from benchtest.session.report.unit_history import describe_conclusion, local_time, units_of
from benchtest.session.session import last_test


@dataclass(frozen=True, slots=True)
class UnitLine:
    """One unit and the result of its last test."""

    tag: str
    stage: str
    tested: str
    verdict: str
    good: bool
    found: str
    """The finding, in a few words."""
    waits_for: Sequence[str]


@dataclass(frozen=True, slots=True)
class SharedValue:
    """One unit's reading, compared with the others."""

    tag: str
    value: float
    score: float
    """Standard deviations from the median of all."""
    outlier: bool


@dataclass(frozen=True, slots=True)
class SharedReading:
    """A reading that several units have in common."""

    lit: str
    probe: str
    unit: str
    median: float
    expected: float
    """Value of the design."""
    shown: Sequence[SharedValue]


@dataclass(frozen=True, slots=True)
class JointAtFault:
    """A joint that is, or was, at fault in some units."""

    joint: str
    suspected: Sequence[str]
    """Units with the joint as a suspect now."""
    repaired: Sequence[str]
    """Units in which the joint was remade."""


@dataclass(frozen=True)
class BatchContent:
    """Everything on the page."""

    design: Design
    made_at: str
    program: str
    units: Sequence[UnitLine]
    shared: Sequence[SharedReading]
    joints: Sequence[JointAtFault]
    comparison: BatchComparison | None
    """Comparison of joints; None if no unit has readings."""
    fewest: int
    """Number of units needed to name an outlier."""

    @property
    def outliers(self) -> list[tuple[str, SharedReading, SharedValue]]:
        """Unit, reading and value of each outlier, the farthest first."""
        rows = [
            (shown.tag, reading, shown)
            for reading in self.shared
            for shown in reading.shown
            if shown.outlier
        ]
        return sorted(rows, key=lambda row: -abs(row[2].score))

    @property
    def odd_tags(self) -> list[str]:
        """Units that differ from the others, by a joint or by a reading; joints first."""
        joints = () if self.comparison is None else self.comparison.unlike
        tags = [line.tag for line in joints] + [tag for tag, _, _ in self.outliers]
        return list(dict.fromkeys(tags))


def render_batch(content: BatchContent) -> str:
    """Return the page; every text in it is escaped."""
    dots = [
        [(round(60.0 + max(-9.0, min(9.0, s.score)) * 6.0, 1), s.outlier) for s in reading.shown]
        for reading in content.shared
    ]
    good = sum(unit.good for unit in content.units)
    outdoors = sum(unit.good and not unit.waits_for for unit in content.units)
    return render_page("batch.html", c=content, dots=dots, good=good, outdoors=outdoors)


MIN_OUTLIER_SCORE = 3.5
"""Score above which a value is an outlier. Source: Iglewicz and Hoaglin, How to Detect and Handle
Outliers (1993), as in the NIST/SEMATECH e-Handbook of Statistical Methods, 1.3.5.17."""
MIN_OUTLIER_VALUES = 4
"""Least number of values in which an outlier can be identified."""


def outlier_scores(values: Sequence[float], min_sd: float) -> list[float]:
    """Return the distance of each value from the median, in robust standard deviations.

    Args:
        values: values of the same quantity, such as one probe of all units of a design.
        min_sd: least standard deviation, that of the measurement itself; without it a difference in
            the last digit would be an outlier among equal values.

    Returns:
        The modified z-score of each, 0.6745 (x - median) / MAD; 0 for fewer values than
        `MIN_OUTLIER_VALUES`.

    Source: Iglewicz and Hoaglin, see `MIN_OUTLIER_SCORE`.

    >>> [round(score, 1) for score in outlier_scores([4.71, 4.70, 4.72, 4.71, 4.40], 0.001)]
    [0.0, -0.7, 0.7, 0.0, -20.9]
    """
    if len(values) < MIN_OUTLIER_VALUES:
        return [0.0] * len(values)
    off = np.asarray(values) - np.median(values)
    sd = max(float(np.median(np.abs(off))) / 0.6745, min_sd)
    return [float(one) / sd for one in off]


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
