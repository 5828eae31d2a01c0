"""Practice rounds: hidden faults, tallies, and separation from real units."""

from __future__ import annotations

from pathlib import Path

import pytest

from benchtest.prop.design import Design
from benchtest.prop.reader import read_design
from benchtest.records.shelf import Shelf
from benchtest.session.autopilot import Outcome, demo_file
from benchtest.session.launch_options import LaunchOptions
from benchtest.session.log.events import ReadingTaken, RepairDone
from benchtest.session.log.state import fold
from benchtest.session.practice.rounds import (
    GRADES,
    HIDDEN_OHMS,
    PracticeRound,
    Tally,
    begin_round,
    describe_result,
    hide_faults,
    next_grade,
    open_practice,
    parse_tally,
    read_tallies,
    run_reference,
    score_table,
)
from benchtest.virtual.injected_faults import parse_fault


@pytest.fixture(scope="module")
def willow() -> Design:
    with demo_file() as path:
        return read_design(path)


@pytest.mark.parametrize("grade", range(1, len(GRADES) + 1))
def test_a_grade_and_a_seed_hide_the_same_fault_always(willow: Design, grade: int) -> None:
    rounds = [hide_faults(willow, grade, seed) for seed in range(30)]
    assert rounds == [hide_faults(willow, grade, seed) for seed in range(30)]
    assert len(set(rounds)) > 15
    for hidden in rounds:
        assert len({fault.partition("=")[0] for fault in hidden}) == (2 if grade == 6 else 1)
        for fault in hidden:
            parse_fault(fault, willow)  # or it is refused
            where, _, what = fault.partition("=")
            if grade in HIDDEN_OHMS:
                assert HIDDEN_OHMS[grade][0] <= float(what) <= HIDDEN_OHMS[grade][1]
            elif grade in (2, 3):
                assert what == "open"
                assert where.endswith("d") is (grade == 2)
            else:
                assert what in ("dead", "dark")


def test_the_reference_run_ends_once_all_faults_are_repaired(willow: Design) -> None:
    hidden = hide_faults(willow, 4, 7)
    own = run_reference(hidden, 7)
    where = hidden[0].partition("=")[0]
    assert own.repaired
    assert own.named[-1] == where
    assert 1 <= own.readings <= 10  # a twelve-strand prop: readings at every strand end are 24


def test_a_round_has_its_own_shelf_and_counts_readings_and_needless_repairs(tmp_path: Path) -> None:
    bench = LaunchOptions(tmp_path)
    with Shelf(tmp_path) as units, open_practice(bench) as shelf:
        session, there, round_ = begin_round(shelf, bench, 5, 3)
        assert (there.folder, there.to, there.hidden) == (
            tmp_path / "practice",
            "virtual",
            round_.hidden,
        )
        assert session.state.untested == list(range(1, 13))
        where = round_.hidden[0].partition("=")[0]
        session.record(ReadingTaken("all", "4A", 4.8))
        session.record(ReadingTaken("all", "4B", 4.8))
        session.undo()
        round_.repaired("1A+", was_wrong=False)
        assert not round_.over
        session.record(RepairDone(where))
        round_.repaired(where, was_wrong=True)
        assert round_.over
        own = Outcome("PR-000", "", [where], repaired=True, readings=4)
        tally = round_.finish(session, own)
        assert tally == Tally(5, readings=1, needless=1, own_readings=4, own_needless=0)
        assert read_tallies(shelf) == [tally]
        assert units.units() == []
        # the result names the hidden fault, both counts, and the next grade
        words = describe_result(tally, round_.hidden, read_tallies(shelf))
        for part in (round_.hidden[0], "1 reading,", "1 needless repair.", "4 readings", "grade 1"):
            assert part in words
        # another round begins as another unit
        assert begin_round(shelf, bench, 5, 4)[0].tag != session.tag
        # a record that is read again has the same tally
        again = fold(session.events, session.design)
        assert [parse_tally(note) for note in again.notes] == [tally]


def test_the_next_grade_is_the_one_after_the_hardest_mastered() -> None:
    good, bad = Tally(2, 5, 0, 4, 0), Tally(3, 7, 0, 4, 0)
    assert [next_grade([]), next_grade([bad]), next_grade([good, bad])] == [1, 1, 3]
    assert not Tally(2, 4, 1, 4, 0).mastered
    assert Tally(2, 4, 1, 4, 1).mastered
    assert next_grade([Tally(6, 9, 0, 9, 0)]) == 6
    assert score_table([good, Tally(2, 6, 0, 5, 0)])[1].split()[-3:] == ["2", "5.5", "4.5"]


def test_a_note_that_is_not_a_tally_is_not_parsed_as_one() -> None:
    assert parse_tally("practice makes perfect") is None
    assert PracticeRound(1, 0, ("4.17=dead",)).left == {"4.17"}
