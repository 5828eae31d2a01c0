"""The bench as used by the screen: effects of keys on real packets and a real record."""

from __future__ import annotations

import numpy as np
import pytest

from benchtest.circuit.network import Circuit
from benchtest.circuit.solution import solve
from benchtest.diagnosis import Finding, NextReading, Suspect
from benchtest.drive.universe_layout import Frame
from benchtest.errors import InputError, NameFault
from benchtest.evidence.marks import Mark
from benchtest.prop.design import Design, NodeName
from benchtest.prop.lit_set import LitSet, all_lit
from benchtest.session.display.event_text import describe_event
from benchtest.session.log.events import (
    CheckMade,
    MarkMade,
    NoteMade,
    PartSeen,
    ReadingTaken,
    RepairDone,
    SessionEvent,
    SignedOff,
    StageSet,
    VerdictGiven,
)
from benchtest.session.workbench.prop_light import LOOK_LEVEL, WALK_LEVEL
from benchtest.session.workbench.workbench import Workbench
from tests.session.driven import Prop, dark, pass_all

QUARTER, HALF = 64, 128  # of 255, rounded


def _nodes(design: Design, strand: int, first: int, last: int, level: int) -> Frame:
    frame = np.zeros((design.node_count, design.node.channels), np.uint8)
    frame[design.index(strand, first) : design.index(strand, last) + 1] = level
    return frame


# -- light -----------------------------------------------------------------------------------------


def test_the_strand_that_is_asked_about_is_the_one_that_lights(
    workbench: Workbench, prop: Prop
) -> None:
    for strand in (1, 2, 3, 4):
        workbench.light_advice()
        assert prop.shows(_nodes(prop.design, strand, 1, 10, QUARTER))
        assert workbench.light.words == f"{strand} at 25%"
        workbench.walk.judge(passed=True)


def test_one_key_darkens_the_prop_and_lights_it_again(workbench: Workbench, prop: Prop) -> None:
    workbench.light_advice()
    assert prop.shows(_nodes(prop.design, 1, 1, 10, QUARTER))
    workbench.toggle_dark()
    assert prop.shows(dark(prop.design))
    assert (workbench.light.is_dark, workbench.light.words) == (True, "dark")
    workbench.toggle_dark()
    assert prop.shows(_nodes(prop.design, 1, 1, 10, QUARTER))
    assert not workbench.light.is_dark


def test_more_than_the_fuse_carries_is_refused_with_the_level_that_fits(
    workbench: Workbench, prop: Prop
) -> None:
    every = all_lit(prop.design)
    with pytest.raises(InputError, match=r"feed main would give .* fuse of 1 A; \d+% fits") as no:
        workbench.light.light(every)
    fits = int(str(no.value).rpartition("; ")[2].partition("%")[0]) / 100.0
    assert workbench.light.is_dark
    workbench.light.light(LitSet(every.strands, fits))
    level = round(255 * fits)
    assert prop.shows(np.full_like(dark(prop.design), level))
    solved = solve(Circuit(prop.design), LitSet(every.strands, fits).duty(prop.design))
    assert 0.95 < solved.feed_a["main"] <= 1.0


def test_much_light_comes_up_by_a_ramp(workbench: Workbench, prop: Prop) -> None:
    lit = LitSet(frozenset([1, 2, 3]), 0.6)
    workbench.light.light(lit)
    full = round(255 * 0.6)
    assert workbench.clock.showing().max() < full  # half a second later it is there
    wanted = dark(prop.design)
    wanted[:30] = full
    assert prop.shows(wanted)


def test_the_ruler_makes_every_fifth_and_tenth_node_stand_out(
    workbench: Workbench, prop: Prop
) -> None:
    workbench.light.light_ruler()
    frame = workbench.clock.showing()
    for start in prop.design.first_index:
        strand = frame[start : start + 10]
        peaks = strand.max(axis=1)
        assert peaks[9] > peaks[4] > 3 * max(peaks[node] for node in (0, 1, 2, 3, 5, 6, 7, 8))
        assert strand[4].tolist()[:2] == [0, 0]  # blue
        assert strand[9].min() == peaks[9]  # white
    assert prop.shows(frame)


