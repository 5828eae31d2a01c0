"""Report page on a unit's test: one HTML file without other files, suited to print."""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import dataclass, replace
from functools import cache
from importlib.resources import files
from typing import Any

import jinja2
from markupsafe import Markup

from benchtest.evidence.marks import Mark
from benchtest.formatting import count_noun, format_ohms, format_percent, format_sd, format_value
from benchtest.prop.design import Design
from benchtest.records.prop_map_svg import draw_map
from benchtest.records.strand_plot import StrandPlot, draw_strands

_MIN_LOUD_PROBABILITY = 0.05
"""Probability above which a joint is highlighted: the limit for going outdoors."""

_FIGURE = re.compile(r"(\d) (?=(?:%|[mµ]?[VAΩW]|sd|mm|nodes?|strands?|readings?)(?![\w]))")
_LONG_TABLE_STRANDS = 20
"""Number of strands above which equal neighbours share a row, to keep the table on two pages."""


@dataclass(frozen=True, slots=True)
class StrandLine:
    """One strand, with the result of the visual check."""

    number: int
    nodes: int
    verdict: str
    """`passed`, `failed` or `not looked at`."""
    marks: str


@dataclass(frozen=True, slots=True)
class JointLine:
    """Finding on one power joint."""

    name: str
    probability: float = 0.0
    """Probability that it is at fault."""
    likely_open: bool = False
    ohms: tuple[float, float, float] | None = None
    """Resistance at 5 %, most probable and at 95 %, if it is at fault. [Ω]"""
    cleared_ohm: float | None = None
    """Resistance above which the evidence excludes it; None without such evidence. [Ω]"""

    @property
    def loud(self) -> bool:
        """True if it is suspected."""
        return self.probability > _MIN_LOUD_PROBABILITY

    @property
    def words(self) -> str:
        """Its range in a few words.

        >>> JointLine("4A+", 0.93, False, (0.31, 0.42, 0.6), None).words
        '420 mΩ (310 to 600)'
        >>> JointLine("4A-", 0.0, False, None, 0.03).words, JointLine("4B-").words
        ('≤ 30 mΩ', 'not shown')
        """
        if self.loud and (self.likely_open or self.ohms is None):
            return "open"
        if self.loud and self.ohms is not None:
            unit, times = ("mΩ", 1e3) if self.ohms[2] < 0.995 else ("Ω", 1.0)
            low, best, high = (f"{float(f'{ohm * times:.2g}'):g}" for ohm in self.ohms)
            return f"{best} {unit} ({low} to {high})"
        if self.cleared_ohm is None:
            return "not shown"
        return f"≤ {format_ohms(self.cleared_ohm)}"


@dataclass(frozen=True, slots=True)
class ReadingLine:
    """One reading with its prediction."""

    lit: str
    probe: str
    value: float
    unit: str
    expected: float
    sd: float
    z: float
    stale: bool
    """True if it no longer counts as evidence."""
    number: int = 0
    """Its number among the readings of the session, from 1."""
    why: str = ""
    """Reason that it no longer counts, or that it is doubtful."""


@dataclass(frozen=True, slots=True)
class SuspectLine:
    """One suspect of the last finding."""

    where: str
    fault: str
    probability: float
    ohms: float | None
    repair: str


@dataclass(frozen=True, slots=True)
class HistoryLine:
    """One session of the unit, as concluded at its time."""

    when: str
    stage: str
    did: str
    """Summary of checks, readings and repairs."""
    found: str
    """Finding at its end."""
    signed: str
    record: str


@dataclass(frozen=True, slots=True)
class StepResult:
    """One step of the evening, with its result."""

    name: str
    good: bool | None
    """None if it was skipped or is not finished."""
    says: str


@dataclass(frozen=True, slots=True)
class ComparisonCell:
    """Resistance of one joint in one test."""

    words: str
    is_bad: bool


@dataclass(frozen=True)
class ComparisonSection:
    """Joints from test to test, ready to print."""

    sentences: Sequence[str]
    heads: Sequence[str]
    """Head of each test's column."""
    rows: Sequence[tuple[str, Sequence[ComparisonCell]]]
    """Joint and its cells."""
    left_out: Sequence[str]
    """Tests that could not be compared, each with the reason."""
    trend: str | None
    """Plot as an SVG element, put into the page as it is; None without one."""


