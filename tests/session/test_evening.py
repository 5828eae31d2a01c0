"""A whole evening: one key for each decision, and one event on disk for each."""

from __future__ import annotations

from collections.abc import Callable

import pytest

from benchtest.errors import InputError, NameFault
from benchtest.evidence.meter import DEFAULT_METER
from benchtest.prop.design import NodeName
from benchtest.records.shelf import Shelf
from benchtest.session.guidance.release import unfinished_items
from benchtest.session.guidance.steps import list_steps, step_results
from benchtest.session.log.events import (
    CheckMade,
    ColourSeen,
    FirstLight,
    MarkMade,
    PartSeen,
    ReadingTaken,
    SignedOff,
    VerdictGiven,
    Wiggled,
)
from benchtest.session.log.shelf_changes import rename_unit, retire_unit
from benchtest.session.report.report_content import report_content
from benchtest.session.session import Session
from benchtest.session.workbench.setup import free_tag, next_unfinished_unit, session_of
from benchtest.session.workbench.workbench import Workbench

from .conftest import Clock, record_passed_checks


@pytest.fixture
def workbench(fresh: Workbench) -> Workbench:
    """Workbench of a unit whose next step is to look at its strands."""
    record_passed_checks(fresh.session)
    return fresh


def _last(workbench: Workbench) -> object:
    return workbench.session.events[-1].what


def _fail(workbench: Workbench, strand: int) -> None:
    """Pass every strand except the given one, which fails at last; 0 for none."""
    for number in (1, 2, 3, 4):
        if number != strand:
            workbench.walk.choose_strand(number)
            workbench.yes()
    if strand:
        workbench.no()


def test_before_power_each_check_is_an_event_and_a_bad_one_stays(fresh: Workbench) -> None:
    assert fresh.enter("0.3") == "rails at main BAD, 0.3 Ω"
    assert _last(fresh) == CheckMade("rails", "main", False, ohm=0.3)
    assert "Do not power it" in fresh.advice.text
    assert "rails at feed main" in unfinished_items(fresh.session.state, None)
    fresh.enter("47k")
    assert fresh.advice.check == ("polarity", "main")
    fresh.no()
    assert "Swap the leads" in fresh.advice.text
    fresh.yes()
    assert fresh.skip() == "fuse at main left out"
    with pytest.raises(InputError, match="type the volts"):
        fresh.yes()
    fresh.enter("5.02")
    assert fresh.advice.task == "glow"
    fresh.light_advice()
    assert fresh.light.words == "all at 5%"
    fresh.yes()
    assert _last(fresh) == FirstLight(True, 0.05)
    assert (fresh.advice.task, fresh.advice.strand) == ("picture", None)


def test_a_failed_first_light_is_good_once_every_strand_has_passed(
    workbench: Workbench,
) -> None:
    def shown() -> tuple[bool | None, str]:
        return next(
            (s.good, s.says)
            for s in step_results(workbench.session.state)
            if s.name == "First light"
        )

    _fail(workbench, 0)  # all of them pass
    workbench.session.record(FirstLight(False))
    assert shown() == (False, "not every strand glowed")
    workbench.go_to("strands")
    for strand in (1, 2, 3):
        workbench.session.record(VerdictGiven(strand, True))
    assert shown()[0] is False
    workbench.session.record(VerdictGiven(4, True))
    assert shown() == (True, "not every strand glowed; all have passed since")


def test_no_light_before_the_checks_are_made(fresh: Workbench) -> None:
    fresh.light_advice()
    assert fresh.light.is_dark


def test_every_step_back_is_an_undo(fresh: Workbench) -> None:
    for act in (fresh.yes, fresh.yes, fresh.yes, lambda: fresh.enter("5"), fresh.yes):
        act()
    assert fresh.undo() == "took back: first light, all glowed"
    assert fresh.undo() == "took back: supply at main OK, 5 V"
    assert fresh.advice.check == ("supply", "main")


def test_halves_find_a_dark_node_and_one_more_look_distinguishes_it_from_a_break(
    workbench: Workbench,
) -> None:
    _fail(workbench, 1)
    looks = 0
    while workbench.advice.task == "search":
        workbench.light_advice()
        part = workbench.advice.nodes
        assert workbench.clock.showing().any(axis=1).sum() == len(part)
        workbench.no() if NodeName(1, 7) in part else workbench.yes()
        assert isinstance(_last(workbench), PartSeen)
        looks += 1
    assert looks <= 4  # ceil(lg 10)
    assert (workbench.advice.task, str(workbench.advice.nodes[0])) == ("caught", "1.7")
    assert workbench.yes() == "marked strand 1, node 7 dark"
    assert workbench.session.state.search is None
    workbench.undo()
    assert workbench.no() == "marked strand 1, node 7-10 dark"
    assert workbench.advice.task == "think"


