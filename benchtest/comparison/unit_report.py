"""Content of a unit's report, with the comparison of its tests."""

from __future__ import annotations

from benchtest.comparison.gather import compare_unit, gather_tests
from benchtest.comparison.report import UnitComparison
from benchtest.comparison.trend_plot import draw_trend
from benchtest.diagnosis import Finding
from benchtest.errors import CircuitFault, InputError
from benchtest.records.report import ComparisonCell, ComparisonSection, ReportContent
from benchtest.session.report.report_content import report_content
from benchtest.session.session import Session


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
