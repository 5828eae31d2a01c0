"""Fixtures of several rooms: props built without a file, and E1.31 packets.

Packets are built by the sacn library, which shares no code with our reader.
"""

from __future__ import annotations

import contextlib
import signal
from collections.abc import Callable, Generator, Iterator, Mapping
from pathlib import Path
from typing import Any

import pytest
from _pytest.doctest import DoctestModule
from hypothesis import HealthCheck, settings
from sacn.messages.data_packet import DataPacket
from sacn.messages.sync_packet import SyncPacket

from benchtest.operating_system import END_SIGNALS
from benchtest.prop.conductors import board_copper, parse_wire
from benchtest.prop.design import Bus, BusPad, Design, Feed, Strand, StrandEnd
from benchtest.prop.node_kinds import Family, NodeKind

# A machine that is busy is no fault of an example's.
settings.register_profile(
    "bench", deadline=None, suppress_health_check=[HealthCheck.too_slow], print_blob=True
)
settings.load_profile("bench")

# What a shell started behind its back, or under nohup, passes over Ctrl-C, and so do its children:
# the programs that tests start are to be ended by it.
for _number, _usual in (
    (signal.SIGINT, signal.default_int_handler),  # as Python has it: tests raise it for themselves
    (signal.SIGHUP, signal.SIG_DFL),
    (signal.SIGQUIT, signal.SIG_DFL),
):
    if signal.getsignal(_number) is signal.SIG_IGN:
        with contextlib.suppress(ValueError):  # only the main thread may
            signal.signal(_number, _usual)


LONGEST = (
    "tui/test_literal_text.py",
    "tui/browser/test_server.py",
    "tui/test_step_snapshots.py",
    "tui/test_bench_screen.py",
    "diagnosis/test_engine.py",
    "tui/test_stopped.py",
    "tui/test_terminal_faults.py",
    "cli/test_drive.py",
    "cli/test_interrupted.py",
    "tui/test_readings_list.py",
    "cli/test_export_import.py",
    "session/log/test_evidence.py",
    "tui/test_in_tmux.py",
    "tui/test_monkey.py",
    "drive/e131/test_driver.py",
    "drive/test_contract.py",
    "cli/test_package.py",
    "cli/test_report.py",
    "cli/test_diagnose.py",
)
"""Slowest files, which run first so that none of them runs alone at the end."""


def pytest_collection_modifyitems(items: list[pytest.Item]) -> None:
    tests = Path(__file__).parent
    places = {tests / name: place for place, name in enumerate(LONGEST)}
    items.sort(key=lambda item: places.get(item.path, len(places)))


@pytest.hookimpl(wrapper=True)
def pytest_collect_file() -> Generator[None, list[pytest.Collector], list[pytest.Collector]]:
    """Leave out doctests of the tests: no test has one, and the search imports every module."""
    found = yield
    return [one for one in found if not isinstance(one, DoctestModule)]


@pytest.fixture(autouse=True)
def _signals_as_before() -> Iterator[None]:
    """Restore the signal handlers, which a command run inside a test changes."""
    before = {number: signal.getsignal(number) for number in END_SIGNALS}
    yield
    for number, handler in before.items():
        signal.signal(number, handler)


# Figures of a made-up but likely node of each family; what real kinds do is the catalogue's.
_FAMILIES: Mapping[Family, dict[str, Any]] = {
    "sink": {
        "volts": 5.0,
        "lowest_v": 4.5,
        "most_v": 5.5,
        "logic_v": 2.7,
        "dark_v": {"red": 1.65, "green": 2.75, "blue": 2.75, "white": 2.7},
        "full_v": {"red": 2.65, "green": 3.75, "blue": 3.75, "white": 3.7},
    },
    "resistor": {
        "volts": 12.0,
        "lowest_v": 10.8,
        "most_v": 13.5,
        "logic_v": 4.0,
        "dark_v": {"red": 6.2, "green": 9.2, "blue": 9.3},
        "full_v": {},
    },
    "series-colours": {
        "volts": 12.0,
        "lowest_v": 10.8,
        "most_v": 13.5,
        "logic_v": 4.0,
        "dark_v": {"red": 7.4, "green": 7.9, "blue": 8.0},
        "full_v": {"red": 8.6, "green": 9.1, "blue": 9.2},
    },
    "regulated": {
        "volts": 12.0,
        "lowest_v": 10.8,
        "most_v": 24.0,
        "logic_v": 5.0,
        "dark_v": {"red": 5.0, "green": 5.0, "blue": 5.2},
        "full_v": {"red": 6.5, "green": 6.6, "blue": 6.7},
    },
}


