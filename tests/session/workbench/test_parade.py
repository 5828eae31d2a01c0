"""The parade: strands light in turn by a clock, and one key at the end passes them all."""

from __future__ import annotations

import numpy as np
import pytest

from benchtest.drive.universe_layout import Frame
from benchtest.errors import InputError
from benchtest.prop.design import Design
from benchtest.session.guidance.parade import PACES_S, Parade, begin_parade
from benchtest.session.guidance.steps import list_steps, step_results
from benchtest.session.log.events import RepairDone
from benchtest.session.log.person_effort import person_effort
from benchtest.session.workbench.workbench import Workbench
from tests.session.conftest import Clock, record_passed_checks
from tests.session.driven import Prop

QUARTER = 64  # of 255, rounded


@pytest.fixture
def bench(fresh: Workbench) -> Workbench:
    """Workbench of a unit whose next step is to look at its strands."""
    record_passed_checks(fresh.session)
    return fresh


def _strands(design: Design, *numbers: int) -> Frame:
    frame = np.zeros((design.node_count, design.node.channels), np.uint8)
    for number in numbers:
        first = design.index(number, 1)
        frame[first : first + design.strand(number).nodes] = QUARTER
    return frame


def _watch(bench: Workbench, clock: Clock, steps: int) -> None:
    for _ in range(steps):
        clock.now_s += 1.0
        assert bench.advance_light()


def test_strands_light_in_turn_and_one_key_passes_them_all(
    bench: Workbench, prop: Prop, clock: Clock
) -> None:
    assert bench.model.may_parade
    bench.parade.begin()
    bench.light_advice()
    for strand in (1, 2, 3, 4):
        assert bench.advice.text.startswith(f"Watch strand {strand}, {strand} of 4.")
        assert prop.shows(_strands(prop.design, strand))
        clock.now_s += 0.99
        assert not bench.advance_light()
        clock.now_s += 0.02
        assert bench.advance_light()
    assert bench.advice.text == "Did every node of strands 1-4 light?"
    assert prop.shows(_strands(prop.design, 1, 2, 3, 4))
    assert bench.session.state.verdicts == {}  # nothing passes by itself
    assert bench.yes() == "4 strands passed in a parade"
    state = bench.session.state
    assert state.verdicts == dict.fromkeys((1, 2, 3, 4), True)
    (line,) = (line for line in list_steps(state, None) if line.name == "strands")
    assert line.status == "4 of 4, 4 in a parade"
    bench.undo()
    assert bench.session.state.verdicts == {}


def test_a_key_stops_at_a_strand_and_the_rest_follows(bench: Workbench, clock: Clock) -> None:
    bench.parade.begin()
    bench.light_advice()
    _watch(bench, clock, 2)
    with pytest.raises(InputError, match="watch to the end"):
        bench.yes()
    bench.no()
    assert bench.advice.text == "Does every node of strand 3 light?"
    bench.no()
    assert bench.session.state.verdicts == {3: False}
    bench.parade.begin()
    assert bench.advice.strand == 4  # 1 and 2 were shown before the stop
    bench.light_advice()
    _watch(bench, clock, 1)
    assert bench.advice.text == "Did every node of strands 1-2 4 light?"
    bench.yes()
    assert bench.session.state.verdicts == {3: False, 1: True, 2: True, 4: True}
    assert bench.session.state.paraded == {1, 2, 4}
    (result,) = (step for step in step_results(bench.session.state) if step.name == "Strands")
    assert result.says == "1-2 4 seen in a parade, 3 alone"


def test_after_a_repair_every_touched_strand_is_shown_again(bench: Workbench, clock: Clock) -> None:
    bench.parade.begin()
    bench.light_advice()
    _watch(bench, clock, 3)
    bench.no()
    bench.active.record(RepairDone("4Bd", "reflowed"))
    bench.parade.begin()
    assert bench.parade.parade is not None
    assert bench.parade.parade.place == 0


def test_undo_in_a_parade_ends_it_and_takes_no_answer_back(bench: Workbench) -> None:
    before = bench.session.state.undoable
    bench.parade.begin()
    assert bench.undo() == "the parade is stopped"
    assert bench.advice.task == "look"
    assert bench.session.state.undoable == before


def test_at_the_end_no_means_one_by_one(bench: Workbench, clock: Clock) -> None:
    bench.parade.begin()
    bench.light_advice()
    _watch(bench, clock, 4)
    bench.no()
    assert bench.advice.text == "Does every node of strand 1 light?"
    assert bench.session.state.verdicts == {}


def test_in_the_dark_the_time_stands_still(bench: Workbench, clock: Clock) -> None:
    bench.parade.begin()
    bench.light_advice()
    bench.toggle_dark()
    clock.now_s += 60.0
    assert not bench.advance_light()
    bench.toggle_dark()
    clock.now_s += 0.5
    assert not bench.advance_light()
    clock.now_s += 0.6
    assert bench.advance_light()


def test_the_pace_is_kept_for_the_next_parade(bench: Workbench, clock: Clock) -> None:
    bench.parade.begin()
    assert bench.parade.change_pace(-1) == "1.5 s for each strand"
    assert bench.parade.change_pace(1) == "1 s for each strand"
    bench.parade.change_pace(-1)
    bench.drop_overrides()
    bench.parade.begin()
    assert bench.parade.parade is not None
    assert bench.parade.parade.pace_s == 1.5


def test_no_strand_is_skipped_when_the_program_was_busy() -> None:
    parade = begin_parade((3, 1, 2), (), 10.0, 1.0)
    assert parade.strands == (1, 2, 3)
    assert parade.at(500.0).strand == 2
    assert Parade((1,), 0.0, PACES_S[0]).at_pace(1).pace_s == PACES_S[0]
    assert Parade((1,), 0.0, PACES_S[-1]).at_pace(-1).pace_s == PACES_S[-1]
    # WCAG 2.2, success criterion 2.3.1: no more than three flashes a second
    assert 1.0 / PACES_S[0] <= 3.0


def test_a_parade_counts_as_one_look(bench: Workbench, clock: Clock) -> None:
    before = person_effort(bench.design, [one.what for one in bench.session.state.undoable])
    bench.parade.begin()
    bench.light_advice()
    _watch(bench, clock, 4)
    bench.yes()
    after = person_effort(bench.design, [one.what for one in bench.session.state.undoable])
    assert after.looks - before.looks == 1
    assert after.keys - before.keys == 2
    assert after.seconds - before.seconds == pytest.approx(4 * 1.0 + 2 * 0.28 + 1.35)