@dataclass(frozen=True)
class ReportContent:
    """Content of the page, as words and numbers."""

    tag: str
    design: Design
    stage: str
    started_at: str
    ended_at: str
    meter: str
    record: str
    """Id of the session."""
    prop_file: str
    """Short checksum of the prop file kept with the session."""
    program: str
    """Name and version of the program that wrote the page."""
    verdict: str
    """Verdict in a few words, for the top of the page."""
    good: bool
    waits_for: Sequence[str]
    strands: Sequence[StrandLine]
    marks: Sequence[Mark]
    joints: Sequence[JointLine]
    plot: StrandPlot | None
    readings: Sequence[ReadingLine]
    suspects: Sequence[SuspectLine]
    healthy: float | None
    cleared_mohm: float | None
    repairs: Sequence[tuple[str, str, str]]
    """Time, place and text of each repair."""
    history: Sequence[HistoryLine]
    comparison: ComparisonSection | None
    """Comparison with the unit's earlier tests; None without any."""
    steps: Sequence[StepResult]
    """Results before power, of first light, colours, wiggling and soak, as far as done."""
    notes: Sequence[str]
    signed_by: str | None
    signed_at: str | None
    comment: str
    left_out: Sequence[str] = ()
    """Events outside the limits of a record, with the reason."""
    driven: str = ""
    others: str = ""
    """Other sources that were heard during the test; empty without any."""
    """Target of the drive, in words; empty if the record has none."""
    virtual: bool = False
    """True if a virtual prop was tested in any part of it."""
    was: str | None = None
    """Original tag, if the unit was renamed since; else None."""
    retired: str | None = None
    """Reason of the retirement in the user's words; None while the unit is on the shelf."""


def render_report(content: ReportContent) -> str:
    """Return the page as HTML, with all text escaped."""
    by_name = {joint.name: joint for joint in content.joints}
    ends = [
        [by_name.get(f"{line.number}{end}{rail}") for end in "AB" for rail in "+-"]
        for line in content.strands
    ]
    at_ends = {joint.name for row in ends for joint in row if joint is not None}
    section = content.comparison
    return render_page(
        "unit.html",
        c=content,
        rows=_rows(content.strands, ends),
        at_ends=bool(at_ends),
        others=[joint for joint in content.joints if joint.name not in at_ends],
        bars=[_bar(reading) for reading in content.readings],
        map=_map(content),
        plot=None if content.plot is None else Markup(draw_strands(content.plot)),
        trend=None if section is None or section.trend is None else Markup(section.trend),
    )


@dataclass(frozen=True, slots=True)
class _Row:
    """One row of the strands' table: a strand, or several equal ones."""

    first: int
    last: int
    line: StrandLine
    joints: Sequence[JointLine | None]

    @property
    def name(self) -> str:
        return str(self.first) if self.first == self.last else f"{self.first}–{self.last}"

    def is_like(self, line: StrandLine, joints: Sequence[JointLine | None]) -> bool:
        """Return True if a strand has the same cells; a strand with a suspect gets its own row."""
        mine = self.line
        if (mine.nodes, mine.verdict, mine.marks) != (line.nodes, line.verdict, line.marks):
            return False
        if any(joint is not None and joint.loud for joint in (*self.joints, *joints)):
            return False
        return [j and j.words for j in self.joints] == [j and j.words for j in joints]


def _rows(lines: Sequence[StrandLine], ends: Sequence[Sequence[JointLine | None]]) -> list[_Row]:
    """Return a row for each strand; in a long table equal neighbours share one."""
    rows: list[_Row] = []
    for line, joints in zip(lines, ends, strict=True):
        if len(lines) > _LONG_TABLE_STRANDS and rows and rows[-1].is_like(line, joints):
            rows[-1] = replace(rows[-1], last=line.number)
        else:
            rows.append(_Row(line.number, line.number, line, joints))
    return rows


def _map(content: ReportContent) -> Any:
    passed = {s.number: s.verdict == "passed" for s in content.strands if "look" not in s.verdict}
    suspects: dict[str, float] = {}
    for suspect in content.suspects:
        suspects[suspect.where] = suspects.get(suspect.where, 0.0) + suspect.probability
    return draw_map(content.design, passed, content.marks, suspects)


def render_page(name: str, **values: Any) -> str:
    """Return a template of this package filled with values, with all text escaped."""
    return _environment().get_template(name).render(values)


@cache
def _environment() -> jinja2.Environment:
    environment = jinja2.Environment(
        loader=jinja2.FunctionLoader(_source),
        autoescape=True,
        undefined=jinja2.StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
        finalize=_keep_units_together,
    )
    environment.filters["counted"] = count_noun
    environment.filters["volts"] = format_value
    environment.filters["off"] = format_sd
    environment.filters["percent"] = format_percent
    return environment


def _keep_units_together(words: Any) -> Any:
    """Replace the space between a number and its unit by a no-break space."""
    if isinstance(words, str) and not isinstance(words, Markup):
        return _FIGURE.sub("\\1\N{NO-BREAK SPACE}", words)
    return words


def _source(name: str) -> str:
    return files("benchtest.records").joinpath("pages", name).read_text("utf-8")


@dataclass(frozen=True, slots=True)
class _Bar:
    """Position of a reading on a scale of -6 to +6 standard deviations, in per cent."""

    at: float
    beyond: bool


def _bar(reading: ReadingLine) -> _Bar:
    held = max(-6.0, min(6.0, reading.z))
    return _Bar(round((held + 6.0) / 12.0 * 100.0, 1), abs(reading.z) > 6.0)
