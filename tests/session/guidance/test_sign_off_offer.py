"""The offer to sign off instead of taking further readings."""

from __future__ import annotations

from dataclasses import replace

import pytest

from benchtest.diagnosis import Engine, Finding, NextReading, next_reading_s
from benchtest.errors import InputError
from benchtest.formatting import format_ohms
from benchtest.prop.design import Design
from benchtest.prop.enough import MIN_ENOUGH_PROBABILITY, parse_enough
from benchtest.prop.lit_set import all_lit
from benchtest.prop.notation import parse_probe
from benchtest.prop.reader import parse_design
from benchtest.session.guidance.next_step import next_step
from benchtest.session.guidance.release import unfinished_items
from benchtest.session.log.events import (
    CheckMade,
    ColourSeen,
    FirstLight,
    ReadingTaken,
    SessionEvent,
    VerdictGiven,
)
from benchtest.session.log.power_checks import all_checks
from benchtest.session.log.state import LoggedEvent, State, fold
from benchtest.session.workbench.workbench import Workbench
from benchtest.virtual.virtual_prop import VirtualProp
from tests.session.driven import pass_all

AT = "2026-11-30T19:00:00+00:00"


def _seen(design: Design) -> list[SessionEvent]:
    """Return the events of a unit that passed all looks."""
    return [
        *(CheckMade(check, feed, passed=True) for check, feed in all_checks(design)),
        FirstLight(passed=True),
        *(ColourSeen(colour, right=True) for colour in design.node.colours),
        *(VerdictGiven(strand.number, passed=True) for strand in design.strands),
    ]


def _state(design: Design, events: list[SessionEvent]) -> State:
    return fold([LoggedEvent(seq, AT, what) for seq, what in enumerate(events, 1)], design)


def _finding(fan: Design, healthy: float, cleared_ohm: float | None) -> Finding:
    ask = NextReading(all_lit(fan), parse_probe("2B", fan), 0.2, settled=False)
    return Finding(healthy, (), (), ask, (), cleared_ohm)


def test_a_sound_unit_may_be_signed_off_before_the_last_reading(design_text: str) -> None:
    """The offer has the figures of the finding and the cost of further readings."""
    design = parse_design(design_text.replace("fuse_a = 1.0", "fuse_a = 7.5"), "fan.toml")
    engine, prop = Engine(design), VirtualProp(design, [], seed=1)
    events, offered = _seen(design), None
    for _ in range(20):
        state = _state(design, events)
        finding = engine.diagnose(state.readings, state.marks)
        advice = next_step(state, finding)
        if advice.task != "read" or advice.enough:
            offered = advice
            break
        assert unfinished_items(state, finding) == ["readings that settle it"]
        assert advice.lit is not None
        assert advice.probe is not None
        prop.receive((advice.lit.duty(design) * 255).astype("uint8"))
        volts = round(prop.measure(advice.probe), 4)
        events.append(ReadingTaken(advice.lit.text(design), str(advice.probe), volts))
    assert offered is not None
    assert offered.task == "read"
    assert finding.healthy >= MIN_ENOUGH_PROBABILITY
    assert finding.cleared_ohm is not None
    assert offered.enough.startswith(f"no joint above {format_ohms(finding.cleared_ohm)}, 9")
    assert offered.seconds == next_reading_s(finding, design)
    assert unfinished_items(state, finding) == []


def test_less_than_enough_is_not_offered(fan: Design) -> None:
    read = [*_seen(fan), ReadingTaken("all", "4B", 4.6)]
    state = _state(fan, read)
    assert next_step(state, _finding(fan, 0.96, 0.2)).enough
    assert not next_step(state, _finding(fan, 0.94, 0.2)).enough
    assert not next_step(state, _finding(fan, 0.96, None)).enough
    assert not next_step(state, replace(_finding(fan, 0.96, 0.2), strange=1)).enough
    # a drop alone shows nothing of supply, cable and feed joints
    drop = _state(fan, [*_seen(fan), ReadingTaken("all", "foot:4+>4A+", 0.001)])
    assert not next_step(drop, _finding(fan, 0.96, 0.2)).enough
    few = _state(fan, [*_seen(fan), ReadingTaken("1", "4B", 4.9)])
    assert not next_step(few, _finding(fan, 0.96, 0.2)).enough


def test_enough_asks_for_the_name_and_undo_goes_back(workbench: Workbench) -> None:
    design = workbench.design
    pass_all(workbench)
    workbench.active.record(ReadingTaken("all", "4B", 4.6))
    workbench.active.finding = _finding(design, 0.90, 0.2)
    with pytest.raises(InputError, match="not enough evidence"):
        workbench.accept_enough()
    workbench.active.finding = _finding(design, 0.974, 0.212)
    assert workbench.advice.enough == "no joint above 210 mΩ, 97 %"
    workbench.accept_enough()
    assert workbench.advice.text == "Enough: no joint above 210 mΩ, 97 %. Sign off as:"
    workbench.drop_overrides()
    assert workbench.advice.text == "Red on wire 2B +, black on wire 2B -. All strands lit."
    workbench.accept_enough()
    workbench.sign_off("Wren")
    assert workbench.session.state.signed is not None
    assert workbench.advice.text.startswith("Signed off by Wren.")


def test_the_last_signer_is_offered_for_the_next_unit(workbench: Workbench) -> None:
    assert workbench.last_signer == ""
    pass_all(workbench)
    workbench.sign_off(" Wren ", "by hand")
    assert workbench.last_signer == "Wren"


@pytest.mark.parametrize("text", ["", "12", "50%", "100%", "x mOhm", "-5mOhm", "nan%", "1e999mOhm"])
def test_an_unusable_amount_of_evidence_is_refused(text: str) -> None:
    with pytest.raises(InputError, match="enough"):
        parse_enough(text)


def test_a_person_may_want_more_evidence(fan: Design) -> None:
    state = _state(fan, [*_seen(fan), ReadingTaken("all", "4B", 4.9)])
    finding = _finding(fan, 0.97, 0.2)
    assert next_step(state, finding).enough
    for text, offered in (("96%", True), ("98%", False), ("250mOhm", True), ("100 mΩ", False)):
        assert bool(next_step(state, finding, parse_enough(text)).enough) is offered, text


def test_the_prop_file_may_want_more_evidence_and_the_bench_other_evidence(
    design_text: str,
) -> None:
    ready = design_text.replace("fuse_a = 1.0", "fuse_a = 7.5")
    strict = parse_design('enough = "100 mOhm"\n' + ready, "fan.toml")
    state = _state(strict, [*_seen(strict), ReadingTaken("all", "4B", 4.9)])
    finding = _finding(strict, 0.97, 0.2)
    assert not next_step(state, finding).enough
    # a unit that its design wants more of is not released by less
    assert "readings that settle it" in unfinished_items(state, finding)
    assert next_step(state, finding, parse_enough("96%")).enough
    assert next_step(state, _finding(strict, 0.97, 0.09)).enough
