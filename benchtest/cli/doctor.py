"""`benchtest doctor`: checks of this machine, with a remedy for each problem."""

from __future__ import annotations

import argparse
import sys
from collections.abc import Callable, Iterator, Sequence
from dataclasses import asdict, dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any, Literal

from benchtest.cli.common import Commands, bench_of, print_json, shown
from benchtest.formatting import count_noun

if TYPE_CHECKING:
    from benchtest.cli.environment import Library, Terminal
    from benchtest.drive.interfaces import MulticastRoute, NetworkInterface
    from benchtest.drive.serial_ports import SerialPort
    from benchtest.operating_system import PortPermission
    from benchtest.records.folder_check import FolderCheck

State = Literal["good", "note", "bad"]
MAX_SHOWN_SETTINGS = 5
"""Most lines about units that are not driven as usual: the last ones."""
STATE_LABELS: dict[State, str] = {"good": "ok", "note": "note", "bad": "BAD"}


@dataclass(frozen=True, slots=True)
class CheckLine:
    """Result of one check."""

    about: str
    state: State
    """`bad` keeps benchtest from working; a `note` matters only to users of that part."""
    says: str
    do: str | None = None
    """The remedy."""


Section = tuple[list[CheckLine], dict[str, Any]]
"""Results of a group of checks: lines for people, and the same facts for JSON."""


def register(commands: Commands[argparse.ArgumentParser]) -> Iterator[argparse.ArgumentParser]:
    """Declare `doctor`."""
    parser = commands.add_parser(
        "doctor",
        help="checks this machine and prints a remedy for each problem",
        description="Checks this machine: Python and libraries, the bench folder and its records, "
        "the terminal, serial ports and permissions, networks and the multicast route, and the "
        "priority of the frame clock. Sends nothing, opens no port, changes nothing. Exits with 1 "
        "if a problem keeps benchtest from working.",
    )
    parser.add_argument(
        "--report",
        type=Path,
        metavar="FILE",
        help="also write the versions and all results into a text file for a bug report",
    )
    parser.set_defaults(run=run)
    yield parser


def run(args: argparse.Namespace) -> int:
    """Run all checks and print the results."""
    from functools import partial

    facts: dict[str, Any] = {}
    sections: dict[str, Callable[[], Section]] = {
        "libraries": _libraries,
        "bench": partial(_bench, bench_of(args)),
        "driving": partial(_driving, facts),
        "terminal": _terminal,
        "ports": _ports,
        "networks": _networks,
        "frame clock": _frame_clock,
        "sleep": _sleep,
    }
    lines = [CheckLine("python", "good", _python())]
    for name, check in sections.items():
        try:
            found, more = check()
        except ImportError as error:  # a missing library must not end the other checks
            found, more = [CheckLine(name, "note", f"could not be checked: {error}")], {}
        lines += found
        facts |= more
    good = all(line.state != "bad" for line in lines)
    if args.report is not None:
        _write_report(args.report, lines, facts)
    if args.json:
        print_json({"good": good, **facts, "lines": [asdict(line) for line in lines]})
    else:
        _show(lines, good=good)
        if args.report is not None:
            print(f"Wrote {args.report}. It has names of folders and addresses: read it first.")
    return 0 if good else 1


def _write_report(path: Path, lines: list[CheckLine], facts: dict[str, Any]) -> None:
    """Write everything that a bug report needs about this machine.

    Raises:
        BenchError: the file cannot be written.
    """
    import json

    from benchtest.cli.atomic_write import write_atomic
    from benchtest.cli.environment import versions

    rows = [f"{STATE_LABELS[line.state]:5}{line.about:11}{shown(line.says)}" for line in lines]
    remedies = [f"{line.about}: {shown(line.do)}" for line in lines if line.do is not None]
    parts = {
        "What happened": "(what you did, what you expected, what you saw)",
        "Versions": json.dumps(versions(), indent=2),
        "Checks": "\n".join(rows),
        "Remedies offered": "\n".join(remedies) or "none",
        "Facts": json.dumps(facts, indent=2, default=str),
    }
    text = "\n".join(f"## {title}\n\n{body}\n" for title, body in parts.items())
    write_atomic(path, text.encode("utf-8", "replace"))


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


