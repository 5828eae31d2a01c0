"""Guidance: the next step, from the first look to the sign-off."""

from __future__ import annotations

import dataclasses
from collections.abc import Sequence

import pytest

from benchtest.diagnosis import Engine, Finding, NextReading, Suspect
from benchtest.diagnosis.finding import JudgedReading, NearFault
from benchtest.diagnosis.model.faults import FaultKind
from benchtest.diagnosis.planning.request_rules import joint_drop_reading
from benchtest.evidence.meter import DEFAULT_METER
from benchtest.prop.design import Design
from benchtest.prop.lit_set import all_lit, parse_lit_set
from benchtest.prop.notation import parse_probe
from benchtest.session.guidance.next_step import MIN_REPAIR_PROBABILITY, next_step
from benchtest.session.guidance.release import release_blockers, shelf_line, unfinished_items
from benchtest.session.log.events import (
    CheckMade,
    ColourSeen,
    Concluded,
    ControllerSeen,
    FirstLight,
    MarkMade,
    NoteMade,
    NotTaken,
    PictureSeen,
    ReadingTaken,
    RepairDone,
    SessionEvent,
    SignedOff,
    StageSet,
    VerdictGiven,
    Wiggled,
)
from benchtest.session.log.evidence import MIN_SUSPECT_PROBABILITY
from benchtest.session.log.state import LoggedEvent, State, fold, is_evidence

AT = "2026-11-25T18:00:00.000+00:00"
CHECKED: list[SessionEvent] = [
    CheckMade("rails", "main", passed=True, ohm=47e3),
    CheckMade("polarity", "main", passed=True),
    CheckMade("fuse", "main", passed=True),
    CheckMade("supply", "main", passed=True, volts=5.02),
    FirstLight(passed=True),
]
COLOURS: list[SessionEvent] = [ColourSeen(c, right=True) for c in ("red", "green", "blue")]
ALL_PASS: list[SessionEvent] = [
    *COLOURS,
    *(VerdictGiven(strand, passed=True) for strand in (1, 2, 3, 4)),
]
REFLOW = "switch off; reflow joint 4A+ (supply wire onto pad foot:4); tug it when cold"
SETTLED = NextReading(None, None, 0.0, settled=True)


def _state(design: Design, whats: Sequence[SessionEvent]) -> State:
    return fold([LoggedEvent(seq, AT, what) for seq, what in enumerate(whats, 1)], design)


def _suspect(where: str, probability: float, fault: FaultKind = "resistive") -> Suspect:
    return Suspect(where, fault, probability)


def _finding(*suspects: Suspect, ask: NextReading = SETTLED) -> Finding:
    return Finding(1.0 - sum(s.probability for s in suspects), suspects, (), ask, (), 0.04)


@pytest.fixture
def asks(fan: Design) -> NextReading:
    """Return a next reading of use, so that the finding is not settled."""
    return NextReading(all_lit(fan), parse_probe("4B", fan), 0.5, settled=False)