# -- strands and nodes -----------------------------------------------------------------------------


def test_verdicts_are_kept_with_the_level_they_were_seen_at(workbench: Workbench) -> None:
    workbench.walk.judge(passed=True)
    workbench.walk.judge(passed=False)
    whats = [happened.what for happened in workbench.session.events]
    assert whats[-2:] == [
        VerdictGiven(1, passed=True, level=LOOK_LEVEL),
        VerdictGiven(2, passed=False, level=LOOK_LEVEL),
    ]


def test_a_strand_that_is_all_dark_is_failed_and_marked_at_once(workbench: Workbench) -> None:
    workbench.walk.judge_all_dark()
    state = workbench.session.state
    assert state.failed == [1]
    assert state.unmarked == []
    assert state.marks == (Mark(LitSet(frozenset([1]), LOOK_LEVEL), 1, 1, 10, "dark"),)


def test_any_strand_may_be_chosen_and_then_the_guidance_goes_on(workbench: Workbench) -> None:
    workbench.walk.choose(-1)
    assert workbench.advice.strand == 4  # before the first stands the last
    workbench.walk.choose(1)
    assert workbench.advice.strand == 1
    workbench.walk.choose(1)
    workbench.walk.judge(passed=True)
    assert (workbench.session.state.verdicts, workbench.advice.strand) == ({2: True}, 1)


def test_no_verdict_where_no_strand_is_looked_at(workbench: Workbench) -> None:
    pass_all(workbench)
    with pytest.raises(InputError, match="no strand is being looked at"):
        workbench.walk.judge(passed=True)


def test_walking_follows_the_data_and_stays_on_the_strand(workbench: Workbench, prop: Prop) -> None:
    for passed in (True, False):
        workbench.walk.judge(passed=passed)
    workbench.walk.begin_by_hand()
    assert workbench.advice.task == "walk"
    workbench.light_advice()
    # zigzag: data enters strand 2 at its end B, which is node 10
    assert workbench.active.overrides.walking == NodeName(2, 10)
    assert prop.shows(_nodes(prop.design, 2, 10, 10, HALF))
    workbench.walk.move(1)
    assert workbench.active.overrides.walking == NodeName(2, 10)
    workbench.walk.move(-3)
    assert workbench.active.overrides.walking == NodeName(2, 7)
    assert prop.shows(_nodes(prop.design, 2, 7, 7, HALF))
    assert workbench.walk.mark("dark", onwards=True) == "marked strand 2, node 1-7 dark"
    workbench.walk.move(-100)
    assert workbench.active.overrides.walking == NodeName(2, 1)
    workbench.walk.end()
    assert [mark.nodes for mark in workbench.session.state.marks] == ["1-7"]
    assert workbench.session.state.unmarked == []


def test_onwards_is_towards_end_b_where_data_runs_that_way(workbench: Workbench) -> None:
    workbench.walk.begin(NodeName(3, 4))
    assert workbench.walk.mark("warm", onwards=True) == "marked strand 3, node 4-10 warm"
    assert workbench.walk.mark("flicker", onwards=False) == "marked strand 3, node 4 flicker"
    assert [(m.first, m.last, m.lit.level) for m in workbench.session.state.marks] == [
        (4, 10, LOOK_LEVEL),
        (4, 4, LOOK_LEVEL),
    ]


def test_a_walk_does_not_end_before_something_is_marked(workbench: Workbench) -> None:
    workbench.walk.judge(passed=False)
    workbench.walk.begin(NodeName(1, 1))
    with pytest.raises(InputError, match="mark the node that fails first"):
        workbench.walk.end()
    workbench.drop_overrides()
    for what in (
        lambda: workbench.walk.move(1),
        lambda: workbench.walk.mark("dark", onwards=False),
    ):
        with pytest.raises(InputError, match="no strand is being walked"):
            what()
    workbench.walk.end()


