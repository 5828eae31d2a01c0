"""State of a session: a fold of its events, and of nothing else."""

from __future__ import annotations

import dataclasses
from collections.abc import Sequence
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from benchtest.errors import InputError
from benchtest.evidence.marks import SEEN, Mark
from benchtest.prop.design import Design
from benchtest.prop.lit_set import LitSet
from benchtest.prop.reader import parse_design
from benchtest.records.models import STAGES
from benchtest.session.log.events import (
    CHECKS,
    CheckMade,
    ColourSeen,
    Concluded,
    FirstLight,
    MarkMade,
    NoteMade,
    NotTaken,
    PartSeen,
    ReadingTaken,
    RepairDone,
    SessionEvent,
    SignedOff,
    SoakBegun,
    SoakSeen,
    SoakStopped,
    StageSet,
    Struck,
    Undone,
    Unknown,
    VerdictGiven,
    Wiggled,
    from_data,
    to_data,
)
from benchtest.session.log.state import LoggedEvent, State, apply_event, fold
from tests.props import SMALL_FAN

FAN = parse_design(SMALL_FAN, "fan.toml")
AT = "2026-11-25T18:00:00.000+00:00"
SAID = Concluded(0.9, True, [{"where": "4A+", "fault": "open", "probability": 0.1, "ohms": None}])


def _numbered(whats: Sequence[SessionEvent]) -> list[LoggedEvent]:
    return [LoggedEvent(seq, AT, what) for seq, what in enumerate(whats, 1)]


def _state(*whats: SessionEvent, design: Design = FAN) -> State:
    return fold(_numbered(whats), design)


def _passed(*strands: int) -> list[SessionEvent]:
    return [VerdictGiven(strand, passed=True) for strand in strands]


_STRANDS = st.integers(1, 4)
_THINGS = st.one_of(
    st.builds(VerdictGiven, _STRANDS, st.booleans()),
    st.builds(
        lambda strand, node, seen: MarkMade(str(strand), strand, str(node), seen),
        _STRANDS, st.integers(1, 10), st.sampled_from(SEEN),
    ),
    st.builds(
        ReadingTaken,
        st.sampled_from(["all", "1 3", "4"]),
        st.sampled_from(["4B", "crown:2+>crown:4+", "main"]),
        st.floats(-5.0, 5.0),
    ),
    st.builds(RepairDone, st.sampled_from(["4A+", "2B-", "main+", "3.5", "2Ad"])),
    st.builds(CheckMade, st.sampled_from(CHECKS), st.just("main"), st.none() | st.booleans()),
    st.builds(FirstLight, st.booleans()),
    st.builds(
        ColourSeen, st.sampled_from(["red", "green", "blue"]), st.booleans(),
        st.none() | _STRANDS,
    ),
    st.builds(PartSeen, st.just(1), st.sampled_from([5, 20]), st.booleans(), st.just(2)),
    st.builds(Wiggled, st.sampled_from(["4A", "2B"]), st.booleans()),
    st.just(SoakBegun(7200.0, 900.0)),
    st.builds(SoakSeen, st.floats(0.0, 1e4), st.booleans()),
    st.builds(SoakStopped, st.floats(0.0, 1e4), st.booleans()),
    # control characters are removed when a record is read, see test_events
    st.builds(NoteMade, st.text(max_size=3).filter(str.isprintable)),
    st.builds(StageSet, st.sampled_from(STAGES)),
    st.just(SAID),
    st.just(SignedOff("Ada")),
    st.just(Unknown({"a": 1})),
)  # fmt: skip


@given(st.lists(_THINGS, max_size=12))
@settings(max_examples=50, deadline=None)
def test_taking_back_everything_leaves_nothing(whats: list[SessionEvent]) -> None:
    happened = _numbered(whats)
    while (state := fold(happened, FAN)).undoable:
        happened.append(LoggedEvent(len(happened) + 1, AT, Undone(state.undoable[-1].seq)))
    still = [h.what for h in happened if isinstance(h.what, Concluded)]
    nothing = State(FAN)
    # a conclusion without any evidence may remain; nothing else does
    assert dataclasses.replace(state, concluded=None) == nothing
    assert state.concluded is None or (bool(still) and len(happened) == len(whats))


