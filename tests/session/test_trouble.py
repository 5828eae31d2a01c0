"""Failures during an evening: the prop goes dark, and the session continues.

The wall clock is a parameter: a machine's own cannot be stepped for one process, since Linux's time
namespaces hold the monotonic clocks alone. Light is timed by the monotonic clock.
"""

from __future__ import annotations

import contextlib
import re
import subprocess
import sys
from collections.abc import Callable, Iterator
from datetime import UTC, datetime, timedelta
from importlib.resources import files
from pathlib import Path
from uuid import uuid4

import pytest

from benchtest.drive.bridge.driver import BridgeDriver
from benchtest.drive.e131.driver import SourceSettings
from benchtest.drive.frame_clock import FrameClock
from benchtest.drive.target import Target, driver_for
from benchtest.errors import InputError, RecordsFault
from benchtest.evidence.meter import DEFAULT_METER
from benchtest.prop.design import Design
from benchtest.records.shelf import SessionConflict, Shelf
from benchtest.session.log.events import NoteMade
from benchtest.session.session import Session
from benchtest.session.workbench.workbench import Workbench
from tests.drive.alone import python_alone
from tests.drive.boards import PythonBoard
from tests.records.conftest import small_disk
from tests.waiting import until

from .conftest import record_passed_checks
from .driven import Prop, dark

Begin = Callable[..., Session]


def _verdicts(folder: Path, session: str) -> list[int]:
    """Return the strands with a verdict on disk, as another program reads them."""
    with Shelf(folder) as other:
        return [event.data["strand"] for event in other.events(session) if event.kind == "verdict"]


@contextlib.contextmanager
def _driven(session: Session, design: Design) -> Iterator[tuple[Workbench, Prop]]:
    prop = Prop(design)
    driver = driver_for(Target("e131", "127.0.0.1", prop.port), design, SourceSettings(uuid4()))
    try:
        with FrameClock(driver, design.node_count, design.node.channels).start() as clock:
            workbench = Workbench(session, clock)
            workbench.light_advice()
            yield workbench, prop
        assert prop.shows(dark(design))  # the end is dark after any failure
    finally:
        prop.close()


def test_an_unplugged_bridge_blocks_verdicts_and_relights_the_present_request(
    tmp_path: Path, begin: Begin, fan: Design, shelf: Shelf
) -> None:
    board = PythonBoard(tmp_path)
    driver = BridgeDriver(fan, str(board.port))
    session = record_passed_checks(begin())
    try:
        with FrameClock(driver, fan.node_count, fan.node.channels).start() as clock:
            workbench = Workbench(session, clock)
            workbench.light_advice()
            until(lambda: any(board.shown()))
            board.unplug()  # its power goes with it, and so what it shows
            until(lambda: driver.status().trouble is not None)
            with pytest.raises(InputError, match="frames do not reach the prop"):
                workbench.walk.judge(passed=True)
            assert _verdicts(shelf.folder, session.row.id) == []
            workbench.walk.choose(1)
            workbench.light_advice()
            board.frames.clear()
            board.plug()
            until(lambda: any(board.shown()))
            assert workbench.light.words == "2 at 25%"
            nodes = [any(board.shown()[at : at + 3]) for at in range(0, fan.node_count * 3, 3)]
            assert sum(nodes) == 10  # strand 2 alone, which was chosen in the meantime
            until(lambda: driver.status().trouble is None)
            workbench.walk.judge(passed=True)
            assert _verdicts(shelf.folder, session.row.id) == [2]
        assert not any(board.shown())
    finally:
        board.close()


# a network of its own: `lo` goes down and comes up under a prop that is driven
NETWORK = """
import socket, subprocess, sys, threading, time
from pathlib import Path
from uuid import uuid4
from benchtest.drive.target import Target, driver_for
from benchtest.drive.frame_clock import FrameClock
from benchtest.drive.e131.driver import SourceSettings
from benchtest.errors import InputError
from benchtest.evidence.meter import DEFAULT_METER
from benchtest.prop.reader import parse_design
from benchtest.records.shelf import Shelf
from benchtest.session.session import Session
from benchtest.session.workbench.workbench import Workbench
from benchtest.virtual.e131_receiver import E131Receiver
from tests.props import SMALL_FAN
from tests.session.conftest import record_passed_checks
from tests.waiting import until

design = parse_design(SMALL_FAN, "fan")
ear = socket.socket(socket.AF_INET, socket.SOCK_DGRAM)
ear.bind(("127.0.0.1", 0))
ear.settimeout(0.05)
prop = E131Receiver.for_universes([1])

def hear():
    while True:
        try:
            prop.receive(ear.recv(2000), time.monotonic())
        except TimeoutError:
            pass
        prop.expire_sources(time.monotonic())

threading.Thread(target=hear, daemon=True).start()

def lit():
    return any(prop.slots().get(1, b""))

target = Target("e131", "127.0.0.1", ear.getsockname()[1])
driver = driver_for(target, design, SourceSettings(uuid4()))
with Shelf(Path(sys.argv[1])) as shelf:
    session = record_passed_checks(Session.start(shelf, SMALL_FAN, "WF-03", DEFAULT_METER))
    with FrameClock(driver, design.node_count, 3).start() as clock:
        workbench = Workbench(session, clock)
        workbench.light_advice()
        until(lit, words="lit")
        subprocess.run(["ip", "addr", "flush", "dev", "lo"], check=True)
        subprocess.run(["ip", "link", "set", "lo", "down"], check=True)
        until(lambda: not prop.slots(), words="dark once nothing is heard")
        print(driver.status().trouble)
        try:
            workbench.walk.judge(passed=True)
        except InputError as refused:
            print(refused)
        workbench.walk.choose(1)
        workbench.light_advice()
        subprocess.run(["ip", "link", "set", "lo", "up"], check=True)
        until(lit, words="lit again")
        assert prop.slots()[1][30:60] != bytes(30), "strand 2, which was chosen meanwhile"
        until(lambda: driver.status().trouble is None, words="said no longer")
        workbench.walk.judge(passed=True)
    until(lambda: not lit(), words="dark at the end")
    print([event.kind for event in shelf.events(session.row.id)][-1])
"""