def _driving(facts: dict[str, Any]) -> Section:
    """Check how the units on record were last driven, by the facts of the bench."""
    contents = facts.get("bench", {}).get("contents") or {}
    return list(_drive_lines(contents.get("targets", ()))), {}


def _terminal() -> Section:
    from benchtest.cli.environment import terminal

    screen = terminal()
    return list(_terminal_lines(screen)), {"terminal": asdict(screen)}


def _ports() -> Section:
    from benchtest.drive.serial_ports import serial_ports
    from benchtest.operating_system import port_permission

    ports = [(port, port_permission(port.device)) for port in serial_ports()]
    facts = [{**asdict(port), "rights": rights._asdict()} for port, rights in ports]
    return list(_port_lines(ports)), {"ports": facts}


def _networks() -> Section:
    from benchtest.drive.interfaces import multicast_route, network_interfaces

    known = network_interfaces()
    way = multicast_route(known)
    facts = {"networks": [asdict(network) for network in known], "multicast": asdict(way)}
    return list(_network_lines(known, way)), facts


def _frame_clock() -> Section:
    from benchtest.operating_system import PRIORITY_REMEDY, may_raise_thread_priority, system

    first = may_raise_thread_priority()
    if first and system() == "windows":
        says = "sent on time: the frame clock has the highest priority of a program"
        line = CheckLine("frames", "good", says)
    elif first:
        line = CheckLine("frames", "good", "sent on time: the frame clock has real-time priority")
    elif system() == "linux":
        says = "may be some milliseconds late on a busy machine: no real-time priority"
        line = CheckLine("frames", "note", says, f"only if you see that: {PRIORITY_REMEDY}")
    else:
        line = CheckLine(
            "frames", "good", "sent with normal priority: this system has no other for programs"
        )
    return [line], {"frame_clock_first": first}


def _sleep() -> Section:
    from benchtest.drive.awake import can_keep_awake

    awake = can_keep_awake()
    if awake:
        line = CheckLine("sleep", "good", "put off during a soak, a drive and a served bench")
    else:
        says = "this system has no service that keeps it awake"
        line = CheckLine("sleep", "note", says, "switch automatic sleep off before a soak")
    return [line], {"kept_awake": awake}


def _library_lines(needed: list[Library]) -> Iterator[CheckLine]:
    reinstall = "install benchtest again: pip install --force-reinstall benchtest"
    for library in needed:
        if library.trouble is not None:
            yield CheckLine("libraries", "bad", f"{library.name} {library.trouble}", reinstall)
    usable = [f"{found.name} {found.version}" for found in needed if found.trouble is None]
    yield CheckLine("libraries", "good", ", ".join(usable))


