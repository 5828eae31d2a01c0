"""Comparison of all units of a design, and of a unit with its earlier tests."""

from __future__ import annotations

from collections.abc import Callable
from datetime import UTC, datetime

import pytest

from benchtest.circuit.prediction import predict
from benchtest.comparison.batch_report import batch_content, render_batch
from benchtest.comparison.unit_report import compare_with_earlier, unit_report_content
from benchtest.diagnosis import NextReading
from benchtest.errors import InputError, NameFault
from benchtest.prop.design import Design
from benchtest.prop.lit_set import all_lit
from benchtest.prop.notation import parse_probe
from benchtest.records.shelf import Shelf
from benchtest.session.log.events import (
    Concluded,
    ReadingTaken,
    RepairDone,
    SignedOff,
    StageSet,
    VerdictGiven,
)
from benchtest.session.report.report_content import label_content, report_content
from benchtest.session.session import Session

NOW = datetime(2026, 11, 26, 9, 0, tzinfo=UTC)
SETTLED = NextReading(None, None, 0.0, settled=True)
Begin = Callable[..., Session]


def _tested(begin: Begin, tag: str, volts: float, suspect: str = "") -> Session:
    session = begin(tag)
    for strand in (1, 2, 3, 4):
        session.record(VerdictGiven(strand, passed=True))
    session.record(ReadingTaken("all", "2B", volts))
    suspects = [{"where": suspect, "fault": "open", "probability": 0.9}] if suspect else []
    session.record(Concluded(0.1 if suspect else 0.97, True, suspects, 0.04))
    return session


@pytest.fixture
def batch(begin: Begin, shelf: Shelf) -> Shelf:
    """Six units; WF-05 reads low, and 3A+ is suspected in it and was remade in WF-02."""
    for number, volts in enumerate([4.901, 4.903, 4.902, 4.899, 4.700], 1):
        session = _tested(begin, f"WF-0{number}", volts, "3A+" if number == 5 else "")
        if number == 2:
            session.record(RepairDone("3A+", "reflowed"))
        if number == 1:
            session.record(StageSet("sealed"))
            for strand in (1, 2, 3, 4):
                session.record(VerdictGiven(strand, passed=True))
            session.record(SignedOff("Mara"))
    begin("WF-06")
    return shelf


def test_every_unit_has_its_line_and_the_odd_one_is_named(batch: Shelf, fan: Design) -> None:
    content = batch_content(batch, "Small fan", NOW)
    assert [unit.tag for unit in content.units] == [f"WF-0{n}" for n in range(1, 7)]
    assert content.units[4].found == "3A+ 90 %"
    assert "look at strands 1, 2, 3, 4" in content.units[5].waits_for
    (reading,) = content.shared
    # of 4.901, 4.902, 4.899 and 4.700; that of WF-02 a repair has moved
    assert reading.median == pytest.approx(4.9)
    assert [shown.tag for shown in reading.shown if shown.outlier] == ["WF-05"]
    expected = predict(fan, all_lit(fan), [parse_probe("2B", fan)]).probes[0].volts
    assert reading.expected == expected
    assert "Outliers: WF-05." in render_batch(content)


def test_a_joint_that_stands_out_in_several_units_comes_first(batch: Shelf) -> None:
    (joint,) = batch_content(batch, "Small fan", NOW).joints
    assert (joint.joint, joint.suspected, joint.repaired) == ("3A+", ["WF-05"], ["WF-02"])


def test_a_design_without_units_gets_a_guess(batch: Shelf) -> None:
    with pytest.raises(NameFault, match='did you mean "Small fan"'):
        batch_content(batch, "Smal fan", NOW)


def test_a_label_shows_stage_and_result_of_the_last_test(batch: Shelf) -> None:
    good, bad = label_content(batch, "WF-01"), label_content(batch, "WF-05")
    assert (good.stage, good.date, good.design) == ("sealed", "2026-11-25", "Small fan")
    assert (bad.good, bad.result) == (False, "Not yet")
    assert good.record == batch.sessions("WF-01")[-1].id
    with pytest.raises(InputError, match="nothing to label"):
        label_content(batch, "WF-06")


def test_a_report_has_the_earlier_test_and_its_result(begin: Begin) -> None:
    first = _tested(begin, "WF-03", 4.9)
    first.record(StageSet("sealed"))
    first.record(SignedOff("Mara"))
    second = _tested(begin, "WF-03", 4.9)
    compared = compare_with_earlier(second)
    assert compared is not None
    assert [test.record for test in compared.tests] == [first.row.id, second.row.id]
    content = unit_report_content(second)
    assert content.comparison is not None
    assert content.comparison.sentences == compared.sentences
    now, then = content.history
    assert (now.stage, now.did) == ("sealed", "4 passed, 1 reading")
    assert (then.signed, then.record) == ("Mara", first.row.id)
    assert then.found == "nothing wrong, 97 %, no joint above 40 mΩ"


def test_the_plot_of_a_report_shows_what_was_read_where(begin: Begin) -> None:
    plot = report_content(_tested(begin, "WF-03", 4.85)).plot
    assert plot is not None
    assert [panel.strand for panel in plot.panels] == [1, 2, 3, 4]
    dots = {panel.strand: [(d.x, d.volts) for d in panel.curve.dots] for panel in plot.panels}
    assert dots == {1: [], 2: [(11.0, 4.85)], 3: [], 4: []}
    curve = plot.panels[1].curve
    assert (curve.x[0], curve.x[-1]) == (0.0, 11.0)
    assert curve.read_v is not None
    assert curve.read_v[-1] == pytest.approx(4.85, abs=0.02)  # this unit goes through its reading