@given(st.lists(_THINGS, max_size=12), st.data())
@settings(max_examples=50, deadline=None)
def test_undone_events_leave_the_state_as_without_them(
    whats: list[SessionEvent], data: st.DataObject
) -> None:
    happened = _numbered(whats)
    undoable = [h for h in happened if not isinstance(h.what, Concluded | Unknown)]
    gone = (
        data.draw(st.lists(st.sampled_from(undoable), unique_by=lambda h: h.seq))
        if undoable
        else []
    )
    undone = [LoggedEvent(len(whats) + n, AT, Undone(h.seq)) for n, h in enumerate(gone, 1)]
    without = fold([h for h in happened if h not in gone], FAN)
    state = fold([*happened, *undone], FAN)
    if undone:
        without = dataclasses.replace(without, concluded=None)
    assert state == without


@given(st.lists(_THINGS, max_size=12))
@settings(max_examples=50, deadline=None)
def test_a_record_that_is_read_again_has_the_same_state(whats: list[SessionEvent]) -> None:
    happened = _numbered(whats)
    again = [LoggedEvent(h.seq, h.at, from_data(h.what.kind, _data(h.what))) for h in happened]
    assert fold(again, FAN) == fold(happened, FAN) == fold(happened, FAN)


def _data(what: SessionEvent) -> dict[str, Any]:
    return dict(what.data) if isinstance(what, Unknown) else to_data(what)


def test_at_first_nothing_is_tested() -> None:
    state = State(FAN)
    assert state.untested == [1, 2, 3, 4]
    assert state.failed == []
    assert state.evidence_marks == []


def test_a_failed_strand_waits_for_a_mark() -> None:
    state = _state(VerdictGiven(2, passed=False))
    assert (state.failed, state.unmarked) == ([2], [2])
    state = _state(VerdictGiven(2, passed=False), MarkMade("2", 2, "7-10", "dark"))
    assert (state.failed, state.unmarked) == ([2], [])


def test_a_strand_that_passes_again_loses_its_marks() -> None:
    state = _state(
        VerdictGiven(2, passed=False), MarkMade("2", 2, "7", "dark"),
        MarkMade("3", 3, "1", "warm"), VerdictGiven(2, passed=True),
    )  # fmt: skip
    assert [mark.strand for mark in state.marks] == [3]
    assert state.failed == []


def test_evidence_is_the_marks_and_that_the_rest_was_right() -> None:
    state = _state(
        VerdictGiven(1, passed=True, level=0.25),
        VerdictGiven(2, passed=False),
        VerdictGiven(3, passed=False, level=0.25),
        MarkMade("3", 3, "4-10", "dark", 0.25),
    )
    one, three = LitSet(frozenset([1]), 0.25), LitSet(frozenset([3]), 0.25)
    # strand 2 is only known to have failed, so it is no evidence about any node yet
    assert state.evidence_marks == [
        Mark(one, 1, 1, 10, "ok"), Mark(three, 3, 1, 10, "ok"), Mark(three, 3, 4, 10, "dark"),
    ]  # fmt: skip


def test_strands_that_an_open_power_joint_left_without_data_are_tested_again() -> None:
    crown = SMALL_FAN.index('[[bus]]\nname = "crown"')
    comb = parse_design(SMALL_FAN[:crown] + SMALL_FAN[SMALL_FAN.index("[[feed]]") :], "comb.toml")
    dark = [MarkMade(str(number), number, "1-10", "dark") for number in (2, 3, 4)]
    events = [*_passed(1), *dark, VerdictGiven(3, passed=False), RepairDone("2A+")]
    state = _state(*events, design=comb)
    assert state.untested == [2, 3, 4]
    assert state.marks == ()


def test_a_repair_of_a_power_joint_at_a_strand_end_touches_that_strand_alone() -> None:
    state = _state(
        *_passed(1, 2, 3, 4), MarkMade("4", 4, "3", "warm"), MarkMade("2", 2, "3", "warm"),
        RepairDone("4A+"),
    )  # fmt: skip
    assert state.untested == [4]
    assert [mark.strand for mark in state.marks] == [2]