def _bench_lines(health: FolderCheck) -> Iterator[CheckLine]:
    where = f"{health.folder}" + ("" if health.exists else " (created on first use)")
    free = "" if health.free_octets is None else f", {health.free_octets / 1e9:.1f} GB free"
    disk = "" if health.filesystem is None else f", {health.filesystem}"
    if health.trouble is not None:
        what, _, do = health.trouble.partition("; ")
        yield CheckLine("bench", "bad", what, do or None)
        return
    yield CheckLine(
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
        yield CheckLine("records", "good", f"intact: {counts}, {held.octets / 1e6:.1f} MB")


def _drive_lines(targets: Sequence[tuple[str, str]]) -> Iterator[CheckLine]:
    """Yield how units were last driven if that is not the usual way."""
    from benchtest.drive.interfaces import network_interfaces
    from benchtest.drive.target import DriveSettings, parse_target
    from benchtest.errors import InputError

    own = {address for network in network_interfaces() for address in network.addresses}
    found: dict[DriveSettings, list[str]] = {}
    for tag, text in targets:
        try:
            settings = parse_target(text).settings
        except InputError:  # of a later version
            continue
        if str(settings):
            found.setdefault(settings, []).append(tag)
    for settings, tags in list(found.items())[:MAX_SHOWN_SETTINGS]:
        interface = settings.interface
        gone = interface is not None and interface not in own
        others = f" and {len(tags) - 2} more" if len(tags) > 3 else ""
        units = ", ".join(tags if len(tags) <= 3 else tags[:2]) + others
        do = f"{interface} is not an address of this machine now: i at the unit changes it"
        words = f"{units}: not as usual, {settings}"
        yield CheckLine("driving", "note", words, do if gone else None)


def _terminal_lines(screen: Terminal) -> Iterator[CheckLine]:
    from benchtest.tui.glyphs import MIN_COLUMNS, MIN_LINES

    if not screen.is_terminal:
        remedy = "benchtest, demo and practice need one; all other commands do not"
        yield CheckLine("terminal", "note", "input and output are not a terminal", remedy)
        return
    least = f"{MIN_COLUMNS}×{MIN_LINES}"
    small = screen.columns < MIN_COLUMNS or screen.lines < MIN_LINES
    yield CheckLine(
        "terminal",
        "note" if small else "good",
        f"{screen.columns}×{screen.lines} characters, {screen.colours or 'no'} colours, "
        f"{'unicode' if screen.unicode else 'ASCII'}",
        f"make it {least} or larger for the terminal program" if small else None,
    )
    if not screen.unicode:
        do = "set LANG=C.UTF-8 for characters that are easier to read"
        yield CheckLine("terminal", "note", f"encoding {screen.encoding}: ASCII maps", do)


def _port_lines(ports: list[tuple[SerialPort, PortPermission]]) -> Iterator[CheckLine]:
    from benchtest.drive.serial_ports import permission_remedy

    if not ports:
        do = "connect the bridge, if you have one; try another cable: some carry only power"
        yield CheckLine("serial", "note", "no serial port", do)
    for port, rights in ports:
        trouble = permission_remedy(port.device, rights)
        access = "can be opened" if trouble is None else "you have no permission to open it"
        state: State = "good" if trouble is None else "note"
        yield CheckLine("serial", state, f"{port}: {access}", trouble)


def _network_lines(known: list[NetworkInterface], way: MulticastRoute) -> Iterator[CheckLine]:
    for network in known:
        if network.is_up and network.addresses and not network.is_loopback:
            yield CheckLine("network", "good", f"{network.name}: {', '.join(network.addresses)}")
    if way.trouble is not None:
        what, _, do = way.trouble.partition("; ")
        yield CheckLine("multicast", "note", what, do or None)
    else:
        by = way.network or "an unnamed network"
        others = [n.name for n in known if n.is_up and n.addresses and not n.is_loopback]
        others = [name for name in others if name != way.network]
        not_by = f", not by {', '.join(others)}" if others else ""
        yield CheckLine("multicast", "good", f"leaves by {by} from {way.address}{not_by}")


def _show(lines: list[CheckLine], *, good: bool) -> None:
    """Print the results without the table library, which may be the missing one."""
    import shutil
    from textwrap import fill

    width = max(shutil.get_terminal_size().columns - 1, 40)
    for line in lines:
        begin = f"{STATE_LABELS[line.state]:5}{line.about:11}"
        print(fill(shown(line.says), width, initial_indent=begin, subsequent_indent=" " * 16))
        if line.do is not None:
            indent = " " * 16 + "-> "
            print(fill(shown(line.do), width, initial_indent=indent, subsequent_indent=" " * 19))
    print("This machine can test props." if good else "Fix the lines marked BAD first.")
