"""Evidence taken while another source sends: on record with it, and counted by one rule."""

from __future__ import annotations

import json
from collections.abc import Callable
from importlib.resources import files
from pathlib import Path
from typing import Any

import pytest

from benchtest.diagnosis.thresholds import MIN_DISTURBING_LEAD
from benchtest.records.json_lines import export_lines, import_lines
from benchtest.records.report import render_report
from benchtest.records.shelf import Shelf
from benchtest.session.log.events import (
    NoteMade,
    ReadingTaken,
    RepairDone,
    SessionEvent,
    VerdictGiven,
)
from benchtest.session.log.heard_sources import (
    HeardSource,
    sources_from_data,
    sources_to_data,
)
from benchtest.session.report.report_content import report_content
from benchtest.session.session import Session
from tests.drive.alone import python_alone


def _pier(lead: int | None, priority: int | None = 100) -> HeardSource:
    return HeardSource("Pier desk", "192.0.2.9", (1, 2), priority, lead)


# ANSI E1.31-2018, 6.2.3: a controller shows the highest priority, and at equal ones either.
@pytest.mark.parametrize(
    ("lead", "counts"), [(50, False), (0, False), (-1, True), (-100, True), (None, True)]
)
def test_evidence_counts_only_below_the_tests_priority(
    begin: Callable[..., Session], lead: int | None, counts: bool
) -> None:
    session = begin()
    session.record(VerdictGiven(1, passed=True), others=(_pier(lead),))
    session.record(ReadingTaken("all", "1A", 4.9), others=(_pier(lead),))
    assert session.state.verdicts == ({1: True} if counts else {})
    (taken,) = session.state.taken
    assert taken.standing == ("counts" if counts else "disturbed")
    assert session.state.readings == ((taken.reading,) if counts else ())
    assert MIN_DISTURBING_LEAD == 0


def test_a_disturbed_reading_replaces_no_other(begin: Callable[..., Session]) -> None:
    session = begin()
    session.record(ReadingTaken("all", "1A", 4.9))
    again = ReadingTaken("all", "1A", 4.2, again=session.next_seq - 1)
    session.record(again, others=(_pier(0),))
    assert [one.standing for one in session.state.taken] == ["counts", "disturbed"]
    assert [reading.volts for reading in session.state.readings] == [4.9]


def test_uncounted_events_are_undone_like_anything_else(begin: Callable[..., Session]) -> None:
    session = begin()
    session.record(VerdictGiven(2, passed=True))
    session.record(VerdictGiven(1, passed=True), others=(_pier(0),))
    assert session.undo() == [VerdictGiven(1, passed=True)]
    assert session.undo() == [VerdictGiven(2, passed=True)]


def test_the_sources_are_on_record_in_the_export_and_in_the_report(
    begin: Callable[..., Session], shelf: Shelf, tmp_path: Path
) -> None:
    session = begin()
    session.record(VerdictGiven(1, passed=True))
    session.record(VerdictGiven(2, passed=True), others=(_pier(50, 150),))
    session.record(VerdictGiven(3, passed=True), others=(_pier(None, None),))
    page = render_report(report_content(session))
    assert "Pier desk (192.0.2.9) on universes 1-2 at priority 150" in page
    assert "which lists universes 1-2" in page
    assert "Looks and readings that do not count, taken meanwhile: 1." in page
    lines = list(export_lines(shelf))
    (line,) = [json.loads(line) for line in lines if "Pier desk" in line]
    assert [event["data"].get("others", [{}])[0].get("lead") for event in line["events"]] == [
        None, 50, None,
    ]  # fmt: skip
    with Shelf(tmp_path / "elsewhere") as other:
        import_lines(other, lines, "export")
        (row,) = other.sessions("WF-03")
        assert Session.resume(other, row.id).state.verdicts == {1: True, 3: True}


def test_sources_come_back_from_json_as_they_were() -> None:
    sources = (_pier(50, 150), _pier(None, None))
    assert sources_from_data(json.loads(json.dumps(sources_to_data(sources)))) == sources


