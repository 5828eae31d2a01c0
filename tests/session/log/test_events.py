"""Events: read back as written, and invalid ones read as unknown."""

from __future__ import annotations

import json
from typing import Any, get_args

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from benchtest.session.log.events import (
    CheckMade,
    ColourSeen,
    Concluded,
    ControllerSeen,
    FirstLight,
    MarkMade,
    NoteMade,
    NotTaken,
    PartSeen,
    PictureSeen,
    ReadingTaken,
    Renamed,
    RepairDone,
    Retired,
    SessionEvent,
    SignedOff,
    SoakBegun,
    SoakSeen,
    SoakStopped,
    StageSet,
    Struck,
    Undone,
    Unknown,
    VerdictGiven,
    Wiggled,
    from_data,
    to_data,
)

EXAMPLES: list[SessionEvent] = [
    PictureSeen(as_drawn=False, lit="1-3"),
    ControllerSeen(agrees=False, settings=["controller slots=512,packed=true"]),
    VerdictGiven(4, passed=False, level=0.25),
    MarkMade("4", 4, "17-30", "warm", 0.25, "white"),
    ReadingTaken("1 3", "crown:2+>crown:4+", -0.0005),
    ReadingTaken("all", "main", None, 7.25, 0.5, "red"),
    ReadingTaken("all", "main", None, 7.25, again=3),
    ReadingTaken("4", "foot:4+>4A+", 0.0819175, source="bridge", beyond=True),
    Struck(4),
    NotTaken("all", "foot:4+>4A+"),
    RepairDone("4A+", "reflowed"),
    NoteMade("rain 50 Ω\n“all night”"),
    StageSet("sealed", "soldered"),
    Concluded(0.02, True, [{"where": "4A+", "fault": "open", "probability": 0.9, "ohms": None}]),
    CheckMade("rails", "main", True, ohm=47e3),
    CheckMade("supply", "main", None, volts=5.02),
    FirstLight(False, 0.05),
    ColourSeen("red", False, 3, 0.25),
    PartSeen(1, 180, True),
    Wiggled("4A", False),
    SoakBegun(7200.0, 900.0, 0.8),
    SoakSeen(900.0, True),
    SoakStopped(7200.0, False),
    Renamed("WF-13"),
    Retired(True, "scrapped"),
    SignedOff("Ada", "by the river"),
    Undone(3),
]


def test_every_kind_has_an_example() -> None:
    assert {type(one) for one in EXAMPLES} == set(get_args(SessionEvent)) - {Unknown}


@pytest.mark.parametrize("what", EXAMPLES, ids=lambda what: what.kind)
def test_an_event_comes_back_from_json_as_it_was(what: SessionEvent) -> None:
    assert from_data(what.kind, json.loads(json.dumps(to_data(what)))) == what


@pytest.mark.parametrize("what", EXAMPLES, ids=lambda what: what.kind)
def test_a_field_of_a_later_version_is_passed_over(what: SessionEvent) -> None:
    assert from_data(what.kind, {**to_data(what), "weather": "rain"}) == what


def test_an_event_of_a_later_version_is_kept_and_not_understood() -> None:
    assert from_data("flexed", {"joint": "4A+"}) == Unknown({"joint": "4A+"})


@pytest.mark.parametrize(
    ("kind", "data"),
    [
        ("verdict", {"strand": "4", "passed": True}),
        ("verdict", {"strand": True, "passed": True}),
        ("verdict", {"strand": 4, "passed": "yes"}),
        ("verdict", {"strand": 4}),
        ("mark", {"lit": "4", "strand": 4, "nodes": "1", "seen": "purple"}),
        ("reading", {"lit": "all", "probe": "4B", "volts": "4.9"}),
        ("reading", {"lit": ["all"], "probe": "4B", "volts": 4.9}),
        ("stage", {"stage": "lost"}),
        ("finding", {"healthy": 1.0, "settled": True, "suspects": [1]}),
        ("finding", {"healthy": 1.0, "settled": True, "suspects": {"a": 1}}),
        ("undone", {"seq": 1.5}),
        ("check", {"check": "weather", "feed": "main", "passed": True}),
        ("soak-seen", {"done_s": "900", "steady": True}),
        ("note", {}),
    ],
)
def test_an_event_with_invalid_data_is_unknown(kind: str, data: dict[str, Any]) -> None:
    assert from_data(kind, data) == Unknown(data)


_ANY = st.recursive(
    st.none() | st.booleans() | st.integers() | st.floats() | st.text(max_size=5),
    lambda inner: st.lists(inner, max_size=3) | st.dictionaries(st.text(max_size=3), inner),
    max_leaves=4,
)
_NAMES = sorted({name for one in EXAMPLES for name in to_data(one)})


@given(
    kind=st.sampled_from([one.kind for one in EXAMPLES]),
    data=st.dictionaries(st.sampled_from(_NAMES), _ANY),
)
@settings(deadline=None)
def test_any_data_are_read_as_their_kind_or_as_unknown(kind: str, data: dict[str, Any]) -> None:
    what = from_data(kind, data)
    assert what.kind in (kind, "unknown")
