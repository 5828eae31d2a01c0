"""Tests of a unit over years, and units of a batch: hidden resistances, read by a virtual meter."""

from __future__ import annotations

import json
from collections.abc import Callable, Sequence
from datetime import UTC, datetime, timedelta

import pytest

from benchtest.cli.main import main
from benchtest.comparison.batch_report import batch_content, render_batch
from benchtest.comparison.gather import (
    compare_batch,
    compare_unit,
    gather_tests,
    gather_units,
)
from benchtest.comparison.report import ComparedChange, UnitComparison
from benchtest.errors import InputError, NameFault
from benchtest.evidence.meter import DEFAULT_METER
from benchtest.pattern import frame_from_duty
from benchtest.prop.design import Design
from benchtest.prop.joints import power_joints
from benchtest.prop.lit_set import parse_lit_set
from benchtest.records.shelf import Shelf
from benchtest.session.log.events import NoteMade, ReadingTaken, RepairDone
from benchtest.session.session import Session
from benchtest.virtual.injected_faults import parse_fault
from benchtest.virtual.virtual_prop import VirtualProp

READ = ("2A+", "2A+", "3A-")
Bench = Callable[..., Session]


@pytest.fixture
def tested(shelf: Shelf, design_text: str, fan: Design) -> Bench:
    """Return a test of a unit in a year: drops across joints with their strand lit alone."""
    probes = {joint.name: joint.probe for joint in power_joints(fan)}

    def test(
        year: int,
        *faults: str,
        tag: str = "WF-03",
        seed: int = 5,
        read: Sequence[str] = READ,
        repair: str = "",
        text: str = design_text,
    ) -> Session:
        started = iter(datetime(year, 11, 25, 12, tzinfo=UTC) + timedelta(seconds=n)
                       for n in range(99))  # fmt: skip
        session = Session.start(shelf, text, tag, DEFAULT_METER, lambda: next(started))
        if repair:
            session.record(RepairDone(repair, "reflowed"))
        prop = VirtualProp(fan, [parse_fault(fault, fan) for fault in faults], seed)
        for joint in read:
            lit = parse_lit_set(joint[0], fan)
            prop.receive(frame_from_duty(lit.duty(fan)))
            session.record(ReadingTaken(joint[0], str(probes[joint]), prop.measure(probes[joint])))
        return session

    return test


def _compared(shelf: Shelf, *chosen: str) -> UnitComparison:
    return compare_unit(gather_tests(shelf, "WF-03", chosen))


def _one(found: UnitComparison) -> ComparedChange:
    (change,) = found.changes
    return change


def test_a_joint_that_has_grown_is_named_with_what_to_do(shelf: Shelf, tested: Bench) -> None:
    tested(2025)
    tested(2026, "2A+=0.1")
    found = _compared(shelf)
    change = _one(found)
    assert (change.where, change.direction, change.remade) == ("2A+", "grew", False)
    assert change.before.at_most_ohm is not None
    assert change.before.at_most_ohm < 0.012
    assert change.after.low_ohm < 0.1 < change.after.high_ohm
    assert found.sentences[0].startswith("2A+ grew from at most ")
    assert found.sentences[0].endswith(": repair it before it fails.")
    # two other joints were read across in both tests; joints without readings may have changed
    assert "were not shown in one test or more: they may have changed." in found.sentences[1]
    assert [row.where for row in found.worth_showing] == ["2A+"]


def test_a_unit_that_has_not_changed_has_no_change(shelf: Shelf, tested: Bench) -> None:
    tested(2025)
    tested(2026)
    found = _compared(shelf)
    assert (found.changes, found.worth_showing) == ([], [])
    assert found.sentences[0] == "No joint has changed beyond noise."


def test_a_joint_that_is_bad_in_both_tests_is_named_without_a_change(
    shelf: Shelf, tested: Bench
) -> None:
    tested(2025, "2A+=0.1")
    tested(2026, "2A+=0.1")
    found = _compared(shelf)
    assert found.changes == []
    assert found.sentences[0].startswith("2A+ is at fault, ")
    assert found.sentences[0].endswith(", without a change beyond noise: repair it.")


