"""The bench as the screen sees it: what keys mean, on real packets and a real record."""

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
from benchtest.session.desk import LOOK_LEVEL, WALK_LEVEL
from benchtest.session.display.event_text import said
from benchtest.session.log.events import (
    MarkMade,
    NoteMade,
    ReadingTaken,
    RepairDone,
    SignedOff,
    StageSet,
    VerdictGiven,
)
from benchtest.session.stand import Stand
from tests.session.driven import Prop, dark, pass_all

QUARTER, HALF = 64, 128  # of 255, rounded


def _nodes(design: Design, strand: int, first: int, last: int, level: int) -> Frame:
    frame = np.zeros((design.node_count, design.node.channels), np.uint8)
    frame[design.index(strand, first) : design.index(strand, last) + 1] = level
    return frame


# -- light -----------------------------------------------------------------------------------------


def test_the_strand_that_is_asked_about_is_the_one_that_lights(stand: Stand, prop: Prop) -> None:
    for strand in (1, 2, 3, 4):
        stand.light_advice()
        assert prop.shows(_nodes(prop.design, strand, 1, 10, QUARTER))
        assert stand.lamp.words == f"{strand} at 25%"
        stand.judge(passed=True)


def test_dark_is_one_key_and_so_is_the_way_back(stand: Stand, prop: Prop) -> None:
    stand.light_advice()
    assert prop.shows(_nodes(prop.design, 1, 1, 10, QUARTER))
    stand.toggle_dark()
    assert prop.shows(dark(prop.design))
    assert (stand.lamp.is_dark, stand.lamp.words) == (True, "dark")
    stand.toggle_dark()
    assert prop.shows(_nodes(prop.design, 1, 1, 10, QUARTER))
    assert not stand.lamp.is_dark


def test_more_than_the_fuse_carries_is_refused_and_what_fits_is_told(
    stand: Stand, prop: Prop
) -> None:
    every = all_lit(prop.design)
    with pytest.raises(InputError, match=r"feed main would give .* fuse of 1 A; \d+% fits") as no:
        stand.lamp.light(every)
    fits = int(str(no.value).rpartition("; ")[2].partition("%")[0]) / 100.0
    assert stand.lamp.is_dark
    stand.lamp.light(LitSet(every.strands, fits))
    level = round(255 * fits)
    assert prop.shows(np.full_like(dark(prop.design), level))
    solved = solve(Circuit(prop.design), LitSet(every.strands, fits).duty(prop.design))
    assert 0.95 < solved.feed_a["main"] <= 1.0


def test_much_light_comes_up_by_a_ramp(stand: Stand, prop: Prop) -> None:
    lit = LitSet(frozenset([1, 2, 3]), 0.6)
    stand.lamp.light(lit)
    full = round(255 * 0.6)
    assert stand.clock.showing().max() < full  # half a second later it is there
    wanted = dark(prop.design)
    wanted[:30] = full
    assert prop.shows(wanted)


def test_the_ruler_makes_every_fifth_and_tenth_node_stand_out(stand: Stand, prop: Prop) -> None:
    stand.lamp.light_ruler()
    frame = stand.clock.showing()
    for start in prop.design.first_index:
        strand = frame[start : start + 10]
        peaks = strand.max(axis=1)
        assert peaks[9] > peaks[4] > 3 * max(peaks[node] for node in (0, 1, 2, 3, 5, 6, 7, 8))
        assert strand[4].tolist()[:2] == [0, 0]  # blue
        assert strand[9].min() == peaks[9]  # white
    assert prop.shows(frame)


# -- strands and nodes -----------------------------------------------------------------------------


def test_verdicts_are_kept_with_the_level_they_were_seen_at(stand: Stand) -> None:
    stand.judge(passed=True)
    stand.judge(passed=False)
    whats = [happened.what for happened in stand.session.happened]
    assert whats[-2:] == [
        VerdictGiven(1, passed=True, level=LOOK_LEVEL),
        VerdictGiven(2, passed=False, level=LOOK_LEVEL),
    ]


def test_a_strand_that_is_all_dark_is_failed_and_marked_at_once(stand: Stand) -> None:
    stand.judge_all_dark()
    state = stand.session.state
    assert state.failed == [1]
    assert state.unmarked == []
    assert state.marks == (Mark(LitSet(frozenset([1]), LOOK_LEVEL), 1, 1, 10, "dark"),)


