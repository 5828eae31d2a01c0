"""Shipped patterns and the nodes that they light; faults of a user's own patterns."""

from __future__ import annotations

import contextlib
import time
from collections.abc import Callable
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from benchtest.errors import FileFaults
from benchtest.pattern import frame_from_duty, load_patterns, parse_pattern
from benchtest.prop.design import Design
from benchtest.prop.lit_set import LitSet
from benchtest.prop.node_kinds import NodeKind

SHIPPED = {"full-white", "by-strand", "walk", "picture", "primaries", "ruler"}


@pytest.fixture(scope="module")
def fan(make_fan: Callable[..., Design]) -> Design:
    return make_fan(3, 12)


def test_every_shipped_pattern_states_its_purpose() -> None:
    patterns = load_patterns()
    assert set(patterns) == SHIPPED
    for pattern in patterns.values():
        assert pattern.title
        assert pattern.reveals
        assert pattern.asks.endswith("?")


def test_full_white_lights_every_channel(fan: Design) -> None:
    (step,) = load_patterns()["full-white"].steps(fan)
    assert (frame_from_duty(step.duty) == 255).all()
    assert step.lit == LitSet(frozenset([1, 2, 3]))


def test_by_strand_lights_one_strand_after_another(fan: Design) -> None:
    steps = load_patterns()["by-strand"].steps(fan)
    assert [step.text for step in steps] == [f"Strand {n} alone" for n in (1, 2, 3)]
    for number, step in enumerate(steps):
        lit = np.asarray(step.duty.any(axis=1))
        assert lit[number * 12 : number * 12 + 12].all()
        assert lit.sum() == 12


def test_walk_lights_one_node_and_names_it(fan: Design) -> None:
    steps = load_patterns()["walk"].steps(fan)
    assert len(steps) == 36
    step = steps[13]
    assert str(step.marked) == "2.2"
    assert np.flatnonzero(step.duty.any(axis=1)).tolist() == [13]


def test_primaries_light_each_colour_alone(
    make_fan: Callable[..., Design], make_kind: Callable[..., NodeKind]
) -> None:
    rgbw = make_fan(1, 2, kind=make_kind(colours="red green blue white"))
    steps = list(load_patterns()["primaries"].steps(rgbw))
    assert [step.text for step in steps] == [
        "Everything red", "Everything green", "Everything blue", "Everything white",
    ]  # fmt: skip
    for channel, step in enumerate(steps):
        assert step.duty[:, channel].all()
        assert step.duty.astype(bool).sum() == 2


def test_the_ruler_marks_fives_tens_and_fifties_by_brightness(
    make_fan: Callable[..., Design],
) -> None:
    (step,) = load_patterns()["ruler"].steps(make_fan(1, 60))
    shown = step.duty.max(axis=1)
    assert shown[0] < shown[4] < shown[9] < shown[49]  # nodes 1, 5, 10, 50
    tens = [node for node in range(1, 61) if shown[node - 1] >= shown[9]]
    assert tens == [10, 20, 30, 40, 50, 60]
    assert (shown > 0).all()  # a dark node shows between the marks


def test_steps_of_a_large_prop_are_built_one_at_a_time(make_fan: Callable[..., Design]) -> None:
    large = make_fan(64, 160)
    start_s = time.process_time()
    steps = load_patterns()["walk"].steps(large)
    assert len(steps) == 10_240
    assert str(steps[10_239].marked) == "64.160"
    assert str(steps[-1].marked) == "64.160"
    assert time.process_time() - start_s < 5.0  # all steps at once would be gigabytes
    with pytest.raises(IndexError):
        steps[10_240]


def test_a_users_pattern_replaces_one_of_the_same_name(tmp_path: Path) -> None:
    (tmp_path / "walk.toml").write_text(_pattern(title="My walk", each="node"))
    patterns = load_patterns(tmp_path)
    assert patterns["walk"].title == "My walk"
    assert set(patterns) == SHIPPED


def _pattern(title: str = "A", each: str = "prop", hold_s: float = 1.0, says: str = "x") -> str:
    return (
        f'title = "{title}"\nreveals = "r"\nasks = "q?"\nhold_s = {hold_s}\n'
        f'[[step]]\neach = "{each}"\nsays = "{says}"\n'
    )


@pytest.mark.parametrize(("each", "hold_s", "good"), [
    ("prop", 0.5, True), ("prop", 0.49, False), ("strand", 0.2, False), ("node", 0.1, True),
    ("node", 0.05, False), ("colour", 0.3, False), ("turn", 0.3, False),
])  # fmt: skip
def test_large_areas_never_change_faster_than_twice_a_second(
    each: str, hold_s: float, good: bool
) -> None:
    # WCAG 2.2, success criterion 2.3.1: no more than three flashes in any one second
    text = _pattern(each=each, hold_s=hold_s)
    if good:
        assert parse_pattern("mine", text, "mine.toml").hold_s == hold_s
    else:
        with pytest.raises(FileFaults, match="hold_s"):
            parse_pattern("mine", text, "mine.toml")


def test_every_fault_of_a_file_is_reported_at_once() -> None:
    text = """
titel = "x"
reveals = 3
[[step]]
each = "strnd"
says = "Node {node.__class__}"
layer = [{ colour = "rd", level = 2, evry = 3 }]
"""
    with pytest.raises(FileFaults) as caught:
        parse_pattern("mine", text, "mine.toml")
    message = str(caught.value)
    for words in (
        "titel: is not a known key",
        'did you mean "title"?',
        "reveals: is 3",
        "asks: is missing",
        'did you mean "strand"?',
        "layer[1].level: is 2",
        "evry",
    ):
        assert words in message


def test_only_the_fields_of_a_step_are_filled_in() -> None:
    for says in ("{node}", "{0}", "{", "{strand.__class__}"):
        with pytest.raises(FileFaults):
            parse_pattern("mine", _pattern(each="strand", says=says), "mine.toml")


@settings(max_examples=150, deadline=None)
@given(st.text(max_size=200))
def test_any_text_is_a_pattern_or_raises_its_faults(text: str) -> None:
    with contextlib.suppress(FileFaults):
        parse_pattern("mine", text, "mine.toml")
