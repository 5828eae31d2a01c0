"""The look at controller and prop file: two looks, and the setting is named before any strand."""

from __future__ import annotations

import dataclasses
from collections.abc import Callable

import pytest

from benchtest.diagnosis import Engine
from benchtest.drive.universe_layout import frame_from_slots
from benchtest.errors import InputError
from benchtest.evidence.meter import DEFAULT_METER
from benchtest.pattern import alternating_duty, frame_from_duty
from benchtest.prop.design import Design, NodeRun, Output
from benchtest.prop.joints import data_order
from benchtest.prop.outputs import parse_output_setting
from benchtest.session.log.controller_look import (
    COUNTED,
    controller_looks,
    counted_looks,
    order_looks,
)
from benchtest.session.log.events import ControllerSeen, FirstLight, PictureSeen
from benchtest.session.log.evidence import diagnose_state
from benchtest.session.log.state import LoggedEvent, State, fold
from benchtest.session.log.unit_target import as_controller
from benchtest.session.workbench.workbench import Workbench
from tests.wire import slots_of

MakeFan = Callable[..., Design]
WHITE = {"red", "green", "blue"}
"""Colours of the first node as it is sent."""


def _shown(design: Design, setting: str) -> list[set[str]]:
    """Return the colours of each node, in the order of data, that a controller so set shows."""
    frame = frame_from_duty(alternating_duty(design))
    slots = slots_of(design, frame)
    received = frame_from_slots(parse_output_setting(setting).moved(design), slots) > 0
    colours = design.node.colours
    return [
        {name for name, on in zip(colours, row, strict=True) if on}
        for row in received[data_order(design)].tolist()
    ]


def _task(bench: Workbench) -> str:
    return bench.advice.task


def _to_the_picture(bench: Workbench) -> None:
    for act in (bench.yes, bench.yes, bench.yes, lambda: bench.enter("5"), bench.yes):
        act()


def _at(state_of: Design, *events: ControllerSeen | FirstLight | PictureSeen) -> State:
    return fold([LoggedEvent(n, "", what) for n, what in enumerate(events, 1)], state_of)


def test_a_packing_of_512_slots_looks_as_its_choice(make_fan: MakeFan) -> None:
    """The frames are those that the driving code sends and a controller of that setting takes."""
    fan = make_fan(8, 50)  # 400 RGB nodes: 170, 170 and 60 in three universes
    shown = _shown(fan, "slots=512,packed=true")
    assert shown[:170] == [WHITE, {"blue"}, *[{"red"}, {"blue"}] * 84]
    # slots 511 and 512 of universe 1 are empty: node 171 takes its third channel from universe 2
    assert shown[170:340] == [{"blue"}, set(), *[{"green", "blue"}, set()] * 84]
    assert shown[342:] == [set(), {"red", "green"}] * 29
    look = next(one for one in controller_looks(fan) if "packed" in str(one.settings))
    assert look.settings == ("controller slots=512,packed=true",)
    first = "red and blue, from 4.29 dark and turquoise"  # strand 4 is entered at B
    assert look.text.startswith(first)


def test_a_shift_by_one_channel_is_no_colour_order(make_fan: MakeFan) -> None:
    fan = make_fan(4, 10)
    shown = _shown(fan, "channel=2")
    # node 1 has green and blue of its own, and no red of the blue node 2
    assert shown[:39] == [
        {"red", "green"},
        {"green", "blue"},
        *[set(), {"green", "blue"}] * 18,
        set(),
    ]
    text = next(
        one.text for one in controller_looks(fan) if one.settings == ("controller channel=2",)
    )
    assert text == "first node yellow, dark and turquoise"
    assert all("dark" not in one.text for one in order_looks(fan))
    assert [one.settings for one in order_looks(fan) if one.text == "green and blue"] == [
        ("colour_order GRB",)
    ]


def test_exchanged_outputs_are_seen_since_neighbours_have_other_colours(make_fan: MakeFan) -> None:
    outputs = (Output(1, 1, (NodeRun(1, 1, 9),)), Output(2, 1, (NodeRun(2, 1, 9),)))
    fan = dataclasses.replace(make_fan(2, 9), outputs=outputs)
    agreed, *others = controller_looks(fan)
    assert agreed.text == "as sent: white, then red and blue, from 2.9 red and green to the end"
    texts = {one.settings: one.text for one in others}
    assert texts["controller outputs=2-1",] == "red and green, from 2.9 red and blue"


@pytest.mark.parametrize("channels", ["red green blue", "red green blue white"])
def test_no_two_choices_read_alike(
    make_fan: MakeFan, make_kind: Callable[..., object], channels: str
) -> None:
    fan = make_fan(6, 100, kind=make_kind(colours=channels))
    texts = [one.text for one in controller_looks(fan)]
    assert len(set(texts)) == len(texts) <= 9
    pairs = [one.text for one in order_looks(fan)]
    assert len(set(pairs)) == len(pairs)


@pytest.mark.parametrize(
    "setting", ["slots=512,packed=true", "channel=2", "universe=2", "without=2", "channels=4"]
)
def test_the_chosen_setting_is_the_suspect(make_fan: MakeFan, setting: str) -> None:
    """A look with dark nodes alone is weighed against a break at the same node."""
    fan = make_fan(8, 50)
    seen = ControllerSeen(False, [f"controller {setting}"])
    state = _at(fan, FirstLight(False), seen)
    assert [mark.seen for mark in state.controller_marks if mark.seen != "ok"] == (
        ["dark"] * sum(mark.seen == "dark" for mark in state.controller_marks)
    )
    finding = diagnose_state(Engine(fan), state, DEFAULT_METER)
    top = finding.suspects[0]
    assert (top.where, top.fault) == (f"controller {setting}", "mapping")
    assert top.probability > 0.5