def test_a_whole_evening(fan: Design, asks: NextReading) -> None:
    done: list[SessionEvent] = []
    for step in CHECKED[:4]:
        advice = next_step(_state(fan, done), None)
        assert isinstance(step, CheckMade)
        assert (advice.task, advice.check) == ("check", (step.check, step.feed))
        assert advice.caution
        done.append(step)
    assert next_step(_state(fan, done), None).task == "glow"
    done.append(CHECKED[4])
    advice = next_step(_state(fan, done), None)
    assert (advice.task, advice.lit) == ("picture", all_lit(fan))
    done.append(PictureSeen(as_drawn=False))
    advice = next_step(_state(fan, done), None)
    assert (advice.task, len(advice.choices)) == ("controller", 5)
    done.append(ControllerSeen(None))
    for strand in (1, 2, 3, 4):
        advice = next_step(_state(fan, done), None)
        assert (advice.task, advice.strand) == ("look", strand)
        done.append(VerdictGiven(strand, passed=strand != 4))

    advice = next_step(_state(fan, done), None)
    assert (advice.task, advice.strand) == ("search", 4)
    assert [str(node) for node in advice.nodes] == ["4.10", "4.9", "4.8", "4.7", "4.6"]
    done.append(MarkMade("4", 4, "5-10", "warm"))

    for colour in COLOURS:
        advice = next_step(_state(fan, done), None)
        assert isinstance(colour, ColourSeen)
        assert (advice.task, advice.colour, advice.strand) == ("colour", colour.colour, None)
        done.append(colour)

    assert next_step(_state(fan, done), None).task == "think"
    advice = next_step(_state(fan, done), _finding(_suspect("4A+", 0.4), ask=asks))
    assert (advice.task, advice.lit, advice.probe) == ("read", asks.lit, asks.probe)
    assert advice.text == "Red on wire 4B +, black on wire 4B -. All strands lit."
    done.append(ReadingTaken("all", "4B", 4.1))

    advice = next_step(_state(fan, done), _finding(_suspect("4A+", 0.93)))
    assert (advice.task, advice.text) == ("repair", f"Repair: {REFLOW}.")
    assert advice.suspect is not None
    assert advice.suspect.where == "4A+"
    done.append(RepairDone("4A+"))

    advice = next_step(_state(fan, done), None)
    assert (advice.task, advice.check) == ("check", ("rails", "main"))  # solder may bridge them
    done.append(CheckMade("rails", "main", passed=True))
    advice = next_step(_state(fan, done), None)
    assert (advice.task, advice.strand) == ("look", 4)
    assert advice.text == "Does every node of strand 4 light again?"
    done.append(VerdictGiven(4, passed=True))

    assert next_step(_state(fan, done), _finding()).task == "sign-off"
    done.append(SignedOff("Ada"))
    advice = next_step(_state(fan, done), _finding())
    assert (advice.task, advice.text.partition(".")[0]) == ("done", "Signed off by Ada")


def test_the_search_of_a_failed_strand_comes_before_looks_behind_it(fan: Design) -> None:
    # the data of a zigzag runs through strand 2 into 3 and 4, which cannot light behind a break
    one = [*CHECKED, VerdictGiven(1, passed=True), VerdictGiven(2, passed=False)]
    advice = next_step(_state(fan, one), None)
    assert (advice.task, advice.strand) == ("search", 2)
    # found: dark from the middle on towards end A, so that strands 3 and 4 are asked for together
    advice = next_step(_state(fan, [*one, MarkMade("2", 2, "1-5", "dark")]), None)
    assert advice.task == "downstream"
    assert advice.lit is not None
    assert advice.lit.strands == {3, 4}
    # one dark node that passes data on: the next look follows
    advice = next_step(_state(fan, [*one, MarkMade("2", 2, "5", "dark")]), None)
    assert (advice.task, advice.strand) == ("look", 3)


def test_ohms_between_the_rails_come_before_a_bridge_is_looked_for(fan: Design) -> None:
    done = [one for one in CHECKED if not (isinstance(one, CheckMade) and one.check == "rails")]
    done += [*ALL_PASS, ReadingTaken("all", "4B", 2.1)]
    finding = _finding(_suspect("main", 0.97, "short"))
    advice = next_step(_state(fan, done), finding)
    assert (advice.task, advice.check) == ("check", ("rails", "main"))
    assert advice.caution
    touching = next_step(_state(fan, [*done, CheckMade("rails", "main", False, ohm=0.4)]), finding)
    assert touching.text.startswith("Rails touch at feed main")
    open_rails = _state(fan, [*done, CheckMade("rails", "main", True, ohm=47e3)])
    assert open_rails.unshorted == {"main": 1}
    assert next_step(open_rails, finding).task == "repair"  # its fuse, or what came since
    soldered = _state(fan, [*done, CheckMade("rails", "main", True), RepairDone("2A+")])
    assert soldered.unshorted == {}