def test_a_repair_makes_stale_only_the_readings_it_moves() -> None:
    moved = [ReadingTaken("4", "4A", 4.8), ReadingTaken("4", "foot:4+>4A+", 0.004)]
    # with nothing lit but strand 1, no current to speak of goes through joints of strand 4
    kept = [ReadingTaken("1", "1A", 4.9), ReadingTaken("1", "foot:1+>1A+", 0.004)]
    state = _state(*moved, *kept, RepairDone("4A+"))
    assert [str(reading.probe) for reading in state.stale] == [what.probe for what in moved]
    assert [str(reading.probe) for reading in state.readings] == [what.probe for what in kept]


def _standings(state: State) -> list[tuple[int, str]]:
    return [(one.number, one.standing) for one in state.taken]


def test_a_struck_reading_keeps_its_number_and_no_longer_counts() -> None:
    reads = [ReadingTaken("all", f"{strand}B", 4.8) for strand in (1, 2, 3)]
    state = _state(*reads, Struck(2))
    assert [str(reading.probe) for reading in state.readings] == ["1B", "3B"]
    assert _standings(state) == [(1, "counts"), (2, "struck"), (3, "counts")]
    assert _standings(_state(*reads, Struck(2), Undone(4))) == [
        (1, "counts"), (2, "counts"), (3, "counts"),
    ]  # fmt: skip


def test_a_reading_taken_again_replaces_the_one_that_it_names() -> None:
    reads = [ReadingTaken("all", "1B", 4.2), ReadingTaken("all", "2B", 4.8)]
    state = _state(*reads, ReadingTaken("all", "1B", 4.8, again=1))
    assert [(str(r.probe), r.volts) for r in state.readings] == [("2B", 4.8), ("1B", 4.8)]
    assert _standings(state) == [(1, "retaken"), (2, "counts"), (3, "counts")]
    # the same probe again without that is one more reading
    assert len(_state(*reads, ReadingTaken("all", "1B", 4.8)).readings) == 3


def test_evidence_of_before_a_repair_is_without_a_reading_that_was_struck_out_since() -> None:
    reads = [ReadingTaken("4", "4A", 3.1), ReadingTaken("4", "4A", 4.8)]
    state = _state(*reads, RepairDone("4A+"), Struck(1))
    (before,) = state.before
    assert [reading.volts for reading in before.readings] == [4.8]
    assert _standings(state) == [(1, "struck"), (2, "moved")]


@pytest.mark.parametrize("seq", [0, 1, 3, 9])
def test_only_a_reading_of_before_can_be_struck_out(seq: int) -> None:
    # event 1 is a verdict, 3 the strike itself
    events: list[SessionEvent] = [
        VerdictGiven(1, passed=True), ReadingTaken("all", "1B", 4.8), Struck(seq),
    ]  # fmt: skip
    assert len(_state(*events).readings) == 1
    with pytest.raises(InputError, match="is not a reading that can be struck out"):
        apply_event(_state(*events[:2]), LoggedEvent(3, AT, Struck(seq)))


def test_step_by_step_and_folded_at_once_agree_on_readings_that_no_longer_count() -> None:
    events = _numbered(
        [ReadingTaken("all", "1B", 4.2), ReadingTaken("all", "1B", 4.8, again=1), Struck(2)]
    )
    state = State(FAN)
    for event in events:
        state = apply_event(state, event)
    assert state == fold(events, FAN)


def test_a_reading_out_of_reach_is_remembered() -> None:
    state = _state(NotTaken("1-4", "foot:4+>4A+"))
    ((lit, probe),) = state.unreachable
    assert (lit.text(FAN), str(probe)) == ("all", "foot:4+>4A+")


def test_a_repair_of_the_data_line_touches_all_that_data_reaches_after_it() -> None:
    # zigzag over four strands: 1, 2, 3, 4; work on a node of strand 2 leaves strand 1 alone
    state = _state(*_passed(1, 2, 3, 4), RepairDone("2.5"))
    assert state.untested == [2, 3, 4]


