"""A unit's test record as one HTML page that stands alone and prints well."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from importlib.resources import files

import jinja2


@dataclass(frozen=True, slots=True)
class StrandLine:
    """One row of the verdict table."""

    number: int
    nodes: int
    verdict: str
    """passed, failed, or not looked at."""
    marks: str


@dataclass(frozen=True, slots=True)
class ReadingLine:
    """One reading beside its prediction."""

    lit: str
    probe: str
    value: float
    unit: str
    expected: float
    sd: float
    z: float
    stale: bool


@dataclass(frozen=True, slots=True)
class SuspectLine:
    """One suspect of the last finding."""

    where: str
    fault: str
    probability: float
    ohms: float | None
    repair: str


@dataclass(frozen=True)
class ReportContent:
    """Everything that stands on the page, as words and numbers."""

    tag: str
    design: str
    stage: str
    started_at: str
    ended_at: str
    meter: str
    record: str
    """Id of the session."""
    verdict: str
    """In a few words, on top."""
    good: bool
    waits_for: Sequence[str]
    strands: Sequence[StrandLine]
    readings: Sequence[ReadingLine]
    suspects: Sequence[SuspectLine]
    healthy: float | None
    cleared_mohm: float | None
    repairs: Sequence[tuple[str, str, str]]
    """When, where, what."""
    notes: Sequence[str]
    signed_by: str | None
    signed_at: str | None
    comment: str


def render_report(content: ReportContent) -> str:
    """The page. Every word in it is escaped."""
    text = files("benchtest.records").joinpath("report.html").read_text("utf-8")
    environment = jinja2.Environment(
        autoescape=True, undefined=jinja2.StrictUndefined, trim_blocks=True, lstrip_blocks=True
    )
    environment.filters["volts"] = _volts
    return environment.from_string(text).render(c=content, bars=[_bar(r) for r in content.readings])


def _volts(value: float, unit: str) -> str:
    """A value with as many digits as a bench meter shows: millivolts below 0.6 V."""
    if unit == "V" and abs(value) < 0.6:
        return f"{value * 1e3:.1f} mV"
    return f"{value:.3f} {unit}"


@dataclass(frozen=True, slots=True)
class _Bar:
    """Where a reading stands on a scale of -6 to +6 standard deviations, in per cent."""

    at: float
    beyond: bool


def _bar(reading: ReadingLine) -> _Bar:
    held = max(-6.0, min(6.0, reading.z))
    return _Bar(round((held + 6.0) / 12.0 * 100.0, 1), abs(reading.z) > 6.0)
