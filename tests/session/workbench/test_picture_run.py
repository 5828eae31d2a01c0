"""The picture on the bench: turns by a clock, one key for all colours, and what waits for it."""

from __future__ import annotations

import numpy as np
import pytest

from benchtest.errors import InputError
from benchtest.pattern import frame_from_duty, picture_duty
from benchtest.session.guidance.steps import step_results
from benchtest.session.log.events import FirstLight, MarkMade, RepairDone, VerdictGiven
from benchtest.session.workbench.workbench import Workbench
from tests.session.conftest import Clock
from tests.session.driven import Prop


@pytest.fixture
def bench(fresh: Workbench) -> Workbench:
    """Workbench of a unit that glowed, whose next step is the picture."""
    for act in (fresh.yes, fresh.yes, fresh.yes, lambda: fresh.enter("5"), fresh.yes):
        act()
    return fresh


def _task(bench: Workbench) -> str:
    return bench.advice.task


def test_one_key_answers_all_colours_once_every_turn_was_shown(
    bench: Workbench, prop: Prop, clock: Clock
) -> None:
    assert _task(bench) == "picture"
    bench.light_advice()
    for turn in (0, 1, 2):
        assert prop.shows(frame_from_duty(picture_duty(prop.design, turn)))
        if turn < 2:
            with pytest.raises(InputError, match="watch until"):
                bench.yes()
            clock.now_s += 0.99
            assert not bench.advance_light()
            clock.now_s += 0.02
            assert bench.advance_light()
    assert bench.model.lit_text == "picture: 1 blue, 2 red, 3 green, 4 blue"
    assert bench.yes() == "picture as drawn"
    right = dict.fromkeys((1, 2, 3, 4), True)
    assert bench.session.state.colours == {"red": right, "green": right, "blue": right}
    assert _task(bench) == "look"
    says = next(step.says for step in step_results(bench.session.state) if step.name == "Colours")
    assert says == "red right, green right, blue right; 1-4 seen in one picture"
    bench.undo()
    assert _task(bench) == "picture"


def test_the_turns_wait_while_the_prop_is_dark(bench: Workbench, clock: Clock) -> None:
    bench.light_advice()
    bench.toggle_dark()
    clock.now_s += 5.0
    assert not bench.advance_light()
    with pytest.raises(InputError):
        bench.yes()
    bench.toggle_dark()
    assert not bench.advance_light()
    clock.now_s += 1.0
    assert bench.advance_light()


def test_strands_behind_a_dark_one_take_one_look(bench: Workbench) -> None:
    bench.no()  # unlike the drawing
    bench.no()  # and like no other setting of the controller
    bench.yes()
    assert bench.advice.strand == 2
    bench.walk.judge_all_dark()
    assert bench.session.state.dark_behind == {3, 4}
    assert bench.advice.text == "Are strands 3, 4, behind it in the data, dark too?"
    bench.light_advice()
    assert bench.light.words == "3-4 at 25%"
    assert bench.yes() == "strands 3, 4 dark"
    assert bench.session.state.failed == [2, 3, 4]
    assert bench.undo().count("dark") == 2
    assert bench.no() == ""  # some light: each by itself
    assert (bench.advice.task, bench.advice.strand) == ("look", 3)
    bench.yes()
    assert bench.session.state.dark_behind == frozenset()
    assert (bench.advice.task, bench.advice.strand) == ("look", 4)
    bench.undo()
    bench.yes()
    assert _task(bench) == "colour"  # of the strands that light; the picture was unlike
    assert bench.advice.strand == 1
    for _ in bench.design.node.colours:
        bench.yes()
    assert _task(bench) == "think"
    bench.session.record(RepairDone("1Bd"))
    bench.yes()  # the rails are not shorted
    assert _task(bench) == "picture"  # every strand is to be seen again


def test_a_picture_waits_until_every_strand_lights(bench: Workbench) -> None:
    bench.session.record(FirstLight(passed=False))
    assert _task(bench) == "look"
    for strand in (1, 2, 3, 4):
        bench.session.record(VerdictGiven(strand, passed=strand != 4))
    bench.session.record(MarkMade("4", 4, "10", "dark", 0.25))
    assert _task(bench) == "think"
    bench.session.record(RepairDone("4.10", "replaced"))
    bench.yes()
    bench.yes()
    assert (bench.advice.task, bench.advice.lit) == ("picture", bench.advice.lit)
    bench.light_advice()
    assert np.any(bench.clock.showing())


def test_after_a_repair_only_the_new_strand_is_pictured(bench: Workbench, clock: Clock) -> None:
    bench.light_advice()
    for _ in range(2):
        clock.now_s += 1.0
        bench.advance_light()
    bench.yes()
    for strand in (1, 2, 3, 4):
        bench.session.record(VerdictGiven(strand, passed=True))
    bench.session.record(RepairDone("3.2", "replaced"))
    bench.yes()
    for _ in bench.session.state.untested:
        bench.yes()
    assert (bench.advice.task, bench.advice.strand) == ("picture", 3)
