"""The person's effort of a session, against sums by hand of the keystroke-level model's operators.

Operators: Card, Moran, Newell, Communications of the ACM 23(7), 1980 (key 0.28 s, decision 1.35 s);
leads, looks and irons: common practice, no source.
"""

from __future__ import annotations

from typing import Literal

import pytest

from benchtest.prop.design import Design
from benchtest.prop.reader import parse_design
from benchtest.session.log.events import (
    CheckMade,
    ColourSeen,
    Concluded,
    FirstLight,
    MarkMade,
    PartSeen,
    PictureSeen,
    ReadingTaken,
    RepairDone,
    SessionEvent,
    SignedOff,
    VerdictGiven,
)
from benchtest.session.log.person_effort import PersonEffort, person_effort

PROP = """
format = 1
name = "Reed gate"
[node]
kind = "ws2811-5v"
[[strand]]
count = 3
nodes = 16
pitch_mm = 50.0
lead_mm = [60.0, 60.0]
wire = "22 AWG"
[data]
path = "zigzag"
[[bus]]
name = "foot"
joins = "A"
copper = { weight_oz = 2.0, width_mm = 8.0 }
spacing_mm = 40.0
[[bus]]
name = "crown"
joins = "B"
copper = { weight_oz = 2.0, width_mm = 8.0 }
spacing_mm = 40.0
[[feed]]
name = "main"
at = "foot:1"
volts = 5.0
wire = "16 AWG"
length_mm = 1000.0
"""


@pytest.fixture(scope="module")
def gate() -> Design:
    """Three strands between two boards."""
    return parse_design(PROP, "reed-gate.toml")


LOOK_STRAND_S = 0.2 + 1.5 + 0.28
LOOK_PROP_S = 0.2 + 3.0 + 0.28


@pytest.mark.parametrize(
    ("events", "effort"),
    [
        ([CheckMade("fuse", "main", True)], PersonEffort(keys=1, seconds=1.35 + 0.28)),
        (
            [CheckMade("supply", "main", True, volts=4.95)],
            PersonEffort(keys=5, seconds=2 * 2.5 + 1.5 + 3.5),
        ),
        ([FirstLight(True)], PersonEffort(1, 1, seconds=LOOK_PROP_S)),
        (
            [VerdictGiven(1, True), VerdictGiven(2, True)],
            PersonEffort(2, 2, seconds=2 * LOOK_STRAND_S),
        ),
        ([PictureSeen(True)], PersonEffort(1, 1, seconds=LOOK_PROP_S)),  # three turns of 1 s
        ([ColourSeen("red", True)], PersonEffort(1, 1, seconds=LOOK_PROP_S)),
        # one of 16 nodes: four looks of a search by halves, then the mark's key
        (
            [VerdictGiven(2, False), MarkMade("2", 2, "7", "dark")],
            PersonEffort(6, 5, seconds=5 * LOOK_STRAND_S + 1.35 + 0.28),
        ),
        (
            [VerdictGiven(2, False), PartSeen(1, 8, True, 2), MarkMade("2", 2, "9", "dark")],
            PersonEffort(3, 2, seconds=2 * LOOK_STRAND_S + 1.35 + 0.28),
        ),
        # all dark: one look and one key, without a search
        (
            [VerdictGiven(2, False), MarkMade("2", 2, "1-16", "dark")],
            PersonEffort(1, 1, seconds=LOOK_STRAND_S),
        ),
        ([RepairDone("2A+")], PersonEffort(1, seconds=60.0 + 0.28)),
        ([SignedOff("Ada")], PersonEffort(5, seconds=1.35 + 5 * 0.28)),
        ([Concluded(0.99, True)], PersonEffort()),
    ],
)
def test_each_event_costs_its_operators(
    gate: Design, events: list[SessionEvent], effort: PersonEffort
) -> None:
    found = person_effort(gate, events)
    assert (found.keys, found.looks, found.readings, found.lead_moves) == (
        effort.keys, effort.looks, effort.readings, effort.lead_moves,
    )  # fmt: skip
    assert found.seconds == pytest.approx(effort.seconds)


def test_a_lead_that_stays_is_clipped_on(gate: Design) -> None:
    taken = [
        ReadingTaken("all", "crown:1+>crown:3+", 0.0004),
        ReadingTaken("2", "crown:1+>crown:2+", 0.0003),
    ]
    found = person_effort(gate, taken)
    assert (found.readings, found.lead_moves) == (2, 3)
    # "0.4" and Enter, twice; both leads and the light, then a clip for one and the other's move
    assert found.keys == 8
    first_s = 2 * 2.5 + 0.2 + 1.5 + 3.5
    clip_s = 4.0 - 2.5
    assert found.seconds == pytest.approx(first_s + clip_s + 2.5 + 0.2 + 1.5 + 3.5)


def test_a_reading_of_a_meter_on_a_line_is_one_key(gate: Design) -> None:
    found = person_effort(gate, [ReadingTaken("all", "1A", 4.9, source="scpi:/dev/ttyUSB0")])
    assert found.keys == 1
    assert found.seconds == pytest.approx(2 * 2.5 + 0.2 + 1.5 + 0.28)


def test_strands_behind_a_dark_one_are_one_look(gate: Design) -> None:
    def dark(strand: int, way: Literal["alone", "parade"]) -> list[SessionEvent]:
        return [
            VerdictGiven(strand, False, 0.25, way),
            MarkMade(str(strand), strand, "1-16", "dark"),
        ]

    found = person_effort(gate, [*dark(1, "alone"), *dark(2, "parade"), *dark(3, "parade")])
    # the strand that fails: light, look, key; all behind it together: light, a look at them, key
    assert found.looks == 2
    assert found.seconds == pytest.approx((0.2 + 1.5 + 0.28) + (0.2 + 3.0 + 0.28))