def test_light_where_none_should_be_is_marked_with_what_was_lit(workbench: Workbench) -> None:
    workbench.light_advice()  # strand 1 is looked at
    assert "strand 3, node 1-10 stuck, with 1 lit" in workbench.walk.mark_stray("3", "stuck")
    workbench.walk.mark_stray(" 2.7", "flicker ")
    marks = [
        (m.lit.strands, m.strand, m.first, m.last, m.seen) for m in workbench.session.state.marks
    ]
    assert marks == [(frozenset([1]), 3, 1, 10, "stuck"), (frozenset([1]), 2, 7, 7, "flicker")]
    for where, seen, words in (
        ("1", "stuck", "strand 1 should be lit"),
        ("3", "dark", "give stuck or flicker"),
        ("1-2", "stuck", "give one strand"),
        ("3.11", "stuck", "3.11"),
    ):
        with pytest.raises(InputError, match=words):
            workbench.walk.mark_stray(where, seen)
    workbench.light.light_nodes([NodeName(1, 1)], 0.5)
    with pytest.raises(InputError, match="light whole strands first"):
        workbench.walk.mark_stray("3", "stuck")


# -- repairs, stages, the end ----------------------------------------------------------------------


def test_a_repair_darkens_the_prop_and_asks_again(workbench: Workbench, prop: Prop) -> None:
    pass_all(workbench)
    workbench.light.light(LitSet(frozenset([4]), 0.5))
    workbench.repair("4A+", "reflowed")
    assert prop.shows(dark(prop.design))
    assert workbench.advice.check == ("rails", "main")  # solder on a rail may bridge it
    workbench.yes()
    assert (workbench.advice.task, workbench.advice.strand) == ("look", 4)
    with pytest.raises(NameFault):
        workbench.repair("9A+")
    assert len(workbench.session.state.repairs) == 1


def test_stages_have_names(workbench: Workbench) -> None:
    stages = [str(workbench.stage)]
    workbench.set_stage(" sealed ")
    stages.append(workbench.stage)
    with pytest.raises(NameFault, match='did you mean "sealed"'):
        workbench.set_stage("seald")
    assert workbench.undo() == "took back: stage"
    assert [*stages, workbench.stage] == ["bare", "sealed", "bare"]


def test_a_sign_off_needs_a_name_and_darkens_the_prop(workbench: Workbench, prop: Prop) -> None:
    workbench.light_advice()
    with pytest.raises(InputError, match="needs a name"):
        workbench.sign_off("  ")
    workbench.sign_off(" Ada ", " by the river ")
    assert workbench.session.state.signed == SignedOff("Ada", "by the river")
    assert prop.shows(dark(prop.design))
    assert workbench.advice.task == "done"


def test_undo_names_the_event_that_it_took_back(workbench: Workbench) -> None:
    workbench.walk.judge(passed=False)
    workbench.walk.begin(NodeName(1, 3))
    workbench.walk.mark("dark", onwards=True)
    assert workbench.undo() == "took back: strand 1, node 3-10 dark"
    assert workbench.undo() == "took back: strand 1 failed"
    while workbench.session.state.undoable:
        workbench.undo()
    assert workbench.undo() == "nothing to take back"


@pytest.mark.parametrize(
    ("what", "words"),
    [
        (VerdictGiven(4, passed=True), "strand 4 passed"),
        (MarkMade("4", 4, "17-30", "warm"), "strand 4, node 17-30 warm"),
        (ReadingTaken("all", "4B", 4.87), "4B = 4.87 V"),
        (ReadingTaken("all", "main", None, 7.2), "main = 7.2 A"),
        (RepairDone("4A+"), "repair of 4A+"),
        (SignedOff("Ada"), "sign-off by Ada"),
        (NoteMade("rain"), "note"),
        (StageSet("sealed"), "stage"),
        (CheckMade("rails", "main", passed=True), "rails at main OK"),
        (CheckMade("supply", "main", passed=True, volts=4.95), "supply at main OK, 4.95 V"),
        # zigzag: data enters strand 2 at its end B, which is node 10
        (PartSeen(3, 5, right=False, strand=2), "nodes 2.8 to 2.6 not all lit"),
        (PartSeen(2, 2, right=True, strand=2), "node 2.9 lit"),
    ],
)
def test_events_have_a_short_description(what: SessionEvent, words: str, fan: Design) -> None:
    assert describe_event(what, fan) == words


# -- thinking --------------------------------------------------------------------------------------