def test_any_strand_may_be_chosen_and_then_the_guidance_goes_on(stand: Stand) -> None:
    stand.choose(-1)
    assert stand.advice.strand == 4  # before the first stands the last
    stand.choose(1)
    assert stand.advice.strand == 1
    stand.choose(1)
    stand.judge(passed=True)
    assert (stand.session.state.verdicts, stand.advice.strand) == ({2: True}, 1)


def test_no_verdict_where_no_strand_is_looked_at(stand: Stand) -> None:
    pass_all(stand)
    with pytest.raises(InputError, match="no strand is being looked at"):
        stand.judge(passed=True)


def test_walking_follows_the_data_and_stays_on_the_strand(stand: Stand, prop: Prop) -> None:
    for strand in (1, 2, 3, 4):
        stand.judge(passed=strand != 2)
    stand.walk_by_hand()
    assert stand.advice.task == "walk"
    stand.light_advice()
    # zigzag: data enters strand 2 at its end B, which is node 10
    assert stand.choices.walking == NodeName(2, 10)
    assert prop.shows(_nodes(prop.design, 2, 10, 10, HALF))
    stand.walk(1)
    assert stand.choices.walking == NodeName(2, 10)
    stand.walk(-3)
    assert stand.choices.walking == NodeName(2, 7)
    assert prop.shows(_nodes(prop.design, 2, 7, 7, HALF))
    assert stand.mark("dark", onwards=True) == "marked strand 2, node 1-7 dark"
    stand.walk(-100)
    assert stand.choices.walking == NodeName(2, 1)
    stand.end_walk()
    assert [mark.nodes for mark in stand.session.state.marks] == ["1-7"]
    assert stand.session.state.unmarked == []


def test_onwards_is_towards_end_b_where_data_runs_that_way(stand: Stand) -> None:
    stand.choices.walking = NodeName(3, 4)
    assert stand.mark("warm", onwards=True) == "marked strand 3, node 4-10 warm"
    assert stand.mark("flicker", onwards=False) == "marked strand 3, node 4 flicker"
    assert [(m.first, m.last, m.lit.level) for m in stand.session.state.marks] == [
        (4, 10, LOOK_LEVEL),
        (4, 4, LOOK_LEVEL),
    ]


def test_a_walk_does_not_end_before_something_is_marked(stand: Stand) -> None:
    stand.judge(passed=False)
    stand.choices.walking = NodeName(1, 1)
    with pytest.raises(InputError, match="mark the node that fails first"):
        stand.end_walk()
    stand.choices.drop()
    for what in (lambda: stand.walk(1), lambda: stand.mark("dark", onwards=False)):
        with pytest.raises(InputError, match="no strand is being walked"):
            what()
    stand.end_walk()


def test_light_where_none_should_be_is_marked_with_what_was_lit(stand: Stand) -> None:
    stand.light_advice()  # strand 1 is looked at
    assert "strand 3, node 1-10 stuck, with 1 lit" in stand.stray("3", "stuck")
    stand.stray(" 2.7", "flicker ")
    marks = [(m.lit.strands, m.strand, m.first, m.last, m.seen) for m in stand.session.state.marks]
    assert marks == [(frozenset([1]), 3, 1, 10, "stuck"), (frozenset([1]), 2, 7, 7, "flicker")]
    for where, seen, words in (
        ("1", "stuck", "strand 1 should be lit"),
        ("3", "dark", "give stuck or flicker"),
        ("1-2", "stuck", "give one strand"),
        ("3.11", "stuck", "3.11"),
    ):
        with pytest.raises(InputError, match=words):
            stand.stray(where, seen)
    stand.lamp.light_nodes([NodeName(1, 1)], 0.5)
    with pytest.raises(InputError, match="light whole strands first"):
        stand.stray("3", "stuck")


# -- repairs, stages, the end ----------------------------------------------------------------------


