"""Sessions of a small fan, on a real shelf."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from datetime import UTC, datetime, timedelta
from pathlib import Path
from uuid import uuid4

import pytest

from benchtest.drive.e131.driver import SourceSettings
from benchtest.drive.frame_clock import FrameClock
from benchtest.drive.target import Target, driver_for
from benchtest.evidence.meter import DEFAULT_METER
from benchtest.prop.design import Design
from benchtest.prop.reader import parse_design
from benchtest.records.shelf import Shelf
from benchtest.session.log.events import CheckMade, ColourSeen, FirstLight
from benchtest.session.log.power_checks import all_checks
from benchtest.session.session import Session
from benchtest.session.workbench.workbench import Workbench
from tests.drive.scpi.simulated_meter import SimulatedMeter
from tests.props import SMALL_FAN
from tests.session.driven import LOOPBACK, Prop


class Ticking:
    """A clock that advances a second with each call."""

    def __init__(self) -> None:
        self.now = datetime(2026, 11, 25, 18, 0, tzinfo=UTC)

    def __call__(self) -> datetime:
        self.now += timedelta(seconds=1)
        return self.now


class Clock:
    """A clock that is set by the test."""

    now_s = 0.0

    def __call__(self) -> float:
        return self.now_s


@pytest.fixture(scope="session")
def design_text() -> str:
    """Prop file of a small fan: 4 strands of 10 nodes, buses at both ends, data in zigzag."""
    return SMALL_FAN


@pytest.fixture(scope="session")
def fan(design_text: str) -> Design:
    """The small fan."""
    return parse_design(design_text, "fan.toml")


@pytest.fixture
def shelf(tmp_path: Path) -> Iterator[Shelf]:
    """An empty shelf."""
    with Shelf(tmp_path / "bench") as opened:
        yield opened


@pytest.fixture
def begin(shelf: Shelf, design_text: str) -> Callable[..., Session]:
    """Return a function that starts a session of a unit."""
    clock = Ticking()

    def start(tag: str = "WF-03") -> Session:
        return Session.start(shelf, design_text, tag, DEFAULT_METER, clock)

    return start


def record_passed_checks(session: Session) -> Session:
    """Record passed checks before power, first light and colours; return the session."""
    for check, feed in all_checks(session.design):
        session.record(CheckMade(check, feed, passed=True))
    session.record(FirstLight(passed=True))
    for colour in session.design.node.colours:
        session.record(ColourSeen(colour, right=True))
    return session


@pytest.fixture
def prop(fan: Design) -> Iterator[Prop]:
    """Receiver of the driven frames."""
    made = Prop(fan)
    yield made
    made.close()


@pytest.fixture
def simulated(tmp_path: Path) -> Iterator[SimulatedMeter]:
    """Bench meter on a serial port."""
    made = SimulatedMeter(tmp_path)
    yield made
    made.close()


@pytest.fixture
def clock() -> Clock:
    """Clock that times a parade or a soak."""
    return Clock()


@pytest.fixture
def fresh(
    begin: Callable[..., Session], fan: Design, clock: Clock, prop: Prop
) -> Iterator[Workbench]:
    """Workbench of a unit without any events, whose time is set by the test."""
    driver = driver_for(Target("e131", LOOPBACK, prop.port), fan, SourceSettings(uuid4()))
    with FrameClock(driver, fan.node_count, fan.node.channels).start() as frames:
        yield Workbench(begin(), frames, None, clock)


@pytest.fixture
def workbench(begin: Callable[..., Session], fan: Design, prop: Prop) -> Iterator[Workbench]:
    """Workbench of a unit that is ready for its strands."""
    driver = driver_for(Target("e131", LOOPBACK, prop.port), fan, SourceSettings(uuid4()))
    with FrameClock(driver, fan.node_count, fan.node.channels).start() as clock:
        yield Workbench(record_passed_checks(begin()), clock)