def test_a_network_that_goes_leaves_the_prop_dark_and_comes_back(tmp_path: Path) -> None:
    said = python_alone(NETWORK, str(tmp_path), setup="ip link set lo up").splitlines()
    assert "network" in said[0]
    assert said[1].startswith("not saved: frames do not reach the prop")
    assert said[2] == "verdict"


class Stepped:
    """A wall clock that is set: back by three days, then forward by a year."""

    def __init__(self) -> None:
        self.now = datetime(2026, 11, 25, 18, 0, tzinfo=UTC)

    def __call__(self) -> datetime:
        self.now += timedelta(seconds=1)
        return self.now


def test_a_stepped_clock_stops_no_frames_and_keeps_events_in_order(
    shelf: Shelf, fan: Design, design_text: str
) -> None:
    clock = Stepped()
    session = record_passed_checks(Session.start(shelf, design_text, "WF-03", DEFAULT_METER, clock))
    with _driven(session, fan) as (workbench, _):
        before = workbench.light.clock.driver.status().frames
        for step in (timedelta(), timedelta(days=-3), timedelta(days=368), timedelta()):
            clock.now += step
            workbench.walk.judge(passed=True)
        until(lambda: workbench.light.clock.driver.status().frames > before)
    again = Session.resume(shelf, session.row.id, clock)
    assert list(again.state.verdicts) == [1, 2, 3, 4]
    assert _verdicts(shelf.folder, session.row.id) == [1, 2, 3, 4]


def test_rooms_that_control_light_never_read_the_wall_clock() -> None:
    asks = re.compile(r"\btime\.time\b|\bdatetime\b|\bfrom time import\b.*\btime\b")
    for room in ("drive", "virtual", "pattern"):
        folder = Path(str(files("benchtest"))) / room
        for path in folder.rglob("*.py"):
            assert not asks.search(path.read_text("utf-8")), path


def _write_on(session: Session) -> None:
    """Record notes until the disk is full; some still fit into the log."""
    for _ in range(200):
        session.record(NoteMade("x" * 500))


def test_a_full_disk_does_not_block_darkening_or_later_events(
    tmp_path: Path, fan: Design, design_text: str
) -> None:
    disk = tmp_path / "disk"
    with small_disk(disk, "size=400k") as mounted:
        if not mounted:
            pytest.fail("no small disk can be had here: run as root, or in a container")
        with Shelf(disk / "bench") as shelf:
            session = record_passed_checks(
                Session.start(shelf, design_text, "WF-03", DEFAULT_METER)
            )
            with _driven(session, fan) as (workbench, prop):
                workbench.walk.judge(passed=True)
                ballast = disk / "ballast"
                with contextlib.suppress(OSError), ballast.open("wb", buffering=0) as file:
                    while True:
                        file.write(bytes(1024))
                with pytest.raises(RecordsFault, match="disk is full"):
                    _write_on(session)
                kept = len(session.events)
                workbench.toggle_dark()
                assert prop.shows(dark(fan))
                ballast.unlink()
                workbench.toggle_dark()
                workbench.walk.judge(passed=True)
            assert len(session.events) == kept + 1
        with Shelf(disk / "bench") as shelf:
            assert len(shelf.events(session.row.id)) == kept + 1


def test_another_program_in_the_same_session_is_reported_and_the_light_still_works(
    begin: Begin, fan: Design, shelf: Shelf
) -> None:
    session = record_passed_checks(begin())
    other = (
        "import sys; from pathlib import Path; from benchtest.records.shelf import Shelf;"
        "from benchtest.session.session import Session;"
        "from benchtest.session.log.events import VerdictGiven;"
        "Session.resume(Shelf(Path(sys.argv[1])), sys.argv[2]).record(VerdictGiven(1, True))"
    )
    with _driven(session, fan) as (workbench, prop):
        words = [sys.executable, "-c", other, str(shelf.folder), session.row.id]
        subprocess.run(words, check=True)
        with pytest.raises(SessionConflict, match="another program"):
            workbench.walk.judge(passed=False)
        assert session.state.verdicts[1]  # what is on disk counts
        workbench.walk.judge(passed=True)
        workbench.toggle_dark()
        assert prop.shows(dark(fan))
    assert _verdicts(shelf.folder, session.row.id) == [1, 2]
