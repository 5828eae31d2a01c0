"""Settings of a controller that disagree with the prop file: the suspect that the marks name."""

from __future__ import annotations

import dataclasses
from collections.abc import Callable

import numpy as np
import pytest

from benchtest.diagnosis.engine import diagnose
from benchtest.diagnosis.model.mapping_faults import mapping_faults
from benchtest.drive.universe_layout import frame_from_slots
from benchtest.evidence.marks import Mark, Seen
from benchtest.pattern import frame_from_duty
from benchtest.prop.design import Design, NodeRun, Output
from benchtest.prop.lit_set import LitSet, all_lit
from benchtest.prop.outputs import parse_output_setting
from benchtest.virtual.virtual_prop import VirtualProp
from benchtest.wording.repair_advice import repair_text
from tests.wire import slots_of

MakeFan = Callable[..., Design]


def _marks(design: Design, controller: Design, lit: LitSet) -> list[Mark]:
    """Look at a good prop whose controller has the settings of another design."""
    prop = VirtualProp(controller)
    frame = frame_from_duty(lit.duty(design))
    prop.receive(frame_from_slots(controller, slots_of(design, frame)))
    found = [
        Mark(lit, strand.number, 1, strand.nodes, "ok")
        for strand in design.strands
        if lit.lights(strand.number)
    ]
    wanted, light = frame > 0, prop.received_data() > 0
    for strand in design.strands:
        start = design.first_index[strand.number - 1]
        for node in range(strand.nodes):
            mine, other = wanted[start + node], light[start + node]
            if (mine == other).all() or not (mine.any() or other.any()):
                continue
            seen: Seen = "stuck" if not mine.any() else "wrong-colour" if other.any() else "dark"
            found.append(Mark(lit, strand.number, node + 1, node + 1, seen))
    return found


def _both(make_fan: MakeFan, setting: str) -> tuple[Design, Design]:
    fan = make_fan(8, 50)  # 400 RGB nodes: 170, 170 and 60 in three universes
    return fan, parse_output_setting(setting).moved(fan)


def test_a_controller_that_packs_512_slots_shows_what_a_user_saw(make_fan: MakeFan) -> None:
    """Counted on a prop of 400 nodes lit red: 170 red, then blue, one dark, then green."""
    fan, packing = _both(make_fan, "slots=512,packed=true")
    red = frame_from_duty(all_lit(fan, 1.0, "red").duty(fan))
    shown = frame_from_slots(packing, slots_of(fan, red)) > 0
    order = [fan.index(end.strand, node) for end in fan.data_path
             for node in (range(1, 51) if end.end == "A" else range(50, 0, -1))]  # fmt: skip
    # slots 511 and 512 of universe 1 are empty: node 171 takes its third channel from universe 2
    names = ["dark" if not row.any() else ["red", "green", "blue"][int(np.argmax(row))]
             for row in shown[order]]  # fmt: skip
    assert names[:170] == ["red"] * 170
    assert names[170:340] == ["blue"] * 170
    assert names[340] == "dark"
    assert names[341:] == ["green"] * 59


@pytest.mark.parametrize(
    ("setting", "where"),
    [
        ("slots=512,packed=true", "controller slots=512,packed=true"),
        ("universe=2", "controller universe=2"),
    ],
)
def test_marks_name_the_setting_before_any_node(
    make_fan: MakeFan, setting: str, where: str
) -> None:
    fan, controller = _both(make_fan, setting)
    lit = all_lit(fan, 1.0, "red")
    found = diagnose(fan, (), _marks(fan, controller, lit))
    top = found.suspects[0]
    assert (top.where, top.fault) == (where, "mapping")
    assert top.probability > 0.9
    # the first universe's light is on the first nodes, and the last 170 are dark, as after a break
    most = 0.05 if "packed" in setting else 0.5
    assert all(one.fault == "mapping" or one.probability < most for one in found.suspects[1:])


def test_a_dark_run_from_a_universes_edge_on_is_the_controllers(make_fan: MakeFan) -> None:
    fan = make_fan(8, 50)
    lit = all_lit(fan)
    # data reaches strand 4 at B: nodes 171 on are its nodes 30 to 1, then strands 5 to 8
    marks = [Mark(lit, n, 1, 50, "ok") for n in (1, 2, 3)]
    marks += [Mark(lit, 4, 31, 50, "ok"), Mark(lit, 4, 1, 30, "dark")]
    marks += [Mark(lit, n, 1, 50, "dark") for n in (5, 6, 7, 8)]
    top = diagnose(fan, (), marks).suspects[0]
    assert (top.where, top.fault) == ("controller without=2", "mapping")
    assert "nothing from universe 2 on" in repair_text(top, fan)


def test_the_words_name_the_setting_to_change(make_fan: MakeFan) -> None:
    fan, controller = _both(make_fan, "slots=512,packed=true")
    top = diagnose(fan, (), _marks(fan, controller, all_lit(fan, 1.0, "red"))).suspects[0]
    words = repair_text(top, fan)
    assert words.startswith("your controller uses 512 slots of each universe (nodes may span two)")
    assert "the prop file says 510 slots of each universe (whole nodes only)" in words


def test_a_dead_node_away_from_every_edge_stays_a_dead_node(make_fan: MakeFan) -> None:
    fan = make_fan(8, 50)
    lit = all_lit(fan)
    marks = [Mark(lit, n, 1, 50, "ok") for n in range(1, 9)] + [Mark(lit, 2, 17, 17, "dark")]
    top = diagnose(fan, (), marks).suspects[0]
    assert (top.where, top.fault) == ("2.17", "dead-node")


def test_settings_have_no_odds_until_something_is_seen(make_fan: MakeFan) -> None:
    fan = make_fan(8, 50)
    marks = [Mark(all_lit(fan), n, 1, 50, "ok") for n in range(1, 9)]
    assert all(one.fault != "mapping" for one in diagnose(fan, (), marks).suspects)


def test_exchanged_outputs_receive_each_others_light(make_fan: MakeFan) -> None:
    outputs = (Output(1, 1, (NodeRun(1, 1, 5),)), Output(2, 1, (NodeRun(2, 1, 5),)))
    fan = dataclasses.replace(make_fan(2, 5), outputs=outputs)
    fault = next(one for one in mapping_faults(fan) if one.where == "controller outputs=2-1")
    sent = np.arange(30).reshape(10, 3)
    assert fault.remap is not None
    # both lines are sent in the order of data: strand 2 is entered at B
    assert fault.remap.received(sent).tolist() == sent[[9, 8, 7, 6, 5, 4, 3, 2, 1, 0]].tolist()


@pytest.mark.parametrize("channels", ["red green blue", "red green blue white"])
def test_each_setting_is_what_a_controller_makes_of_the_slots(
    make_fan: MakeFan, make_kind: Callable[..., object], channels: str
) -> None:
    """Compare with frames sent and received by the code that drives a prop."""
    fan = make_fan(3, 150, kind=make_kind(colours=channels))
    sent = np.random.default_rng(1).integers(1, 256, (fan.node_count, fan.node.channels))
    slots = slots_of(fan, sent.astype(np.uint8))
    compared = 0
    for fault in mapping_faults(fan):
        setting = fault.where.removeprefix("controller ")
        if fault.remap is None or setting.startswith("channels"):
            continue
        controller = parse_output_setting(setting).moved(fan)
        expected = frame_from_slots(controller, slots)
        assert np.array_equal(fault.remap.received(sent), expected), fault.where
        compared += 1
    assert compared >= 2