def test_a_finding_is_accepted_only_for_the_present_evidence(workbench: Workbench) -> None:
    pass_all(workbench)
    workbench.entry.ask_for("1 3", "4B")
    workbench.entry.take_reading("4.9")
    about, finding = workbench.worker.diagnose()
    assert isinstance(finding, Finding)
    workbench.walk.choose(1)
    workbench.walk.judge(passed=False)  # meanwhile, at the keys
    assert not workbench.worker.accept(about, finding)
    assert workbench.finding is None
    assert workbench.session.state.concluded is None
    workbench.undo()
    assert workbench.worker.accept(about, finding)
    assert workbench.finding is finding
    assert workbench.session.state.concluded is not None
    assert workbench.advice.task in ("read", "repair", "sign-off")


def test_a_likely_suspect_is_advised(workbench: Workbench) -> None:
    pass_all(workbench)
    suspect = Suspect("4A+", "resistive", 0.9)
    settled = NextReading(None, None, 0.0, settled=True)
    workbench.active.finding = Finding(0.1, (suspect,), (), settled, (), None)
    assert workbench.advice.text.startswith("Repair: switch off; reflow joint 4A+ (")
    workbench.light_advice()
    assert workbench.light.is_dark  # a lit prop is not safe to solder


def test_walking_light_is_brighter_than_looking(workbench: Workbench) -> None:
    # one node at half is still far below one strand at a quarter
    assert LOOK_LEVEL < WALK_LEVEL < 1.0
    workbench.light.light_nodes([NodeName(1, 1)], WALK_LEVEL)
    one = int(workbench.clock.showing().astype(int).sum())
    workbench.light.light(LitSet(frozenset([1]), LOOK_LEVEL))
    assert one < int(workbench.clock.showing().astype(int).sum())


def test_a_mark_is_of_the_light_in_which_its_strand_failed(workbench: Workbench) -> None:
    """The strand failed at a higher level; evidence at another level would mask the dark node."""
    workbench.brighter(1)
    workbench.light_advice()
    workbench.walk.judge(passed=False)
    workbench.walk.begin(NodeName(1, 7))
    workbench.walk.mark("dark", onwards=False)
    workbench.walk.end()
    for _ in (2, 3, 4):
        workbench.light_advice()
        workbench.walk.judge(passed=True)
    _, finding = workbench.worker.diagnose()
    assert (
        len({mark.lit for mark in workbench.session.state.evidence_marks if mark.strand == 1}) == 1
    )
    assert finding.suspects[0].where == "1.7"


def test_one_key_passes_all_checks_and_one_undo_takes_them_back(fresh: Workbench) -> None:
    assert len(fresh.advice.due_checks) == 4
    assert fresh.model.due_checks == "rails OL, polarity, fuse, supply volts"
    assert fresh.pass_checks() == "4 checks OK"
    assert fresh.advice.task == "glow"
    made = fresh.session.state.checks
    assert [check.passed for check in made.values()] == [True] * 4
    assert all(check.ohm is None and check.volts is None for check in made.values())
    fresh.undo()
    assert fresh.session.state.checks == {}


def test_a_failed_check_is_answered_by_itself(fresh: Workbench) -> None:
    fresh.session.record(CheckMade("rails", "main", passed=False, ohm=0.3))
    assert fresh.advice.text.startswith("Rails touch at feed main.")
    with pytest.raises(InputError, match="by itself"):
        fresh.pass_checks()
    assert fresh.session.state.checks[("rails", "main")].passed is False


def test_percentages_above_a_hundred_get_a_line(workbench: Workbench) -> None:
    pass_all(workbench)
    workbench.active.record(ReadingTaken("all", "4B", 4.6))
    for shares, note in (((0.9, 0.8), "over 100 % in all: several may be bad"), ((0.6, 0.3), "")):
        names = zip(("4A+", "4A-"), shares, strict=True)
        suspects = tuple(Suspect(name, "resistive", share) for name, share in names)
        nothing = NextReading(None, None, 0.0, settled=True)
        workbench.active.finding = Finding(0.05, suspects, (), nothing, (), None)
        assert workbench.model.suspects_note == note
