"""The HTML page of all units of a design."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from benchtest.comparison.report import BatchComparison
from benchtest.prop.design import Design
from benchtest.records.report import render_page


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
