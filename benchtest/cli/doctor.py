"""`benchtest doctor`: what this machine has, and what to do about what is missing."""

from __future__ import annotations

import argparse
import sys
from collections.abc import Callable, Iterator
from dataclasses import asdict, dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any, Literal

from benchtest.cli.common import Commands, bench_of, print_json, shown
from benchtest.formatting import count_noun

if TYPE_CHECKING:
    from benchtest.cli.environment import Library, Terminal
    from benchtest.drive.interfaces import MulticastRoute, NetworkInterface
    from benchtest.drive.serial_permissions import PortPermission
    from benchtest.drive.serial_ports import SerialPort
    from benchtest.records.folder_check import FolderCheck

State = Literal["good", "note", "bad"]
WORDS: dict[State, str] = {"good": "ok", "note": "look", "bad": "BAD"}


@dataclass(frozen=True, slots=True)
class Line:
    """One thing that was looked at."""

    about: str
    state: State
    """`bad` keeps benchtest from working; a `note` matters only to who needs that part."""
    says: str
    do: str | None = None
    """What to do about it."""


Section = tuple[list[Line], dict[str, Any]]
"""What one look gives: lines for people, and the same as figures."""


def register(commands: Commands[argparse.ArgumentParser]) -> Iterator[argparse.ArgumentParser]:
    """Declare `doctor`."""
    parser = commands.add_parser(
        "doctor",
        help="what this machine has, and what to do about what is missing",
        description="Looks at this machine: Python and libraries, the bench folder and its "
        "records, the terminal, serial ports and rights, networks and the way of multicast, and "
        "whether frames go first. Sends nothing, opens no port, changes nothing. Ends with 1 where "
        "something keeps benchtest from working.",
    )
    parser.set_defaults(run=run)
    yield parser


def run(args: argparse.Namespace) -> int:
    """Look, and say what was found."""
    from functools import partial

    sections: dict[str, Callable[[], Section]] = {
        "libraries": _libraries,
        "bench": partial(_bench, bench_of(args)),
        "terminal": _terminal,
        "ports": _ports,
        "networks": _networks,
        "frame clock": _frame_clock,
    }
    lines, facts = [Line("python", "good", _python())], dict[str, Any]()
    for name, look in sections.items():
        try:
            found, more = look()
        except ImportError as error:  # a doctor must not die of what he should find
            found, more = [Line(name, "note", f"could not be looked at: {error}")], {}
        lines += found
        facts |= more
    good = all(line.state != "bad" for line in lines)
    if args.json:
        print_json({"good": good, **facts, "lines": [asdict(line) for line in lines]})
    else:
        _show(lines, good=good)
    return 0 if good else 1


def _python() -> str:
    import platform

    return f"{platform.python_implementation()} {platform.python_version()} in {sys.prefix}"


def _libraries() -> Section:
    from benchtest.cli.environment import libraries

    needed = libraries()
    versions = {library.name: library.version for library in needed}
    return list(_library_lines(needed)), {"libraries": versions}


def _bench(folder: Path) -> Section:
    from benchtest.records.folder_check import check_folder

    health = check_folder(folder)
    return list(_bench_lines(health)), {"bench": {**asdict(health), "folder": str(folder)}}


def _terminal() -> Section:
    from benchtest.cli.environment import terminal

    screen = terminal()
    return list(_terminal_lines(screen)), {"terminal": asdict(screen)}


def _ports() -> Section:
    from benchtest.drive.serial_permissions import port_permission
    from benchtest.drive.serial_ports import serial_ports

    ports = [(port, port_permission(port.device)) for port in serial_ports()]
    facts = [{**asdict(port), "rights": asdict(rights)} for port, rights in ports]
    return list(_port_lines(ports)), {"ports": facts}


def _networks() -> Section:
    from benchtest.drive.interfaces import multicast_route, network_interfaces

    known = network_interfaces()
    way = multicast_route(known)
    facts = {"networks": [asdict(network) for network in known], "multicast": asdict(way)}
    return list(_network_lines(known, way)), facts


def _frame_clock() -> Section:
    from benchtest.drive.thread_priority import REMEDY, may_raise_thread_priority

    first = may_raise_thread_priority()
    if first:
        line = Line("frames", "good", "sent as soon as they are due: the frame clock may run first")
    elif sys.platform == "linux":
        says = "a busy machine may send them some milliseconds late: the frame clock waits its turn"
        line = Line("frames", "note", says, f"only where that is seen: {REMEDY}")
    else:
        line = Line(
            "frames", "good", "the frame clock waits its turn: only Linux lets it run first"
        )
    return [line], {"frame_clock_first": first}