def test_a_repair_darkens_the_prop_and_asks_again(stand: Stand, prop: Prop) -> None:
    pass_all(stand)
    stand.lamp.light(LitSet(frozenset([4]), 0.5))
    stand.repair("4A+", "reflowed")
    assert prop.shows(dark(prop.design))
    assert stand.advice.check == ("rails", "main")  # solder on a rail may bridge it
    stand.yes()
    assert (stand.advice.task, stand.advice.strand) == ("look", 4)
    with pytest.raises(NameFault):
        stand.repair("9A+")
    assert len(stand.session.state.repairs) == 1


def test_stages_have_names(stand: Stand) -> None:
    stages = [str(stand.stage)]
    stand.set_stage(" sealed ")
    stages.append(stand.stage)
    with pytest.raises(NameFault, match='did you mean "sealed"'):
        stand.set_stage("seald")
    assert stand.undo() == "took back: stage"
    assert [*stages, stand.stage] == ["bare", "sealed", "bare"]


def test_a_sign_off_needs_a_name_and_darkens_the_prop(stand: Stand, prop: Prop) -> None:
    stand.light_advice()
    with pytest.raises(InputError, match="needs a name"):
        stand.sign_off("  ")
    stand.sign_off(" Ada ", " by the river ")
    assert stand.session.state.signed == SignedOff("Ada", "by the river")
    assert prop.shows(dark(prop.design))
    assert stand.advice.task == "done"


def test_undo_says_what_it_took_back(stand: Stand) -> None:
    stand.judge(passed=False)
    stand.choices.walking = NodeName(1, 3)
    stand.mark("dark", onwards=True)
    assert stand.undo() == "took back: strand 1, node 3-10 dark"
    assert stand.undo() == "took back: strand 1 failed"
    while stand.session.state.undoable:
        stand.undo()
    assert stand.undo() == "nothing to take back"


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
    ],
)
def test_events_are_said_in_a_few_words(what: VerdictGiven, words: str) -> None:
    assert said(what) == words


# -- thinking --------------------------------------------------------------------------------------


def test_a_finding_is_taken_only_while_it_is_of_what_is_known(stand: Stand) -> None:
    pass_all(stand)
    stand.ask_for("1 3", "4B")
    stand.take_reading("4.9")
    about, finding = stand.think()
    assert isinstance(finding, Finding)
    stand.choose(1)
    stand.judge(passed=False)  # meanwhile, at the keys
    assert not stand.concluded(about, finding)
    assert stand.finding is None
    assert stand.session.state.concluded is None
    stand.undo()
    assert stand.concluded(about, finding)
    assert stand.finding is finding
    assert stand.session.state.concluded is not None
    assert stand.advice.task in ("read", "repair", "sign-off")


def test_a_likely_suspect_is_advised(stand: Stand) -> None:
    pass_all(stand)
    suspect = Suspect("4A+", "resistive", 0.9, None, "reflow 4A+")
    settled = NextReading(None, None, 0.0, settled=True)
    stand.finding = Finding(0.1, (suspect,), (), settled, (), None)
    assert stand.advice.says == "Repair: reflow 4A+."
    stand.light_advice()
    assert stand.lamp.is_dark  # nobody solders on a lit prop


def test_walking_light_is_brighter_than_looking(stand: Stand) -> None:
    # one node at half is still far below one strand at a quarter
    assert LOOK_LEVEL < WALK_LEVEL < 1.0
    stand.lamp.light_nodes([NodeName(1, 1)], WALK_LEVEL)
    one = int(stand.clock.showing().astype(int).sum())
    stand.lamp.light(LitSet(frozenset([1]), LOOK_LEVEL))
    assert one < int(stand.clock.showing().astype(int).sum())


def test_a_mark_is_of_the_light_in_which_its_strand_failed(stand: Stand) -> None:
    """Looked at brighter, the rest of the strand must not speak for the node that is dark."""
    stand.brighter(1)
    stand.light_advice()
    stand.judge(passed=False)
    stand.choices.walking = NodeName(1, 7)
    stand.mark("dark", onwards=False)
    stand.end_walk()
    for _ in (2, 3, 4):
        stand.light_advice()
        stand.judge(passed=True)
    _, finding = stand.think()
    assert len({mark.lit for mark in stand.session.state.evidence_marks if mark.strand == 1}) == 1
    assert finding.suspects[0].where == "1.7"
