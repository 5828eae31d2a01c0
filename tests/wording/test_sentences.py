"""Sentences about suspects, repairs and doubts."""

from __future__ import annotations

from collections.abc import Callable

import pytest

from benchtest.diagnosis import Finding, NextReading, Suspect
from benchtest.diagnosis.finding import NearFault, ReadingEvidence, SuspectEvidence
from benchtest.diagnosis.model.faults import FaultKind
from benchtest.evidence.marks import Mark
from benchtest.evidence.readings import Reading
from benchtest.prop.design import Design
from benchtest.prop.lit_set import all_lit
from benchtest.prop.notation import parse_probe
from benchtest.wording import doubt_texts, fault_repair_text, reason_text, repair_text


@pytest.fixture
def fan(make_fan: Callable[..., Design]) -> Design:
    """Twelve strands between two buses, one feed."""
    return make_fan(12, 30)


def _reading(design: Design, probe: str, volts: float) -> Reading:
    return Reading(all_lit(design), parse_probe(probe, design), volts)


def test_a_reason_has_both_sides_with_units(fan: Design) -> None:
    strong = ReadingEvidence(_reading(fan, "foot:4+>4A+", 0.0705), 0.003, 0.001, 0.0702)
    weak = ReadingEvidence(_reading(fan, "4B", 4.57), 4.58, 0.02, 4.2)
    evidence = SuspectEvidence((strong,), (weak,), before_repair_of="2A-")
    suspect = Suspect("4A+", "resistive", 0.9, evidence=evidence)
    assert reason_text(suspect, fan) == (
        "Before 2A- was repaired: "
        "foot 4+ > 4A+ with all lit read 70.5 mV: a good unit shows 3.0 mV ± 1.0 mV, this fault "
        "70.2 mV. "
        "Against it: 4B with all lit read 4.570 V, where it would show 4.200 V."
    )


def test_a_reason_names_three_marks_and_counts_the_rest(fan: Design) -> None:
    marks = tuple(Mark(all_lit(fan), 4, node, node, "dark") for node in range(1, 6))
    suspect = Suspect("4Ad", "data-open", 0.9, evidence=SuspectEvidence(marks=marks))
    assert reason_text(suspect, fan) == (
        "Seen: 4.1 dark, 4.2 dark, 4.3 dark and 2 more; data stops there."
    )


@pytest.mark.parametrize(("growing", "ending"), [(True, "warms."), (False, "good for others.")])
def test_repeated_readings_that_disagree_are_the_reason(
    fan: Design, growing: bool, ending: str
) -> None:
    pair = _reading(fan, "foot:4+>4A+", 0.0705), _reading(fan, "foot:4+>4A+", 0.005)
    suspect = Suspect(
        "4A+", "resistive", 0.9, evidence=SuspectEvidence(disagreeing=(pair,)),
        growing=growing, intermittent=not growing,
    )  # fmt: skip
    assert "foot 4+ > 4A+ with all lit read 70.5 mV, then 5.0 mV: it " in reason_text(suspect, fan)
    assert reason_text(suspect, fan).endswith(ending)


@pytest.mark.parametrize(
    ("where", "fault", "words"),
    [
        ("4A+", "resistive", "reflow joint 4A+ (supply wire onto pad foot:4)"),
        ("4A-", "open", "resolder joint 4A- (return wire onto pad foot:4)"),
        ("4Ad", "data-open", "reflow data joint 4Ad"),
        ("4.7", "dead-node", "node 4.7"),
        ("4.7", "no-data-out", "data output of node 4.7"),
        ("4", "reversed", "separate strand 4 at both ends"),
        ("3 4", "swapped", "strands 3 and 4"),
    ],
)
def test_a_repair_begins_with_power_and_names_the_place(
    fan: Design, where: str, fault: FaultKind, words: str
) -> None:
    text = fault_repair_text(fan, where, fault)
    assert words in text
    assert "switch off" in text


def test_a_short_is_searched_near_its_likely_places(fan: Design) -> None:
    feed = fan.feeds[0].name
    suspect = Suspect(feed, "short", 0.9, near=("foot:3", "foot:4", "foot:5", "foot:6"))
    text = repair_text(suspect, fan)
    assert text.endswith("; look first near foot:3 and foot:4 and foot:5")
    assert "never put in a larger fuse" in text


def test_doubts_name_the_nearest_faults_and_what_to_do(fan: Design) -> None:
    near = (NearFault("3A-", "resistive", 2.52), NearFault("2A-", "open", None))
    settled = NextReading(None, None, 0.0, settled=False)
    finding = Finding(
        0.01, (), (), settled, (), None, rounded_v=0.01, explained=False, nearest=near
    )
    assert doubt_texts(finding, fan) == [
        "Readings look rounded to 10 mV and count for less. Type every digit of the display, and "
        "give the meter's counts.",
        "Neither one fault nor several explain the readings; nearest: 3A- at 2.5 Ω and 2A- open. "
        "Check the prop file, then take readings again.",
    ]
