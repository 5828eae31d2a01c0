"""Content of a unit's report, with the comparison of its tests and a plot of them."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import date
from typing import TYPE_CHECKING

from benchtest.comparison.gather import compare_unit, gather_tests
from benchtest.comparison.report import MIN_OPEN_OHM, JointResistance, JointRow, UnitComparison
from benchtest.diagnosis import Finding
from benchtest.errors import CircuitFault, InputError
from benchtest.records.matplotlib_setup import draw_svg
from benchtest.records.report import ComparisonCell, ComparisonSection, ReportContent
from benchtest.records.strand_plot import BAD, INK, LINE, PLOT_STYLE, SOFT, WIDTH_IN, embed_svg
from benchtest.session.report.report_content import report_content
from benchtest.session.session import Session

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure


_MAX_JOINTS = 4
"""Number of joints with a plot of their own."""
_HEIGHT_IN = 1.25
_MIN_MOHM, _MAX_MOHM = 1.0, MIN_OPEN_OHM * 1e3
_GOOD_JOINT_MOHM = 8.0
"""Level of a line that good joints seldom exceed: four times the 2 mΩ of the diagnosis. [mΩ]"""


def draw_trend(found: UnitComparison) -> str | None:
    """Return the plot as an SVG element; None without a joint worth one."""
    rows = found.worth_showing[:_MAX_JOINTS]
    if not rows:
        return None
    says = f"Resistance from test to test of {', '.join(row.where for row in rows)}"
    return embed_svg(draw_svg(lambda: _figure(found, rows), PLOT_STYLE), "trend", says)


def _figure(found: UnitComparison, rows: Sequence[JointRow]) -> Figure:
    from matplotlib.figure import Figure
    from matplotlib.ticker import FixedLocator, FuncFormatter, NullLocator

    figure = Figure(figsize=(WIDTH_IN, _HEIGHT_IN))
    edges = {"left": 0.5 / WIDTH_IN, "right": 1.0 - 0.05 / WIDTH_IN, "bottom": 0.2, "top": 0.86}
    axes = figure.subplots(
        1, _MAX_JOINTS, sharey=True, squeeze=False, gridspec_kw={**edges, "wspace": 0.12}
    )
    names = [test.date for test in found.tests]
    for at, row in zip(axes[0], rows, strict=False):
        _draw_joint(at, row, _places(names))
        _draw_dates(at, names)
    for at in axes[0][len(rows) :]:
        at.set_visible(False)
    first = axes[0][0]
    first.set_yscale("log")
    first.set_ylim(_MIN_MOHM, _MAX_MOHM * 1.4)
    first.yaxis.set_major_locator(FixedLocator([1.0, 10.0, 100.0, 1e3, 1e4]))
    first.yaxis.set_minor_locator(NullLocator())
    first.yaxis.set_major_formatter(FuncFormatter(_ohms))
    return figure


def _ohms(mohm: float, place: int | None) -> str:
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


def _draw_joint(at: Axes, row: JointRow, places: Sequence[float]) -> None:
    at.axhline(_GOOD_JOINT_MOHM, color=LINE, linewidth=0.7, linestyle=(0, (3, 2)))
    for place, band in zip(places, row.bands, strict=True):
        _draw_band(at, place, band)
    at.text(0.0, 1.05, row.where, transform=at.transAxes)
    at.set_xlim(-0.12, 1.12)


def _draw_band(at: Axes, place: float, band: JointResistance) -> None:
    """Draw a bar from 5 % to 95 % with the likeliest value; of good joints only the upper end."""
    if band.is_raised:
        low, high = band.low_ohm * 1e3, min(band.high_ohm * 1e3, _MAX_MOHM)
        colour = BAD if band.is_bad else INK
        at.plot([place, place], [low, high], color=colour, linewidth=2.2, solid_capstyle="butt")
        at.plot([place], [min(band.best_ohm * 1e3, _MAX_MOHM)], "D", color=colour, markersize=3.4)
    elif band.at_most_ohm is not None:
        most = band.at_most_ohm * 1e3
        at.plot([place, place], [_MIN_MOHM, most], color=SOFT, linewidth=0.9, linestyle=":")
        at.plot([place - 0.035, place + 0.035], [most, most], color=SOFT, linewidth=1.4)
    else:
        at.text(place, 1.5, "?", color=SOFT, ha="center")


def _draw_dates(at: Axes, dates: Sequence[str]) -> None:
    """Write the first and the last date below; the table has all of them."""
    ends = [(0.0, dates[0], "left"), (1.0, dates[-1], "right")]
    at.set_xticks([place for place, _, _ in ends], ["", ""])
    for place, words, side in ends:
        at.text(
            place - 0.1 if side == "left" else place + 0.1, -0.2, words, fontsize=6.0, color=SOFT,
            ha=side, transform=at.get_xaxis_transform(),
        )  # fmt: skip
    at.tick_params(length=2, pad=1.5)


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
