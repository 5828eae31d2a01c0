"""Supply volts of one evening: measured once, and confirmed by one key at the next units."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from datetime import UTC, datetime
from uuid import uuid4

import pytest

from benchtest.drive.e131.driver import SourceSettings
from benchtest.drive.frame_clock import FrameClock
from benchtest.drive.target import Target, driver_for
from benchtest.evidence.meter import DEFAULT_METER
from benchtest.prop.design import Design
from benchtest.records.shelf import Shelf
from benchtest.session.bench_supply import MeasuredSupply, evening_supplies
from benchtest.session.log.events import CheckMade, SignedOff
from benchtest.session.log.person_effort import person_effort
from benchtest.session.session import Session
from benchtest.session.workbench.workbench import Workbench
from tests.session.conftest import Clock
from tests.session.driven import LOOPBACK, Prop

MEASURED = CheckMade("supply", "main", passed=True, volts=4.95)


@pytest.fixture
def second(
    begin: Callable[..., Session], fan: Design, clock: Clock, prop: Prop
) -> Iterator[Workbench]:
    """Workbench of the second unit of an evening."""
    first = begin("WF-01")
    first.record(MEASURED)
    first.record(SignedOff("Ada"))
    driver = driver_for(Target("e131", LOOPBACK, prop.port), fan, SourceSettings(uuid4()))
    with FrameClock(driver, fan.node_count, fan.node.channels).start() as frames:
        yield Workbench(begin("WF-02"), frames, None, clock)


def test_one_key_confirms_the_volts_of_the_first_unit(second: Workbench) -> None:
    assert second.model.due_checks == "rails OL, polarity, fuse, supply volts as WF-01: 4.95 V"
    assert second.pass_checks() == "4 checks OK"
    made = second.session.state.checks["supply", "main"]
    assert made == CheckMade("supply", "main", True, volts=4.95, like="WF-01")
    effort = person_effort(second.design, second.session.events)
    assert effort.keys == 1
    assert effort.seconds == pytest.approx(1.35 + 0.28)
    second.undo()
    assert second.session.state.checks == {}


def test_the_check_alone_is_one_key_too_and_other_volts_may_be_typed(second: Workbench) -> None:
    for _ in range(3):
        second.yes()
    assert second.yes() == "supply at main OK, 4.95 V as WF-01"
    second.undo()
    second.enter("5.02")
    assert second.session.state.checks["supply", "main"].like is None


def test_a_third_unit_names_the_unit_that_was_measured(
    second: Workbench, begin: Callable[..., Session]
) -> None:
    second.pass_checks()
    assert evening_supplies(begin("WF-03")) == {"main": MeasuredSupply("WF-01", 4.95)}


def test_volts_of_another_evening_design_or_load_are_not_offered(
    shelf: Shelf, design_text: str, begin: Callable[..., Session]
) -> None:
    def at(hour: int) -> Callable[[], datetime]:
        return lambda: datetime(2026, 11, 24, hour, tzinfo=UTC)

    Session.start(shelf, design_text, "WF-01", DEFAULT_METER, at(9)).record(MEASURED)
    other = design_text.replace("Small fan", "Other fan")
    Session.start(shelf, other, "OF-01", DEFAULT_METER).record(MEASURED)
    loaded = CheckMade("supply", "main", passed=True, volts=4.8, lit="all")
    begin("WF-04").record(loaded)
    assert evening_supplies(begin("WF-05")) == {}


def test_the_last_signer_signs_by_one_key(second: Workbench) -> None:
    assert second.last_signer == "Ada"
    events = [SignedOff("Ada")]
    assert person_effort(second.design, events, signer="Ada").keys == 1
    assert person_effort(second.design, events, signer="Bo").keys == 5
