"""Evidence behind a finding: the plot, the readings expected next, and the explanation."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

import numpy as np
import pytest

from benchtest.circuit.prediction import predict
from benchtest.diagnosis.model.fault_response import GRID_OHM, OPEN_COLUMN
from benchtest.diagnosis.voltage_profile import grid_column
from benchtest.drive.driver import DriveStatus
from benchtest.drive.e131.other_sources import OtherSource
from benchtest.evidence.meter import DEFAULT_METER
from benchtest.formatting import format_percent
from benchtest.prop.lit_set import all_lit, parse_lit_set
from benchtest.prop.notation import describe_leads, parse_probe
from benchtest.records.shelf import Shelf
from benchtest.session.display.finding_details import (
    describe_next_reading,
    draw_profile,
    explain_finding,
    finding_details,
)
from benchtest.session.display.text_chart import Trace, draw_chart, draw_plot, round_axis
from benchtest.session.log.events import ReadingTaken, VerdictGiven
from benchtest.session.session import Session
from benchtest.session.workbench.prop_light import drive_notice
from tests.props import SMALL_FAN

BAD, OHM = "3A-", 0.8
SIGNS = (".", "#", "@")


@pytest.fixture(scope="module")
def session(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Session]:
    """A unit whose volts are those of one bad joint, at three places."""
    with Shelf(tmp_path_factory.mktemp("bench")) as shelf:
        text = SMALL_FAN.replace("fuse_a = 1.0", "fuse_a = 10.0")
        made = Session.start(shelf, text, "SF-01", DEFAULT_METER)
        for number in (1, 2, 3, 4):
            made.record(VerdictGiven(number, passed=True))
        for lit_text, probe_text in (("3", "3A"), ("3", "3B"), ("all", "3A"), ("3", "1A")):
            lit, probe = parse_lit_set(lit_text, made.design), parse_probe(probe_text, made.design)
            (row,) = predict(made.design, lit, [probe], joint_ohm={BAD: OHM}).probes
            made.record(ReadingTaken(lit_text, probe_text, round(row.volts, 4)))
        yield made


def test_the_plot_shows_this_unit_below_its_design_where_the_joint_is_bad(session: Session) -> None:
    finding = session.diagnose()
    along = finding_details(session, finding).profile
    assert along is not None
    assert (along.strand, along.lit, along.nodes) == (3, "3", 10)
    curve = along.curve
    assert curve.read_v is not None
    # a joint of 0.8 ohm at end A: of a strand alone, that end loses more than the far one
    lost = np.array(curve.designed_v) - np.array(curve.read_v)
    assert lost[0] > lost[-1] > 0.0
    assert [(dot.x, dot.volts) for dot in curve.dots] == [
        (0.0, session.state.readings[0].volts), (11.0, session.state.readings[1].volts),
    ]  # fmt: skip
    for in_braille in (False, True):
        drawn = draw_profile(along, 60, 12, SIGNS, in_braille)
        lines = ["".join(text for text, _ in row) for row in drawn]
        assert len(lines) == 12
        assert all(len(line) <= 60 for line in lines)
        assert all(word in lines[-1] for word in ("as designed", "this unit", "@ read"))
        assert lines[-2].split() == ["3A", "3B"]
        assert sum(line.count("@") for line in lines[:-1]) == 2
        ticks = [float(line.split(" V ")[0]) for line in lines[:-1] if " V " in line]
        every = [*curve.designed_v, *curve.read_v, *(dot.volts for dot in curve.dots)]
        assert ticks[0] >= max(every)
        assert ticks[-1] <= min(every)


def test_the_reading_expected_under_each_suspect_is_that_of_the_circuit(
    session: Session,
) -> None:
    from benchtest.diagnosis import expected_reading

    finding = session.diagnose()
    lit, probe = all_lit(session.design), parse_probe("foot:3->3A-", session.design)
    good, *bad = expected_reading(session.engine, finding, lit, probe)
    assert (good.where, bad[0].where) == ("", BAD)
    (row,) = predict(session.design, lit, [probe]).probes
    assert good.volts == pytest.approx(row.volts, abs=1e-9)
    band = next(band for band in finding.joints if band.name == BAD)
    column = grid_column(band)
    assert column < OPEN_COLUMN
    (row,) = predict(session.design, lit, [probe], joint_ohm={BAD: float(GRID_OHM[column])}).probes
    assert bad[0].volts == pytest.approx(row.volts, abs=1e-6)
    assert abs(bad[0].volts) > 10 * abs(good.volts)


def test_the_explanation_has_the_top_suspects_evidence_and_the_next_reading(
    session: Session,
) -> None:
    finding = session.diagnose()
    grounds = finding_details(session, finding)
    lines = explain_finding(finding, grounds, session.state)
    top = finding.suspects[0]
    assert lines[0].startswith(f"3A {top.where[-1]} at foot, {format_percent(top.probability)}. 3")
    assert "a good unit shows" in lines[0]
    assert "Once repaired: " in lines[0]
    if finding.next.settled:
        assert lines[-1] == "No further reading would tell more."
    else:
        leads = describe_leads(finding.next.probe)  # type: ignore[arg-type]
        leads = f"{leads[0].lower()}{leads[1:]}"
        assert lines[-1] == (
            f"Next: {leads} with {finding.next.lit.text(session.design)} lit "  # type: ignore[union-attr]
            f"{describe_next_reading(finding, grounds)}."
        )


def test_a_healthy_unit_has_no_plot_and_no_suspect(tmp_path: Path) -> None:
    with Shelf(tmp_path) as shelf:
        session = Session.start(shelf, SMALL_FAN, "SF-01", DEFAULT_METER)
        finding = session.diagnose()
        grounds = finding_details(session, finding)
        assert grounds.profile is None
        assert explain_finding(finding, grounds, session.state)[0].startswith("No evidence against")


@pytest.mark.parametrize("rows", [2, 5, 9])
def test_a_chart_has_one_mark_in_each_column_and_ends_at_the_extremes(rows: int) -> None:
    wave = np.sin(np.linspace(0.0, 6.0, 50))
    chart = draw_chart([Trace("*", np.arange(50.0).tolist(), wave.tolist())], 30, rows)
    assert len(chart.lines) == len(chart.levels) == rows
    assert chart.levels[0] == pytest.approx(wave.max())
    assert chart.levels[-1] == pytest.approx(wave.min())
    for column in range(30):
        assert [line[column] for line in chart.lines].count("*") == 1


@pytest.mark.parametrize(
    ("low", "high", "labels"),
    [
        (4.718, 4.996, ["4.7", "4.8", "4.9", "5.0"]),
        (4.9, 4.9, ["4.899", "4.900", "4.901"]),
        (0.0, 13.8, ["0", "5", "10", "15"]),
        (-0.31, 0.12, ["-0.4", "-0.2", "0.0", "0.2"]),
    ],
)
def test_an_axis_has_round_numbers_and_includes_its_range(
    low: float, high: float, labels: list[str]
) -> None:
    """Steps of 1, 2 or 5 times a power of ten are common practice, no source."""
    axis = round_axis(low, high, 4)
    assert [axis.label(place) for place in range(axis.count)] == labels


def test_a_curve_in_braille_lights_the_dots_of_its_points() -> None:
    """The bits of the dots are those of the Unicode Standard, chapter 21.1, Braille Patterns."""
    line = Trace("*", [0, 1, 2, 3], [3.0, 2.0, 1.0, 0.0])
    plot = draw_plot([Trace("", [0, 3], [0.0, 0.0]), line], 2, 2, in_braille=True)
    dots = {
        (4 * row + down, 2 * column + across)
        for row, text in enumerate(plot.lines)
        for column, sign in enumerate(text)
        for number, (down, across) in enumerate(
            [(0, 0), (1, 0), (2, 0), (0, 1), (1, 1), (2, 1), (3, 0), (3, 1)]
        )
        if ord(sign) - 0x2800 >> number & 1 and sign != " "
    }
    axis = round_axis(0.0, 3.0, 2)
    for x, y in zip(line.x, line.y, strict=True):
        assert (round((axis.high - y) / (axis.high - axis.low) * 7), x) in dots


def test_a_chart_of_equal_values_is_one_row() -> None:
    assert draw_chart([Trace("*", [0, 1], [5.0, 5.0])], 3, 9).lines == ("***",)


def test_the_worst_drive_notice_comes_first() -> None:
    def other(name: str, priority: int) -> OtherSource:
        return OtherSource(name, "192.0.2.9", priority, (1,), "what you see is not what was sent")

    assert drive_notice(DriveStatus()) is None
    refused = drive_notice(DriveStatus(refused="192.0.2.7: nobody listens"))
    assert refused is not None
    assert refused.whole == "192.0.2.7: nobody listens"
    heard = drive_notice(
        DriveStatus(refused="x", other_sources=(other("porch", 100), other("arch", 150)))
    )
    assert heard is not None
    assert heard.short == "arch (192.0.2.9) and 1 more send, priority 150"
    assert heard.whole.startswith("arch (192.0.2.9) sends universe 1 at priority 150: what you")
    dead = drive_notice(DriveStatus(trouble="no route", other_sources=(other("arch", 150),)))
    assert dead is not None
    assert dead.short == "no route"