def test_a_unit_with_evidence_that_nothing_explains_is_not_offered_as_sound(fan: Design) -> None:
    reads: list[SessionEvent] = [ReadingTaken("all", "4B", 2.1)]
    near = (NearFault("3A-", "resistive", 2.52), NearFault("2A-", "open", None))
    nothing = NextReading(None, None, 0.0, settled=False)
    finding = _with(_finding(ask=nothing), healthy=0.0, explained=False, nearest=near)
    advice = next_step(_state(fan, [*CHECKED, *ALL_PASS, *reads]), finding)
    assert advice.task == "sign-off"
    assert advice.text == (
        "Not sound, and no fault explains it; nearest: 3A- at 2.5 Ω and 2A- open. Sign off anyway?"
    )


def _with(finding: Finding, **changes: object) -> Finding:
    return dataclasses.replace(finding, **changes)  # type: ignore[arg-type]


def test_a_reading_that_disagrees_with_all_others_is_taken_again_once(fan: Design) -> None:
    reads: list[SessionEvent] = [ReadingTaken("all", f"{n}B", 4.8) for n in (1, 2, 3)]
    reads[1] = ReadingTaken("1-2", "2B", 4.632)
    done = [*ALL_PASS, *reads]
    odd = _with(_finding(_suspect("4A+", 0.99)), strange=2, set_aside=(2,))
    advice = next_step(_state(fan, done), odd)
    assert (advice.task, str(advice.probe), advice.may_skip) == ("read", "2B", True)
    assert advice.text == (
        "Reading 2 (2B, 4.632 V) disagrees with all others. Take it again, with 1-2 lit."
    )
    assert advice.replaces == len(ALL_PASS) + 2
    for answer in (
        ReadingTaken("1-2", "2B", 4.632),  # the same again
        NotTaken("1-2", "2B"),
    ):
        state = _state(fan, [*done, answer])
        assert next_step(state, odd).task == "repair"
    # another one, which is as far off: it is not taken a third time
    state = _state(fan, [*done, ReadingTaken("1-2", "2B", 4.4, again=advice.replaces)])
    assert next_step(state, _with(odd, strange=3, set_aside=(3,))).task == "repair"


def test_a_lead_that_serves_the_next_readings_too_is_clipped_on(fan: Design) -> None:
    probe = parse_probe("foot:2->crown:1-", fan)
    ask = NextReading(all_lit(fan), probe, 0.5, settled=False, left=frozenset(["black"]))
    done = [*CHECKED, *ALL_PASS]
    advice = next_step(_state(fan, done), _finding(ask=ask))
    assert advice.text == (
        "Clip black to crown 1 - and leave it there. Red on foot 2 -. All strands lit."
    )
    # it is there: only red moves
    taken = ReadingTaken("all", "foot:4->crown:1-", 0.0151)
    advice = next_step(_state(fan, [*done, taken]), _finding(ask=ask))
    assert advice.text == "Red on foot 2 -. Black stays on crown 1 -. All strands lit."


def _judged(state: State, *expected_v: float) -> Finding:
    rows = [JudgedReading(one, volts, 0.1 * abs(volts), (one.value - volts) / (0.1 * abs(volts)))
            for one, volts in zip(state.readings, expected_v, strict=True)]  # fmt: skip
    ask = NextReading(all_lit(state.design), parse_probe("2B", state.design), 0.5, settled=False)
    return dataclasses.replace(_finding(ask=ask), readings=tuple(rows))


def test_leads_that_are_exchanged_at_the_meter_are_asked_about(fan: Design) -> None:
    reads: list[SessionEvent] = [
        ReadingTaken("all", "foot:1+>crown:1+", -0.0151),
        ReadingTaken("all", "crown:1->foot:1-", -0.0139),
    ]
    done = [*CHECKED, *ALL_PASS, *reads]
    state = _state(fan, done)
    advice = next_step(state, _judged(state, 0.0148, 0.0148))
    assert advice.text == (
        "Readings 1-2 have the opposite sign: are the leads exchanged at the meter? Plug them in "
        "right. Red on foot 1 +, black on crown 1 +. All strands lit. This is reading 1 again."
    )
    first = len(CHECKED) + len(ALL_PASS) + 1
    assert (advice.task, advice.replaces) == ("read", first)
    # read again: the other one follows, and then the plan goes on
    state = _state(fan, [*done, ReadingTaken("all", "foot:1+>crown:1+", 0.0150, again=first)])
    advice = next_step(state, _judged(state, 0.0148, 0.0148))
    assert advice.replaces == first + 1
    assert advice.text.startswith("Reading 2 has the opposite sign")
    right = ReadingTaken("all", "crown:1->foot:1-", 0.0139, again=first + 1)
    state = _state(
        fan, [*done, ReadingTaken("all", "foot:1+>crown:1+", 0.0150, again=first), right]
    )
    assert str(next_step(state, _judged(state, 0.0148, 0.0148)).probe) == "2B"