def test_a_look_that_agrees_clears_the_settings(make_fan: MakeFan) -> None:
    fan = make_fan(8, 50)
    state = _at(fan, PictureSeen(False), ControllerSeen(True))
    finding = diagnose_state(Engine(fan), state, DEFAULT_METER)
    assert all(one.fault != "mapping" for one in finding.suspects)


def test_two_looks_name_the_setting_and_no_strand_is_judged(fresh: Workbench) -> None:
    _to_the_picture(fresh)
    fresh.no()  # the picture is not as drawn
    assert _task(fresh) == "controller"
    fresh.light_advice()
    assert fresh.light.frame.any(axis=1).all()
    fresh.choose(1 + fresh.advice.choices.index("first node yellow, dark and turquoise"))
    assert fresh.session.state.verdicts == {}
    assert _task(fresh) == "think"
    fresh.worker.accept(*fresh.worker.diagnose())
    assert _task(fresh) == "repair"
    assert fresh.advice.text.startswith(
        "Your controller begins at channel 2; the prop file says 1; set one like the other"
    )
    target = as_controller("e131:127.0.0.1 priority=150", "controller channel=2")
    assert target == "e131:127.0.0.1 channel=2,priority=150"
    fresh.repair("controller channel=2", "driven otherwise")
    assert _task(fresh) == "picture"


def test_another_colour_order_is_named_by_its_two_colours(fresh: Workbench) -> None:
    _to_the_picture(fresh)
    fresh.no()
    fresh.choose(len(fresh.advice.choices))
    assert fresh.session.state.controller is None
    fresh.choose(1 + fresh.advice.choices.index("green and blue"))
    assert _task(fresh) == "recolour"
    assert "The nodes are GRB" in fresh.advice.text
    fresh.yes()  # look again
    assert _task(fresh) == "picture"


@pytest.mark.parametrize(
    ("setting", "at_start", "at_end", "look"),
    [
        (
            "channel=31",
            0,
            10,
            "first node red, red and blue, from 8.10 dark",
        ),  # ten whole nodes later
        ("channel=5", 0, 1, "first node turquoise, turquoise and dark, from 4.31 red and blue"),
        ("universe=2,channel=91", 0, 200, "first node red, red and blue, from 5.1 dark"),
    ],
)
def test_any_first_channel_is_found_by_counting_dark_nodes(
    make_fan: MakeFan, setting: str, at_start: int, at_end: int, look: str
) -> None:
    """The dark nodes are counted on the frame that a controller of that setting takes."""
    fan = make_fan(8, 50)
    lit = [bool(colours) for colours in _shown(fan, setting)]
    assert (lit.index(True), lit[::-1].index(True)) == (at_start, at_end)
    found = {one.settings: one.text for one in counted_looks(fan, at_start, at_end)}
    assert found[f"controller {setting}",] == look


def test_an_earlier_first_channel_leaves_the_first_nodes_dark(make_fan: MakeFan) -> None:
    fan = parse_output_setting("channel=31").moved(make_fan(8, 50))
    lit = [bool(colours) for colours in _shown(fan, "channel=16")]
    assert lit.index(True) == 5
    (look,) = [one for one in counted_looks(fan, 5, 0) if "channel=16" in one.settings[0]]
    assert look.text == "dark, from 1.7 blue and red"  # 1.6 is white


def test_a_count_that_no_channel_explains_is_refused(make_fan: MakeFan) -> None:
    with pytest.raises(InputError, match="count again"):
        counted_looks(make_fan(8, 50), 3, 3)


def test_counted_nodes_name_the_channel_and_drive_the_prop_as_set(fresh: Workbench) -> None:
    _to_the_picture(fresh)
    fresh.no()
    number = 1 + fresh.advice.choices.index(COUNTED.text)
    assert fresh.is_counted(number)
    assert not fresh.is_counted(1)
    with pytest.raises(InputError, match="two numbers"):
        fresh.choose_counted("", "ten")
    fresh.choose_counted("", "10")
    assert fresh.advice.choices == (
        "first node white, and dark nodes all the same",
        "first node red, red and blue, from 4.10 dark",
    )
    fresh.choose(2)
    assert _task(fresh) == "recolour"
    assert fresh.advice.text.startswith(
        "Your controller begins at channel 31; the prop file says 1"
    )
    assert fresh.model.drives_as_set
    assert fresh.session.state.verdicts == {}


def test_a_break_at_the_end_is_no_other_first_channel(
    fresh: Workbench,
) -> None:
    _to_the_picture(fresh)
    fresh.no()
    fresh.choose_counted("0", "10")
    fresh.choose(1)  # the first node is white, as sent
    assert fresh.session.state.controller == ControllerSeen(True)
    assert (_task(fresh), fresh.advice.strand) == ("look", 1)


def test_a_picture_as_drawn_needs_no_further_look(fresh: Workbench) -> None:
    _to_the_picture(fresh)
    fresh.session.record(PictureSeen(True))
    assert _task(fresh) == "look"