def _kind(family: Family = "sink", colours: str = "red green blue", **figures: Any) -> NodeKind:
    base: dict[str, Any] = {
        "name": f"test-{family}",
        "title": f"a node of family {family}",
        "family": family,
        "colours": tuple(colours.split()),
        "colour_order": "RGB" if colours == "red green blue" else "GRBW",
        "channel_ma": 12.0,
        "quiescent_ma": 0.8,
        "backup_data": False,
        **_FAMILIES[family],
    }
    return NodeKind(**{**base, **figures})


def _fan(
    strands: int = 12,
    nodes: int = 30,
    *,
    kind: NodeKind | None = None,
    crown: bool = True,
    ring: bool = False,
    feeds: tuple[str, ...] = ("foot:1",),
    wire: str = "22 AWG",
    feed_mm: float = 1500.0,
) -> Design:
    """Strands side by side between a bus `foot` at all A ends and a bus `crown` at all B ends."""
    node = kind or _kind()
    copper = board_copper(2.0, 8.0)
    buses = [
        Bus(name, tuple(StrandEnd(n, end) for n in range(1, strands + 1)), copper, 40.0, ring)
        for name, end in _bus_ends(crown)
    ]
    run = parse_wire(wire)
    return Design(
        name="Test fan",
        node=node,
        strands=tuple(Strand(n, nodes, 30.0, (60.0, 60.0), run) for n in range(1, strands + 1)),
        data_path=tuple(StrandEnd(n, "A" if n % 2 else "B") for n in range(1, strands + 1)),
        buses=tuple(buses),
        feeds=tuple(
            Feed(f"feed{number}", _pad(at), node.volts, parse_wire("14 AWG"), feed_mm)
            for number, at in enumerate(feeds, 1)
        ),
    )


def _bus_ends(crown: bool) -> list[tuple[str, Any]]:
    return [("foot", "A"), ("crown", "B")] if crown else [("foot", "A")]


def _pad(text: str) -> BusPad:
    bus, _, strand = text.partition(":")
    return BusPad(bus, int(strand))


@pytest.fixture(scope="session")
def make_kind() -> Callable[..., NodeKind]:
    """Return a function that makes a node kind of a family; figures are given by name."""
    return _kind


@pytest.fixture(scope="session")
def make_fan() -> Callable[..., Design]:
    """Return a function that makes a fan of strands between two buses; see `_fan`."""
    return _fan


# the worked example of a valid version 4 UUID
CID = bytes.fromhex("00112233445546778899aabbccddeeff")


def _data(slots: bytes = b"", cid: bytes = CID, **fields: Any) -> bytes:
    given = {"cid": tuple(cid), "sourceName": "benchtest", "universe": 1, **fields}
    packet = DataPacket(dmxData=tuple(slots), **given)
    return bytes(packet.getBytes())


def _sync(address: int, sequence: int, cid: bytes = CID) -> bytes:
    return bytes(SyncPacket(tuple(cid), address, sequence).getBytes())


@pytest.fixture(scope="session")
def data_packet() -> Callable[..., bytes]:
    """Return a function that makes an E1.31 data packet; fields by their sacn names."""
    return _data


@pytest.fixture(scope="session")
def sync_packet() -> Callable[..., bytes]:
    """Return a function that makes an E1.31 synchronization packet."""
    return _sync