def test_one_drop_of_the_other_sign_is_no_exchange_of_leads(fan: Design) -> None:
    reads: list[SessionEvent] = [
        ReadingTaken("all", "foot:1+>crown:1+", -0.0151),
        ReadingTaken("all", "4B", 4.6),
    ]
    state = _state(fan, [*CHECKED, *ALL_PASS, *reads])
    assert str(next_step(state, _judged(state, 0.0148, 4.7)).probe) == "2B"


def test_several_readings_that_disagree_may_be_of_another_unit(fan: Design) -> None:
    reads: list[SessionEvent] = [ReadingTaken("all", f"{n}B", 4.8) for n in (1, 2, 3, 4)]
    odd = _with(_finding(_suspect("4A+", 0.99)), strange=3, set_aside=(3, 4))
    advice = next_step(_state(fan, [*CHECKED, *ALL_PASS, *reads]), odd)
    assert advice.text == (
        "Reading 3 (3B, 4.800 V) disagrees with all others. Is it still the same unit? Take it "
        "again, with all lit."
    )


def test_a_reading_set_aside_keeps_a_unit_open_until_it_is_taken_again(fan: Design) -> None:
    read = ReadingTaken("all", "2B", 4.632)
    said = Concluded(0.97, True, [], 0.03, [1])
    assert unfinished_items(_state(fan, [*ALL_PASS, read, said]), said) == ["reading 1 (2B) again"]
    done = [*ALL_PASS, read, ReadingTaken("all", "2B", 4.8), said]
    assert unfinished_items(_state(fan, done), said) == []
    # records of before have no such numbers
    before = Concluded(0.97, True, [], 0.03)
    assert unfinished_items(_state(fan, [*ALL_PASS, read, before]), before) == []


def test_the_drop_across_a_joint_is_asked_for_before_the_iron(fan: Design) -> None:
    lit, probe = parse_lit_set("4", fan), parse_probe("foot:4+>4A+", fan)
    ask = NextReading(lit, probe, 0.1, settled=False, before_repair=True)
    done = [*ALL_PASS, ReadingTaken("4", "4A", 4.1)]
    advice = next_step(_state(fan, done), _finding(_suspect("4A+", 0.99), ask=ask))
    assert (advice.task, advice.lit, advice.probe, advice.may_skip) == ("read", lit, probe, True)
    assert advice.text.startswith("Before the repair, the joint itself. Red on foot 4 +")
    assert "wire 4A +" in advice.text
    assert advice.text.endswith("Strand 4 lit.")


def test_a_finding_before_a_reading_was_skipped_no_longer_holds(fan: Design) -> None:
    assert is_evidence(NotTaken("4", "foot:4+>4A+"))


def test_the_drop_is_asked_for_where_it_shows_most(fan: Design) -> None:
    # buses at both ends: with all lit next to nothing goes through the far end's joints, alone
    # half of its strand's current does
    engine = Engine(fan)
    asked = joint_drop_reading(engine.responses, engine.permitted, "3B+", 0.5, [])
    assert asked is not None
    assert (asked[0].text(fan), str(asked[1])) == ("3", "crown:3+>3B+")
    assert joint_drop_reading(engine.responses, engine.permitted, "3.5", None, []) is None


def test_an_open_and_a_resistive_suspect_of_one_joint_count_together(fan: Design) -> None:
    both = [_suspect("4A+", 0.3), _suspect("2B-", 0.35), _suspect("4A+", 0.3, "open")]
    advice = next_step(_state(fan, ALL_PASS), _finding(*both))
    assert advice.suspect is not None
    assert (advice.suspect.where, advice.text) == ("4A+", f"Repair: {REFLOW}.")