def test_a_search_goes_on_after_a_restart(workbench: Workbench) -> None:
    _fail(workbench, 1)
    workbench.no()
    again = Session.resume(workbench.session.shelf, workbench.session.row.id)
    assert again.state.search is not None
    assert again.state.search.high == 5


def test_the_whole_prop_is_searched_out_of_order_and_its_strand_fails(workbench: Workbench) -> None:
    workbench.go_to("search")
    while workbench.advice.task == "search":
        workbench.no() if NodeName(3, 4) in workbench.advice.nodes else workbench.yes()
    assert workbench.walk.mark("warm", onwards=True) == "marked strand 3, node 4-10 warm"
    assert workbench.session.state.verdicts == {3: False}
    assert (workbench.advice.task, workbench.advice.strand) == ("look", 1)


def test_the_last_node_of_a_strand_is_looked_at_itself(workbench: Workbench) -> None:
    _fail(workbench, 1)
    while workbench.advice.task == "search":
        workbench.yes()
    assert [str(node) for node in workbench.advice.nodes] == ["1.10"]
    workbench.yes()
    assert workbench.advice.task == "walk"  # it lights after all: by hand then
    workbench.no()
    assert workbench.no() == "marked strand 1, node 10 dark"


def test_a_clicker_walks_by_hand_the_way_data_runs(workbench: Workbench) -> None:
    _fail(workbench, 2)  # data enters it at B, node 10
    workbench.walk.begin_by_hand()
    assert str(workbench.active.overrides.walking) == "2.10"
    workbench.yes()
    workbench.yes()
    assert str(workbench.active.overrides.walking) == "2.8"
    workbench.walk.follow_data(-1)
    assert str(workbench.active.overrides.walking) == "2.9"
    workbench.no()
    workbench.no()
    assert _last(workbench) == MarkMade("2", 2, "1-9", "dark", 0.25)


def test_a_colour_that_is_wrong_somewhere_is_asked_of_each_strand(fresh: Workbench) -> None:
    for act in (fresh.yes, fresh.yes, fresh.yes, lambda: fresh.enter("5"), fresh.yes):
        act()
    assert fresh.no() == "picture not as drawn"
    assert fresh.advice.task == "controller"
    fresh.no()  # like none of these: then strand by strand, and colour by colour
    for _ in range(4):
        fresh.yes()
    fresh.no()
    for strand in (1, 2, 3, 4):
        assert (fresh.advice.colour, fresh.advice.strand) == ("red", strand)
        fresh.light_advice()
        assert fresh.light.words == f"{strand} red at 25%"
        fresh.no() if strand == 3 else fresh.yes()
    assert _last(fresh) == ColourSeen("red", True, 4, 0.25)
    assert fresh.yes() == "green right everywhere"
    fresh.yes()
    assert "colours of strand 3" in unfinished_items(fresh.session.state, None)
    fresh.repair("3.1", "replaced")
    assert fresh.session.state.colours["red"] == {1: True, 2: True, 4: True}


def test_steps_are_taken_out_of_order_and_the_guidance_goes_on_after(fresh: Workbench) -> None:
    fresh.go_to("colours")
    assert fresh.advice.colour == "red"
    fresh.yes()
    fresh.yes()
    fresh.undo()
    assert fresh.advice.colour == "green"
    fresh.yes()
    fresh.yes()
    assert fresh.advice.check == ("rails", "main")
    fresh.go_to("checks")
    assert fresh.advice.check == ("rails", "main")
    fresh.drop_overrides()
    fresh.go_to("readings")
    assert fresh.advice.task == "read"


def test_wiggling_names_the_end_that_flickers(workbench: Workbench) -> None:
    workbench.go_to("wiggle")
    workbench.light_advice()
    assert workbench.light.words == "all at 25%"
    for end in ("1A", "1B", "2A", "2B", "3A", "3B", "4A", "4B"):
        assert workbench.advice.end == end
        workbench.no() if end == "3A" else workbench.yes()
    assert _last(workbench) == Wiggled("4B", True)
    assert "3A flickers when moved" in unfinished_items(workbench.session.state, None)
    workbench.repair("3A-")
    assert "3A" not in workbench.session.state.wiggled
    assert "4B" in workbench.session.state.wiggled