def test_over_years_each_test_is_compared_with_the_last(shelf: Shelf, tested: Bench) -> None:
    tested(2023, seed=6)
    tested(2024, seed=6)
    tested(2025, "2A+=0.02", seed=6)
    tested(2026, "2A+=0.3", seed=6)
    change = _one(_compared(shelf))
    assert (change.earlier, change.later, change.running) == (0, 3, 2)
    assert change.sentence.endswith("repair it before it fails. It has grown at 2 tests running.")
    lows = next(row.bands for row in _compared(shelf).joints if row.where == "2A+")
    assert lows[1].high_ohm < lows[2].low_ohm < lows[2].high_ohm < lows[3].low_ohm


def test_a_repair_separates_earlier_tests_from_later_ones(shelf: Shelf, tested: Bench) -> None:
    tested(2024)
    tested(2025, "2A+=0.1")
    tested(2026, repair="2A+")
    change = _one(_compared(shelf))
    assert (change.direction, change.remade) == ("fell", True)
    assert (change.earlier, change.later) == (1, 2)
    assert change.sentence.endswith(": remade in between.")
    tested(2027, "2A+=0.1")
    change = _one(_compared(shelf))
    assert (change.direction, change.earlier, change.later) == ("grew", 2, 3)  # since it was remade


def test_a_joint_that_fell_with_no_repair_noted_is_to_be_read_again(
    shelf: Shelf, tested: Bench
) -> None:
    tested(2025, "2A+=0.1")
    tested(2026)
    assert _one(_compared(shelf)).sentence.endswith(": no repair is on record: read it again.")


def test_any_two_tests_are_chosen_by_date_or_record(shelf: Shelf, tested: Bench) -> None:
    first, _, third = tested(2023), tested(2024, "2A+=0.1"), tested(2025)
    found = gather_tests(shelf, "WF-03", ["2025-11-25", first.row.id[:8]])
    assert [test.record for test in found.tests] == [first.row.id, third.row.id]
    with pytest.raises(InputError, match=r'"2026" names no test with readings; .*2023-11-25'):
        gather_tests(shelf, "WF-03", ["2025-11-25", "2026"])
    with pytest.raises(InputError, match="the same test is named twice"):
        gather_tests(shelf, "WF-03", ["2025-11-25", third.row.id])
    tested(2025)
    with pytest.raises(InputError, match='"2025-11-25" names 2 tests'):
        gather_tests(shelf, "WF-03", ["2025-11-25", "2023-11-25"])


def test_tests_that_cannot_be_compared_are_refused_or_listed_as_left_out(
    shelf: Shelf, tested: Bench, design_text: str, begin: Bench
) -> None:
    with pytest.raises(NameFault, match="not on this bench"):
        gather_tests(shelf, "WF-03")
    begin().record(NoteMade("looked at"))
    with pytest.raises(InputError, match="no test of it has readings yet"):
        gather_tests(shelf, "WF-03")
    longer = design_text.replace("nodes = 10", "nodes = 12")
    tested(2025, text=longer)
    tested(2027)
    with pytest.raises(InputError, match=r"needs two. Left out: 2025-11-25: .* wired differently"):
        gather_tests(shelf, "WF-03")
    tested(2028)
    found = gather_tests(shelf, "WF-03")
    assert len(found.tests) == 2
    assert found.left_out == ("2025-11-25: the prop was wired differently",)


def test_of_many_years_the_first_and_the_last_ones_are_gathered(
    shelf: Shelf, tested: Bench
) -> None:
    for year in range(2016, 2028):
        tested(year, read=("2A+",))
    found = gather_tests(shelf, "WF-03")
    assert [test.date[:4] for test in found.tests] == [
        "2016", "2021", "2022", "2023", "2024", "2025", "2026", "2027",
    ]  # fmt: skip
    assert found.left_out == ("4 tests between the first and the last ones",)