@pytest.mark.parametrize("fault", ["data-open", "dead-node", "no-data-out"])
def test_a_likely_break_in_the_data_line_is_repaired_before_more_is_measured(
    fan: Design, asks: NextReading, fault: FaultKind
) -> None:
    likely = _finding(_suspect("2.5", MIN_REPAIR_PROBABILITY, fault), ask=asks)
    assert next_step(_state(fan, ALL_PASS), likely).task == "repair"
    unsure = _finding(_suspect("2.5", MIN_REPAIR_PROBABILITY - 0.01, fault), ask=asks)
    assert next_step(_state(fan, ALL_PASS), unsure).task == "read"


def test_a_resistive_joint_waits_for_its_readings(fan: Design, asks: NextReading) -> None:
    finding = _finding(_suspect("4A+", 0.9), ask=asks)
    assert next_step(_state(fan, ALL_PASS), finding).task == "read"


def test_the_likeliest_repair_is_advised_once_no_reading_is_left(fan: Design) -> None:
    advice = next_step(
        _state(fan, ALL_PASS), _finding(_suspect("4A+", MIN_SUSPECT_PROBABILITY + 0.01))
    )
    assert (advice.task, advice.text) == ("repair", f"Most likely: {REFLOW}.")
    assert (
        next_step(_state(fan, ALL_PASS), _finding(_suspect("4A+", MIN_SUSPECT_PROBABILITY))).task
        == "sign-off"
    )


def test_a_failed_strand_that_nothing_explains_is_not_signed_off(fan: Design) -> None:
    done = [*ALL_PASS[:-1], VerdictGiven(4, passed=False), MarkMade("4", 4, "3", "flicker")]
    advice = next_step(_state(fan, done), _finding())
    assert (advice.task, advice.strand) == ("walk", 4)


def test_colours_that_are_wrong_everywhere_name_the_order_that_the_nodes_take(fan: Design) -> None:
    """The file has RGB; nodes that take GRB swap red and green, since octets are in that order."""
    done = [*CHECKED, *ALL_PASS[len(COLOURS) :], ColourSeen("blue", right=True)]
    for colour in ("red", "green"):
        done.append(ColourSeen(colour, right=False))
        done += [ColourSeen(colour, right=False, strand=strand) for strand in (1, 2, 3, 4)]
    state = _state(fan, done)
    advice = next_step(state, Engine(fan).diagnose((), state.evidence_marks, DEFAULT_METER, []))
    assert advice.suspect is not None
    assert advice.suspect.fault == "colour-order"
    assert advice.text.endswith("It is likely GRB.")


# -- what keeps a unit indoors ---------------------------------------------------------------------

READ = ReadingTaken("all", "4B", 4.6)
GOOD = Concluded(0.98, settled=True)


def test_a_sign_off_is_asked_for_with_what_is_still_open(fan: Design) -> None:
    """The question before a sign-off and the advice after it list the same unfinished items."""
    whats = [*ALL_PASS, READ]
    assert next_step(_state(fan, whats), _finding()).text == "All tests done. Sign off as:"
    loose = [*whats, Wiggled("4A", steady=False), Wiggled("4B", steady=False)]
    advice = next_step(_state(fan, loose), _finding())
    assert (advice.task, advice.text.partition(". ")[0]) == (
        "sign-off", "Not done: 4A, 4B flicker when moved"
    )  # fmt: skip
    done = next_step(_state(fan, [*loose, GOOD, SignedOff("Ada")]), None)
    assert done.text == "Signed off by Ada. Not done: 4A, 4B flicker when moved."


def _waits(design: Design, *whats: SessionEvent) -> list[str]:
    return release_blockers(_state(design, whats), "sealed")


def test_a_unit_goes_out_when_all_is_done_after_sealing(fan: Design) -> None:
    assert _waits(fan, *ALL_PASS, READ, GOOD, SignedOff("Ada")) == []
    assert _waits(fan, *ALL_PASS, READ, GOOD, SignedOff("Ada"), NoteMade("rain")) == []