def test_a_soak_prompts_counts_and_ends_by_itself(workbench: Workbench, clock: Clock) -> None:
    workbench.go_to("soak")
    assert workbench.entry.unit == "time"
    assert workbench.enter("1h") == "soaking at 67%"  # what the fuse of 1 A carries
    workbench.light_advice()
    clock.now_s += 900.0
    assert workbench.advice.text == "Look now: all white and steady?"
    assert workbench.no() == "look 1: intermittent"
    assert workbench.flickered("4.7") == "look 2: intermittent, strand 4, node 7"
    with pytest.raises(NameFault):
        workbench.flickered("9")
    with pytest.raises(InputError, match="one strand"):
        workbench.flickered("1-3")
    workbench.toggle_dark()
    clock.now_s += 3600.0
    assert workbench.tick() == ""  # dark: nothing is soaked
    workbench.toggle_dark()
    clock.now_s += 2700.0
    assert workbench.tick() == "soaked 1:00:00, 2 looks, 2 intermittent"
    assert workbench.light.is_dark
    assert workbench.advice.task == "look"
    *_, soak, left = step_results(workbench.session.state)
    assert (soak.name, soak.good) == ("Soak", False)
    assert soak.says == "1:00:00 of 1:00:00 at 67%, 2 looks, 2 intermittent"
    assert (left.name, left.good, left.says) == ("Not done", None, "wiggle")
    assert "2 intermittent in the soak" in unfinished_items(workbench.session.state, None)
    assert soak in report_content(workbench.session).steps


def test_a_typing_slip_is_questioned_once_and_then_kept(workbench: Workbench) -> None:
    workbench.entry.ask_for("1", "1A")
    with pytest.raises(InputError, match=r"did you mean 4.82 V\? Tab takes that; Enter again"):
        workbench.enter("0.482")
    assert not any(isinstance(h.what, ReadingTaken) for h in workbench.session.events)
    assert workbench.entry.meant("0.482") == "4.82"
    assert workbench.enter("0.482") == "saved 482.0 mV"
    assert [reading.volts for reading in workbench.session.state.readings] == [0.482]


def test_brightness_has_steps_and_verdicts_keep_the_level(workbench: Workbench) -> None:
    workbench.light_advice()
    workbench.brighter(1)
    assert workbench.light.words == "1 at 50%"
    workbench.yes()
    assert _last(workbench) == VerdictGiven(1, True, 0.5)
    for _ in range(9):
        workbench.brighter(-1)
    assert workbench.light.words == "2 at 5%"


def test_light_only_lights_the_strand_of_the_request(workbench: Workbench) -> None:
    workbench.entry.ask_for("all", "3A")
    workbench.light_only()
    assert workbench.light.words == "3 at 25%"
    workbench.entry.ask_for("all", "main")
    with pytest.raises(InputError, match="no one strand"):
        workbench.light_only()


def test_steps_show_their_progress(workbench: Workbench) -> None:
    workbench.yes()
    workbench.no()
    lines = {line.name: line for line in list_steps(workbench.session.state, None)}
    assert (lines["checks"].done, lines["checks"].status) == (True, "4 of 4")
    assert (lines["strands"].done, lines["strands"].status) == (False, "2 of 4, 1 failed")
    assert lines["colours"].done
    assert lines["picture"].status == "not yet"
    assert lines["soak"].status == "not yet"


def test_the_next_unit_is_the_next_unfinished_one_on_the_shelf(
    begin: Callable[..., Session], shelf: Shelf
) -> None:
    text = begin("WF-3").row.design_text
    shelf.add_units(["WF-1", "WF-2", "WF-10", "WF-11"], "Small fan", text)
    assert next_unfinished_unit(shelf, "WF-3", "Small fan") == "WF-10"
    begin("WF-10").record(SignedOff("Ada"))
    retire_unit(shelf, "WF-11")
    assert next_unfinished_unit(shelf, "WF-3", "Small fan") == "WF-1"  # round to those before it
    for tag in ("WF-1", "WF-2"):
        begin(tag).record(SignedOff("Ada"))
    assert next_unfinished_unit(shelf, "WF-2", "Small fan") == "WF-3"  # left open
    assert next_unfinished_unit(shelf, "WF-3", "Small fan") is None
    assert free_tag(shelf, "WF-3") == "WF-4"
    rename_unit(shelf, "WF-2", "WF-4")
    assert free_tag(shelf, "WF-1") == "WF-5"  # WF-2 is what the record of WF-4 is kept under
    assert free_tag(shelf, "wing") == "wing-02"
    assert session_of(shelf, "WF-3", DEFAULT_METER).row.tag == "WF-3"