@pytest.fixture
def batch(shelf: Shelf, tested: Bench) -> Shelf:
    """Four units, of which WF-04 has a high joint, and a fifth without readings."""
    for number in (1, 2, 3):
        tested(2026, tag=f"WF-0{number}", seed=5 + number)
    tested(2026, "3A-=0.05", tag="WF-04", seed=4, read=(*READ, "3A-"))
    shelf.add_units(["WF-05"], "Small fan", shelf.design_text("WF-01"))
    return shelf


def test_the_outlying_joint_of_a_batch_is_named(batch: Shelf) -> None:
    found = compare_batch(gather_units(batch, "Small fan"))
    (odd,) = found.unlike
    assert (odd.tag, odd.where) == ("WF-04", "3A-")
    assert odd.band.low_ohm / 1.15 < 0.05 < odd.band.high_ohm * 1.15
    assert found.sentences == [odd.sentence]
    assert found.left_out == ("WF-05: has no readings",)
    assert [test.tag for test in found.tests] == ["WF-01", "WF-02", "WF-03", "WF-04"]
    content = batch_content(batch, "Small fan", datetime(2026, 11, 26, tzinfo=UTC))
    assert content.odd_tags[0] == "WF-04"
    page = render_batch(content).replace("\N{NO-BREAK SPACE}", " ")
    assert odd.sentence in page
    assert f"! {odd.band.range_words}" in page


def test_two_units_have_no_outlier(shelf: Shelf, tested: Bench) -> None:
    tested(2026, tag="WF-01")
    tested(2026, "3A-=0.05", tag="WF-02")
    found = compare_batch(gather_units(shelf, "Small fan"))
    assert found.unlike == []
    assert found.sentences[0].startswith("Naming a unit that differs from the others takes 3 units")


def test_compare_prints_a_table_or_one_object(
    shelf: Shelf, tested: Bench, capsys: pytest.CaptureFixture[str]
) -> None:
    first, last = tested(2025), tested(2026, "2A+=0.1")
    bench = ["--bench", str(shelf.folder)]
    assert main(["compare", "WF-03", *bench]) == 0
    said = capsys.readouterr().out
    assert "2025-11-25" in said
    assert "2A+ grew from at most" in " ".join(said.split())
    assert main(["compare", "WF-03", "2025-11-25", last.row.id, "--json", *bench]) == 0
    found = json.loads(capsys.readouterr().out)
    assert [test["session"] for test in found["tests"]] == [first.row.id, last.row.id]
    (change,) = found["changes"]
    assert (change["where"], change["from"], change["to"]) == ("2A+", first.row.id, last.row.id)
    assert change["after"]["low"] < 0.1 < change["after"]["high"]
    by_joint = {row["where"]: row["ohms"] for row in found["joints"]}
    assert len(by_joint) == 18  # 4 strands, 2 ends, 2 rails; and the feed's two
    assert by_joint["2A+"][1] == change["after"]


def test_compare_of_a_design_names_the_odd_unit(
    batch: Shelf, capsys: pytest.CaptureFixture[str]
) -> None:
    assert main(["compare", "--design", "Small fan", "--json", "--bench", str(batch.folder)]) == 0
    found = json.loads(capsys.readouterr().out)
    assert [(odd["unit"], odd["where"]) for odd in found["unlike"]] == [("WF-04", "3A-")]
    assert set(found["joints"][0]["ohms"]) == {"WF-01", "WF-02", "WF-03", "WF-04"}


@pytest.mark.parametrize(
    ("words", "said"),
    [
        ([], "give one unit"),
        (["WF-03", "--design", "Small fan"], "give one unit"),
        (["WF-03", "2025-11-25"], "give two tests or more"),
        (["WF-03"], "not on this bench"),
        (["--design", "Smal fan"], "no unit of it"),
    ],
)
def test_compare_refuses_in_plain_words(
    shelf: Shelf, words: list[str], said: str, capsys: pytest.CaptureFixture[str]
) -> None:
    assert main(["compare", *words, "--bench", str(shelf.folder)]) == 2
    done = capsys.readouterr()
    assert (done.out, done.err.startswith("benchtest: ")) == ("", True)
    assert said in done.err
