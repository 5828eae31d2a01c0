"""Content of a unit's report, with the comparison of its tests and a plot of them."""

from __future__ import annotations

import math
from collections.abc import Sequence
from datetime import date

from benchtest.comparison.gather import compare_unit, gather_tests
from benchtest.comparison.report import MIN_OPEN_OHM, JointResistance, UnitComparison
from benchtest.diagnosis import Finding
from benchtest.errors import CircuitFault, InputError
from benchtest.records.report import ComparisonCell, ComparisonSection, ReportContent
from benchtest.records.strand_plot import PLOT_WIDTH
from benchtest.records.svg_plot import Colour, Scale, SvgPlot, linear
from benchtest.session.report.report_content import report_content
from benchtest.session.session import Session

_MAX_JOINTS = 4
"""Number of joints with a plot of their own."""
_HEIGHT, _TOP, _BOTTOM = 90.0, 12.6, 72.0
"""Height of the drawing, and the places of the upper and the lower end of its plots. [pt]"""
_LEFT, _PLOT_WIDTH, _PLOT_PITCH = 36.0, 109.8, 123.0
"""Place of the first plot, and width and pitch of the plots. [pt]"""
_MIN_MOHM, _MAX_MOHM = 1.0, MIN_OPEN_OHM * 1e3
_GOOD_JOINT_MOHM = 8.0
"""Level of a line that good joints seldom exceed: four times the 2 mΩ of the diagnosis. [mΩ]"""


def draw_trend(found: UnitComparison) -> str | None:
    """Return the plot as an SVG element; None without a joint worth one."""
    rows = found.worth_showing[:_MAX_JOINTS]
    if not rows:
        return None
    says = f"Resistance from test to test of {', '.join(row.where for row in rows)}"
    drawing = SvgPlot(PLOT_WIDTH, _HEIGHT, says)
    dates = [test.date for test in found.tests]
    y = _logarithmic
    ticks = [10.0**power for power in range(6) if 10.0**power <= _MAX_MOHM * 1.4]
    for number, row in enumerate(rows):
        left = _LEFT + number * _PLOT_PITCH
        x = linear(-0.12, 1.12, left, left + _PLOT_WIDTH)
        labels = [(y(mohm), _ohms(mohm) if number == 0 else "") for mohm in ticks]
        drawing.axis_left(left, (_TOP, _BOTTOM), labels)
        drawing.axis_below(_BOTTOM, (left, left + _PLOT_WIDTH), [(x(0.0), ""), (x(1.0), "")])
        drawing.line([(left, y(_GOOD_JOINT_MOHM)), (left + _PLOT_WIDTH, y(_GOOD_JOINT_MOHM))],
                     "line", 0.7, (3.0, 2.0))  # fmt: skip
        for place, band in zip(_places(dates), row.bands, strict=True):
            _draw_band(drawing, x, place, band)
        drawing.text(left, _TOP - 3.0, row.where, "ink")
        # the first and the last date; the table has all of them
        drawing.text(x(-0.1), _BOTTOM + 12.0, dates[0], "soft", size=6.0)
        drawing.text(x(1.1), _BOTTOM + 12.0, dates[-1], "soft", size=6.0, anchor="end")
    return drawing.svg()


def _logarithmic(mohm: float) -> float:
    """Return the place of a resistance on the vertical axis. [pt]"""
    share = math.log(max(mohm, _MIN_MOHM) / _MIN_MOHM) / math.log(_MAX_MOHM * 1.4 / _MIN_MOHM)
    return _BOTTOM - share * (_BOTTOM - _TOP)


def _ohms(mohm: float) -> str:
    return f"{mohm:g} mΩ" if mohm < 999.0 else f"{mohm / 1e3:g} Ω"


def _places(dates: Sequence[str]) -> list[float]:
    """Return the place of each test on the axis, 0 to 1, by its date and apart from the others."""
    try:
        days = [date.fromisoformat(day).toordinal() for day in dates]
    except ValueError:  # a record of another bench may have any clock
        days = list(range(len(dates)))
    span = max(days[-1] - days[0], 1)
    places: list[float] = []
    least = 0.08
    for day in days:
        place = (day - days[0]) / span
        places.append(max(place, places[-1] + least) if places else place)
    return [place / max(places[-1], 1.0) for place in places]


def _draw_band(drawing: SvgPlot, x: Scale, place: float, band: JointResistance) -> None:
    """Draw a bar from 5 % to 95 % with the likeliest value; of good joints only the upper end."""
    y, at = _logarithmic, x(place)
    if band.is_raised:
        colour: Colour = "bad" if band.is_bad else "ink"
        low, high = band.low_ohm * 1e3, min(band.high_ohm * 1e3, _MAX_MOHM)
        drawing.line([(at, y(low)), (at, y(high))], colour, 2.2)
        drawing.diamond(at, y(min(band.best_ohm * 1e3, _MAX_MOHM)), 3.0, colour)
    elif band.at_most_ohm is not None:
        most = y(band.at_most_ohm * 1e3)
        drawing.line([(at, y(_MIN_MOHM)), (at, most)], "soft", 0.9, (1.0, 1.65))
        drawing.line([(x(place - 0.035), most), (x(place + 0.035), most)], "soft", 1.4)
    else:
        drawing.text(at, y(1.5), "?", "soft", anchor="middle")


def unit_report_content(session: Session, finding: Finding | None = None) -> ReportContent:
    """Return everything on the report of a session.

    Args:
        session: the session.
        finding: its finding; None to diagnose it.
    """
    found = compare_with_earlier(session)
    return report_content(session, finding, None if found is None else comparison_section(found))


def compare_with_earlier(session: Session) -> UnitComparison | None:
    """Compare a session with the unit's earlier tests; return None without any to compare."""
    if not session.state.readings:
        return None
    try:
        return compare_unit(gather_tests(session.shelf, session.tag, upto=session.row.id))
    except (InputError, CircuitFault):
        return None


def comparison_section(found: UnitComparison) -> ComparisonSection:
    """Return a comparison as the report prints it."""
    rows = [
        (row.where, [ComparisonCell(band.short, band.is_bad) for band in row.bands])
        for row in found.worth_showing
    ]
    return ComparisonSection(found.sentences, found.heads, rows, found.left_out, draw_trend(found))
