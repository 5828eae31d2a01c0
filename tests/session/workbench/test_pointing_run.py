"""Nodes that show where leads and an iron go, before the lit set of a reading is on."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from uuid import uuid4

import numpy as np
import pytest

from benchtest.diagnosis import Finding, NextReading, Suspect
from benchtest.drive.e131.driver import SourceSettings
from benchtest.drive.frame_clock import FrameClock
from benchtest.drive.target import Target, driver_for
from benchtest.drive.universe_layout import Frame
from benchtest.errors import InputError
from benchtest.pattern import frame_from_duty
from benchtest.prop.design import Design, NodeName
from benchtest.prop.lit_set import LitSet
from benchtest.prop.notation import parse_place, parse_probe
from benchtest.session.guidance.pointing import (
    POINT_LEVEL,
    Pointer,
    lead_pointers,
    nearest_node,
    place_pointers,
    pointer_duty,
    unshown_places,
)
from benchtest.session.session import Session
from benchtest.session.workbench.workbench import Workbench
from tests.session.conftest import Clock, record_passed_checks
from tests.session.driven import LOOPBACK, Prop, asks, pass_all

HALF = round(255 * POINT_LEVEL)


@pytest.fixture
def bench(
    begin: Callable[..., Session], fan: Design, clock: Clock, prop: Prop
) -> Iterator[Workbench]:
    """Workbench of a unit whose strands have passed, with a prop that points."""
    driver = driver_for(Target("e131", LOOPBACK, prop.port), fan, SourceSettings(uuid4()))
    with FrameClock(driver, fan.node_count, fan.node.channels).start() as frames:
        made = Workbench(record_passed_checks(begin()), frames, None, clock, points=True)
        pass_all(made)
        yield made


def _nodes(design: Design, **colours: str) -> Frame:
    frame = np.zeros((design.node_count, 3), np.uint8)
    for colour, node in colours.items():
        strand, number = node.split(".")
        column = design.node.colours.index(colour)
        frame[design.index(int(strand), int(number)), column] = HALF
    return frame


@pytest.mark.parametrize(
    ("place", "node"),
    [("4A", "4.1"), ("4B", "4.10"), ("foot:2", "2.1"), ("crown:3", "3.10"), ("2.7", "2.7")],
)
def test_the_nearest_node_is_at_the_same_end(fan: Design, place: str, node: str) -> None:
    assert str(nearest_node(fan, parse_place(place, fan))) == node


def test_a_feed_has_no_node_and_the_question_states_it(fan: Design) -> None:
    probe = parse_probe("main", fan)
    assert lead_pointers(fan, probe) == ()
    assert unshown_places(probe) == "No node is near feed main; see the drawing."
    assert unshown_places(parse_probe("4A", fan)) == ""


def test_both_leads_at_one_end_take_two_nodes(fan: Design) -> None:
    found = lead_pointers(fan, parse_probe("foot:4+>4A+", fan))
    assert found == (Pointer("red", NodeName(4, 1)), Pointer("black", NodeName(4, 2)))


def test_a_lead_that_stays_is_not_shown(fan: Design) -> None:
    probe = parse_probe("foot:4+>crown:2+", fan)
    shown = lead_pointers(fan, probe, (probe.red, None))
    assert shown == (Pointer("black", NodeName(2, 10)),)


def test_a_joint_a_node_and_a_link_are_shown(fan: Design) -> None:
    assert [str(one.node) for one in place_pointers(fan, "3B-")] == ["3.10"]
    assert [str(one.node) for one in place_pointers(fan, "3.4")] == ["3.4"]
    assert place_pointers(fan, "main+") == ()


def test_pointers_differ_without_colour_vision(fan: Design) -> None:
    both = lead_pointers(fan, parse_probe("foot:1+>foot:4+", fan))
    on, off = (pointer_duty(fan, both, blink_on=on).any(axis=1).sum() for on in (True, False))
    assert (on, off) == (2, 1)  # one of them blinks


def test_the_lit_set_comes_on_when_the_leads_had_time(
    bench: Workbench, prop: Prop, clock: Clock
) -> None:
    asks(bench, "1 2", "foot:1+>foot:4+")
    bench.light_advice()
    assert bench.model.lit_text == "shows red at 1.1, black (blinks) at 4.1"
    assert prop.shows(_nodes(prop.design, red="1.1", blue="4.1"))
    clock.now_s += 0.6
    assert not bench.advance_light()
    assert prop.shows(_nodes(prop.design, red="1.1"))
    with pytest.raises(InputError, match="lit only now"):
        bench.enter("0.3")  # read before the set was on
    assert bench.session.state.readings == ()
    lit = frame_from_duty(LitSet(frozenset({1, 2})).duty(prop.design))
    assert prop.shows(lit)
    assert bench.enter("0.3") == "saved 0.3 mV"


def test_time_ends_the_pointing_and_a_key_shows_it_again(
    bench: Workbench, prop: Prop, clock: Clock
) -> None:
    asks(bench, "1 2", "foot:1+>foot:4+")
    bench.light_advice()
    clock.now_s += 3.9
    assert not bench.advance_light()
    clock.now_s += 0.2
    assert bench.advance_light()
    lit = frame_from_duty(LitSet(frozenset({1, 2})).duty(prop.design))
    assert prop.shows(lit)
    bench.light_advice()  # drawn again: it does not point again by itself
    assert bench.model.lit_text == "1-2"
    assert bench.point() == "shows red at 1.1, black (blinks) at 4.1"
    assert bench.point() == ""
    assert prop.shows(lit)


def test_a_reading_at_the_same_points_is_lit_at_once(bench: Workbench, clock: Clock) -> None:
    asks(bench, "1 2", "foot:1+>foot:4+")
    bench.light_advice()
    bench.end_pointing()
    bench.enter("0.3")
    asks(bench, "3", "foot:1+>foot:4+")
    bench.light_advice()
    assert bench.model.lit_text == "3"
    assert not bench.end_pointing()


def test_the_joint_of_a_repair_is_shown_until_it_is_logged(bench: Workbench, prop: Prop) -> None:
    done = NextReading(None, None, 0.0, settled=True)
    bench.active.finding = Finding(0.01, (Suspect("3B+", "resistive", 0.99),), (), done, (), None)
    assert bench.advice.task == "repair"
    bench.light_advice()
    assert prop.shows(_nodes(prop.design, red="3.10"))
    bench.toggle_dark()
    assert bench.light.is_dark
    bench.toggle_dark()
    assert bench.light.is_dark  # it does not point again by itself
    assert bench.point() == "shows the place at 3.10"
    bench.repair("3B+")
    assert bench.light.is_dark