@pytest.mark.parametrize(
    ("whats", "said"),
    [
        ((READ, GOOD, SignedOff("Ada")), "look at strands 1, 2, 3, 4"),
        ((*ALL_PASS, READ, SignedOff("Ada")), "readings"),
        ((*ALL_PASS, READ, GOOD), "sign-off"),
        ((*ALL_PASS, GOOD, SignedOff("Ada")), "readings that settle it"),
        (
            (*ALL_PASS, READ, Concluded(0.9, settled=False), SignedOff("Ada")),
            "readings that settle it",
        ),
        ((*ALL_PASS, StageSet("sealed"), READ, GOOD, SignedOff("Ada")), "a test after sealing"),
        (
            (*ALL_PASS[:-1], VerdictGiven(4, passed=False), READ, GOOD, SignedOff("Ada")),
            "strand 4 failed",
        ),
    ],
)
def test_each_thing_left_undone_keeps_it_indoors(
    fan: Design, whats: tuple[SessionEvent, ...], said: str
) -> None:
    assert _waits(fan, *whats) == [said]


def test_a_suspect_keeps_a_unit_indoors_and_is_named(fan: Design) -> None:
    rows = [
        {"where": "4A+", "fault": "resistive", "probability": 0.04, "ohms": 0.1},
        {"where": "2B-", "fault": "open", "probability": 0.02, "ohms": None},
        {"where": "4A+", "fault": "open", "probability": 0.03, "ohms": None},
    ]
    said = Concluded(0.9, settled=True, suspects=rows)
    # each below 5 %, yet something is wrong at 4A+ with 7 %
    assert _waits(fan, *ALL_PASS, READ, said, SignedOff("Ada")) == ["repair of joint 4A+ (7%)"]


def test_suspects_of_an_unsettled_finding_are_cleared_by_readings(fan: Design) -> None:
    rows = [{"where": where, "probability": 0.3} for where in ("4A+", "4A-", "2.7")]
    said = Concluded(0.1, settled=False, suspects=rows)
    waits = _waits(fan, *ALL_PASS, READ, said)
    assert waits == ["readings to clear joint 4A, node 2.7", "sign-off"]
    assert shelf_line("WF-03", "sealed", waits) == (
        "WF-03: sealed, waits for: readings to clear joint 4A, node 2.7, sign-off"
    )


def test_a_mark_made_after_a_strand_passed_keeps_it_indoors(fan: Design) -> None:
    late = [*ALL_PASS, MarkMade("4", 4, "3", "flicker"), READ, GOOD, SignedOff("Ada")]
    assert _waits(fan, *late) == ["another look at strand 4, marked flicker"]
    late[-3:-3] = [VerdictGiven(4, passed=True)]
    assert _waits(fan, *late) == []


@pytest.mark.parametrize("stage", ["bare", "soldered"])
def test_only_a_test_after_sealing_counts(fan: Design, stage: str) -> None:
    state = _state(fan, [*ALL_PASS, READ, GOOD, SignedOff("Ada")])
    assert release_blockers(state, stage) == ["seal it, then retest"]  # type: ignore[arg-type]


def test_long_lists_are_cut_short(make_fan: object) -> None:
    assert callable(make_fan)
    state = State(make_fan(strands=12, nodes=2))
    assert unfinished_items(state, None)[0] == "look at strands 1, 2, 3, 4 and 8 more"


def test_a_recorded_finding_leaves_the_same_unfinished_items_as_a_new_one(fan: Design) -> None:
    state = _state(fan, [*ALL_PASS, READ])
    now = _finding(_suspect("4A+", 0.2), _suspect("4A+", 0.1, "open"))
    kept = Concluded(
        0.7, settled=True,
        suspects=[{"where": "4A+", "probability": 0.2}, {"where": "4A+", "probability": 0.1}],
    )  # fmt: skip
    assert (
        unfinished_items(state, now)
        == unfinished_items(state, kept)
        == ["repair of joint 4A+ (30%)"]
    )