def _library_lines(needed: list[Library]) -> Iterator[Line]:
    again = "install benchtest again: pip install --force-reinstall benchtest"
    for library in needed:
        if library.trouble is not None:
            yield Line("libraries", "bad", f"{library.name} {library.trouble}", again)
    sound = [f"{found.name} {found.version}" for found in needed if found.trouble is None]
    yield Line("libraries", "good", ", ".join(sound))


def _bench_lines(health: FolderCheck) -> Iterator[Line]:
    where = f"{health.folder}" + ("" if health.exists else " (made on first use)")
    free = "" if health.free_octets is None else f", {health.free_octets / 1e9:.1f} GB free"
    disk = "" if health.filesystem is None else f", {health.filesystem}"
    if health.trouble is not None:
        what, _, do = health.trouble.partition("; ")
        yield Line("bench", "bad", what, do or None)
        return
    yield Line(
        "bench", "note" if health.warning else "good", f"{where}{disk}{free}", health.warning
    )
    if (held := health.contents) is not None:
        counts = ", ".join(
            [
                count_noun(held.units, "unit"),
                count_noun(held.sessions, "session"),
                count_noun(held.events, "event"),
            ]
        )
        yield Line("records", "good", f"sound: {counts}, {held.octets / 1e6:.1f} MB")


def _terminal_lines(screen: Terminal) -> Iterator[Line]:
    from benchtest.tui.glyphs import LEAST_COLUMNS, LEAST_LINES

    if not screen.is_terminal:
        words = "benchtest and benchtest demo need one; all other commands do not"
        yield Line("terminal", "note", "input and output are no terminal", words)
        return
    least = f"{LEAST_COLUMNS}×{LEAST_LINES}"
    small = screen.columns < LEAST_COLUMNS or screen.lines < LEAST_LINES
    yield Line(
        "terminal",
        "note" if small else "good",
        f"{screen.columns}×{screen.lines} characters, {screen.colours or 'no'} colours, "
        f"{'unicode' if screen.unicode else 'ASCII'}",
        f"make it {least} or larger for the terminal program" if small else None,
    )
    if not screen.unicode:
        do = "set LANG=C.UTF-8 for signs that are easier to read"
        yield Line("terminal", "note", f"its encoding is {screen.encoding}: plain signs", do)


def _port_lines(ports: list[tuple[SerialPort, PortPermission]]) -> Iterator[Line]:
    from benchtest.drive.serial_permissions import permission_remedy

    if not ports:
        words = "plug the bridge in, where you have one; try another cable: some carry power alone"
        yield Line("serial", "note", "no serial port", words)
    for port, rights in ports:
        do = permission_remedy(port.device, rights)
        may = "may be opened" if do is None else "may not be opened by you"
        yield Line("serial", "good" if do is None else "note", f"{port}: {may}", do)


def _network_lines(known: list[NetworkInterface], way: MulticastRoute) -> Iterator[Line]:
    for network in known:
        if network.is_up and network.addresses and not network.is_loopback:
            yield Line("network", "good", f"{network.name}: {', '.join(network.addresses)}")
    if way.trouble is not None:
        what, _, do = way.trouble.partition("; ")
        yield Line("multicast", "note", what, do or None)
    else:
        by = way.network or "an unnamed network"
        others = [n.name for n in known if n.is_up and n.addresses and not n.is_loopback]
        others = [name for name in others if name != way.network]
        not_by = f", not by {', '.join(others)}" if others else ""
        yield Line("multicast", "good", f"leaves by {by} as {way.address}{not_by}")


def _show(lines: list[Line], *, good: bool) -> None:
    """Plain text: the library that draws tables may be the one that is missing."""
    import shutil
    from textwrap import fill

    width = max(shutil.get_terminal_size().columns - 1, 40)
    for line in lines:
        begin = f"{WORDS[line.state]:5}{line.about:11}"
        print(fill(shown(line.says), width, initial_indent=begin, subsequent_indent=" " * 16))
        if line.do is not None:
            indent = " " * 16 + "-> "
            print(fill(shown(line.do), width, initial_indent=indent, subsequent_indent=" " * 19))
    print("This machine can test props." if good else "What is BAD keeps benchtest from working.")