@pytest.mark.parametrize(
    "what",
    [
        VerdictGiven(1, passed=True),
        VerdictGiven(1, passed=False),
        MarkMade("1", 1, "2", "flicker"),
        ReadingTaken("all", "1B", 4.8),
        Struck(1),
        RepairDone("4A+"),
    ],
    ids=lambda what: what.kind,
)
def test_work_after_a_sign_off_opens_the_session_again(what: SessionEvent) -> None:
    before = [ReadingTaken("all", "1B", 4.8), *_passed(1, 2, 3, 4), SAID, SignedOff("Ada")]
    assert _state(*before).signed == SignedOff("Ada")
    after = _state(*before, what)
    assert after.signed is None
    assert after.concluded is None


@pytest.mark.parametrize("what", [NoteMade("rain"), StageSet("sealed"), SAID, Unknown({})])
def test_a_sign_off_stays_valid_after_a_note_or_stage(what: SessionEvent) -> None:
    state = _state(*_passed(1, 2, 3, 4), SAID, SignedOff("Ada"), what)
    assert state.signed == SignedOff("Ada")
    assert state.concluded == SAID


def test_a_finding_goes_with_the_evidence_it_was_about() -> None:
    assert _state(*_passed(1), SAID).concluded == SAID
    assert _state(*_passed(1), SAID, *_passed(2)).concluded is None
    assert _state(*_passed(1), SAID, Undone(1)).concluded is None
    assert _state(*_passed(1), Undone(1), SAID).concluded == SAID


def test_a_stage_remembers_whether_anything_was_tested_before_it() -> None:
    assert not _state(StageSet("sealed"), *_passed(1)).tested_earlier
    assert _state(*_passed(1), StageSet("sealed")).tested_earlier
    assert _state(ReadingTaken("all", "1B", 4.8), StageSet("sealed")).tested_earlier


def test_a_tested_unit_stays_tested_when_it_is_carried_out_and_not_when_it_comes_back() -> None:
    tested = (StageSet("sealed"), *_passed(1))
    assert not _state(*tested, StageSet("outdoors")).tested_earlier
    assert not _state(*_passed(1), StageSet("outdoors", was="sealed")).tested_earlier
    assert _state(*tested, StageSet("outdoors"), StageSet("back")).tested_earlier
    # what was tested open and then sealed is not made good by the way outdoors
    assert _state(*_passed(1), StageSet("sealed"), StageSet("outdoors")).tested_earlier
    assert _state(StageSet("soldered"), *_passed(1), StageSet("outdoors")).tested_earlier


def test_events_of_a_later_version_are_passed_over() -> None:
    strange = from_data("flexed", {"joint": "4A+"})
    assert _state(*_passed(1), strange, *_passed(2)).verdicts == {1: True, 2: True}
    assert [h.seq for h in _state(*_passed(1), strange, *_passed(2)).undoable] == [1, 3]


@pytest.mark.parametrize(
    "what",
    [
        VerdictGiven(5, passed=True),
        VerdictGiven(0, passed=True),
        VerdictGiven(1, passed=True, level=2.0),
        MarkMade("9", 9, "1", "dark"),
        MarkMade("1", 2, "1", "dark"),
        MarkMade("1", 1, "11", "dark"),
        MarkMade("1", 1, "1", "dark", colour="mauve"),
        ReadingTaken("all", "9B", 4.0),
        ReadingTaken("all", "1B", None),
        RepairDone("9A+"),
        RepairDone(""),
        Concluded(0.5, True, [{"where": "4A+"}]),
        Concluded(0.5, True, [{"where": "4A+", "probability": "much"}]),
    ],
    ids=str,
)
def test_an_event_that_does_not_fit_the_prop_is_passed_over_when_read(what: SessionEvent) -> None:
    assert _state(*_passed(1), what, *_passed(2)) == dataclasses.replace(
        _state(*_passed(1, 2)),
        undoable=(LoggedEvent(1, AT, *_passed(1)), LoggedEvent(3, AT, *_passed(2))),
    )


def test_a_prop_of_another_size_keeps_what_fits() -> None:
    small = parse_design(SMALL_FAN.replace("count = 4", "count = 2"), "fan.toml")
    state = _state(*_passed(1, 2, 3, 4), RepairDone("4A+"), design=small)
    assert state.verdicts == {1: True, 2: True}
    assert state.repairs == ()


def test_input_errors_name_what_does_not_fit() -> None:
    with pytest.raises(InputError, match="strands 1 to 4"):
        apply_event(State(FAN), LoggedEvent(1, AT, VerdictGiven(5, passed=True)))