@pytest.mark.parametrize(
    "data",
    [
        None,
        "Pier desk",
        [7],
        [{"name": "Pier"}],
        [{"name": "Pier", "address": "a", "universes": [], "priority": 1, "lead": 0}],
        [{"name": "Pier", "address": "a", "universes": [0], "priority": 1, "lead": 0}],
        [{"name": "Pier", "address": "a", "universes": [True], "priority": 1, "lead": 0}],
        [{"name": "Pier", "address": "a", "universes": [1], "priority": 201, "lead": 0}],
        [{"name": "Pier", "address": "a", "universes": [1], "priority": 1, "lead": 0.5}],
    ],
)
def test_invalid_sources_of_a_record_are_left_out(data: Any) -> None:
    assert sources_from_data(data) == ()


AT_THE_BENCH = """
import socket, sys
from pathlib import Path
from sacn.messages.data_packet import DataPacket
from sacn.messages.universe_discovery import UniverseDiscoveryPacket
from benchtest.evidence.meter import DEFAULT_METER
from benchtest.records.shelf import Shelf
from benchtest.session.launch_options import LaunchOptions
from benchtest.session.session import Session
from benchtest.session.workbench.prop_light import drive_notice
from benchtest.session.workbench.setup import open_bench
from tests.waiting import until

out = socket.socket(socket.AF_INET, socket.SOCK_DGRAM)
out.setsockopt(socket.IPPROTO_IP, socket.IP_MULTICAST_IF, socket.inet_aton("127.0.0.1"))
cid, sequence = tuple(range(16)), iter(range(10_000))

def send(ended=False):
    made = DataPacket(cid, "Pier lights", 2, (0,) * 512, 150, next(sequence) % 256,
                      streamTerminated=ended)
    out.sendto(bytes(made.getBytes()), ("239.255.0.2", 5568))

def send_list():
    made = UniverseDiscoveryPacket(tuple(range(16, 32)), "Boat desk", (1, 2), 0, 0)
    out.sendto(bytes(made.getBytes()), ("239.255.250.214", 5568))

folder = Path(sys.argv[2])
with Shelf(folder) as shelf:
    session = Session.start(shelf, Path(sys.argv[1]).read_text(), "WF-01", DEFAULT_METER)
    with open_bench(session, LaunchOptions(folder, "e131")) as bench:
        def others():
            return [other.name for other in bench.clock.status().other_sources]
        bench.go_to("strands")
        bench.light_advice()
        until(lambda: (send(), "Pier lights" in others())[1])
        print(drive_notice(bench.clock.status()).short)
        bench.yes()
        print(session.state.verdicts, bench.active.uncounted)
        until(lambda: (send(ended=True), not others())[1])
        until(lambda: (send_list(), "Boat desk" in others())[1])
        print(drive_notice(bench.clock.status()).short)
        bench.go_to("strands")
        bench.yes()
        print(session.state.verdicts, [one.name for one in session.events[-1].others])
"""


def test_the_screen_names_the_source_until_it_is_gone(tmp_path: Path) -> None:
    """Real multicast in a namespace of its own."""
    prop = str(files("benchtest.virtual").joinpath("willow-fan.toml"))
    assert python_alone(AT_THE_BENCH, prop, str(tmp_path)).splitlines() == [
        "Pier lights (127.0.0.1) sends, priority 150",
        "{} not counted: Pier lights (127.0.0.1) on universe 2 at priority 150 may light the "
        "prop; end it, or press i and raise priority",
        "Boat desk (127.0.0.1) lists universes 1-2",
        "{1: True} ['Boat desk']",
    ]


def test_only_looks_and_readings_are_disturbed(begin: Callable[..., Session]) -> None:

    session = begin()
    kept: list[SessionEvent] = [NoteMade("calm"), RepairDone("1A+")]
    for what in kept:
        session.record(what, others=(_pier(50),))
    assert session.state.notes == ("calm",)
    assert [one.where for one in session.state.repairs] == ["1A+"]
