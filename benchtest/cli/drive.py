"""`benchtest drive`: a pattern onto a prop."""

from __future__ import annotations

import argparse
import contextlib
import math
import time
from collections.abc import Iterator
from typing import TYPE_CHECKING

from benchtest.cli.common import Commands, add_prop, bench_of, design_of, number, print_json, whole
from benchtest.errors import DriveFault, InputError, did_you_mean

if TYPE_CHECKING:
    from benchtest.cli.drive_progress import DriveProgress, Load
    from benchtest.drive.driver import Driver, DriveStatus
    from benchtest.drive.e131.driver import SourceSettings
    from benchtest.drive.frame_clock import FrameClock
    from benchtest.pattern import Pattern, Step, Steps
    from benchtest.prop.design import Design
    from benchtest.virtual.remote_prop import RemoteProp

LOOKED_AT = 200
"""Steps that are looked at for the heaviest; patterns with more light one node at a time."""
SOLVED = 12
"""The heaviest of them, whose current is predicted."""
MOST_REFUSED = 0.5
"""Share of packets that the network may refuse in a run that counts as done."""
MUCH = 0.5
"""Share of full load from which a step comes up by a ramp."""


def register(commands: Commands[argparse.ArgumentParser]) -> Iterator[argparse.ArgumentParser]:
    """Declare `drive` and its options."""
    parser = commands.add_parser(
        "drive",
        help="sends a pattern to a prop",
        description="Sends a pattern to a prop, step after step, until --seconds are over or "
        "Ctrl-C; then the prop goes dark. Refuses a level that the fuses or supplies of the "
        "design cannot carry. Patterns flash no more than twice a second; still, warn people "
        "who are sensitive to changing light.",
    )
    add_prop(parser)
    parser.add_argument("pattern", metavar="PATTERN", help="full-white, by-strand, walk …")
    parser.add_argument(
        "--to",
        required=True,
        metavar="TARGET",
        help="e131 (multicast), e131:HOST, serial:DEVICE for a USB bridge (serial alone lists the "
        "ports), or virtual for a prop that is not there",
    )
    parser.add_argument(
        "--seconds", type=number, metavar="N", help="end after so long (default: at Ctrl-C)"
    )
    parser.add_argument(
        "--level",
        type=number,
        default=1.0,
        metavar="X",
        help="share of the pattern's own levels, 0 to 1 (default: 1)",
    )
    _add_packets(parser)
    parser.add_argument(
        "--ports",
        action=_Ports,
        nargs=0,
        help="list this machine's serial ports and whether you may open them; sends nothing",
    )
    parser.set_defaults(run=run)
    yield parser


def _add_packets(parser: argparse.ArgumentParser) -> None:
    """How frames become packets."""
    parser.add_argument(
        "--priority", type=whole, default=100, help="E1.31 priority, 0 to 200 (default: 100)"
    )
    parser.add_argument(
        "--sync",
        action="store_true",
        help="show all universes in the same instant, by E1.31 synchronization packets on the "
        "prop's first universe; off for controllers that do not know them",
    )
    parser.add_argument(
        "--fps",
        type=number,
        default=40.0,
        metavar="N",
        help="frames a second while something changes, 1 to 40 (default: 40)",
    )


class _Ports(argparse.Action):
    """Lists ports instead of driving: what driving needs is then not asked for."""

    def __call__(
        self,
        parser: argparse.ArgumentParser,
        namespace: argparse.Namespace,
        values: object,
        option_string: str | None = None,
    ) -> None:
        for action in parser._actions:
            action.required = False
        namespace.run = list_ports


def list_ports(args: argparse.Namespace) -> int:
    """Say which serial ports there are. Opens none: many boards restart by that."""
    from benchtest.drive.serial_permissions import permission_remedy, port_permission
    from benchtest.drive.serial_ports import describe_ports, serial_ports

    ports = [
        (port, permission_remedy(port.device, port_permission(port.device)))
        for port in serial_ports()
    ]
    if args.json:
        rows = [
            {"device": port.device, "description": port.description, "usb": port.usb, "do": do}
            for port, do in ports
        ]
        print_json({"ports": rows})
        return 0
    for port, do in ports:
        print(f"serial:{port}" + ("" if do is None else f": you may not open it; {do}"))
    if not ports:
        print(describe_ports())
    return 0


def run(args: argparse.Namespace) -> int:
    """Drive until the time is over or somebody ends it; the prop goes dark either way."""
    from benchtest.cli.drive_progress import DriveProgress
    from benchtest.drive.driver import parse_target
    from benchtest.drive.driver_choice import driver_for
    from benchtest.drive.e131.driver import E131Driver

    design = design_of(args)
    target = parse_target(args.to)
    pattern = _pattern(args)
    _check_numbers(args)
    steps = pattern.steps(design)
    with contextlib.ExitStack() as stack:
        sender, virtual, hears = _sender(args, design), None, None
        if target.kind == "e131":
            hears = stack.enter_context(contextlib.closing(E131Driver(design, target, sender)))
            hears.listen()  # while the load is worked out
        load = _check_load(design, pattern, steps, args.level)
        if target.kind == "virtual":
            virtual = stack.enter_context(_virtual(args))
            target = parse_target(virtual.target)
        driver = hears or driver_for(target, design, sender)
        teller = DriveProgress(target, load, args)
        if hears is not None:
            hears.wait_for_sources()
            teller.news(hears.status())
        with _clock(driver, design, args) as clock:
            _play(clock, steps, pattern, teller, args)
            if virtual is not None and not args.json:
                print(_sights(virtual))
        status = clock.status()  # the dark end is counted too
    if status.trouble is not None:
        raise DriveFault(f"{target}: {status.trouble}")
    if target.kind == "e131" and status.errors > MOST_REFUSED * status.packets:
        raise DriveFault(
            f"{target}: {status.errors} of {status.packets} packets were "
            "refused, so the prop showed nothing; switch the controller on, or check its address"
        )
    if args.json:
        named = {"pattern": pattern.name, "to": str(target), "level": args.level}
        print_json(named | _summary(clock, status, load) | {"others": teller.heard})
    return 0


def _summary(clock: FrameClock, status: DriveStatus, load: Load) -> dict[str, object]:
    pace = clock.pace()
    return {
        "most_amps": {feed: round(amps, 3) for feed, amps in load.most_a.items()},
        "frames": status.frames,
        "packets": status.packets,
        "errors": status.errors,
        "late_ms": {
            "p50": round(pace.late_p50_s * 1e3, 3),
            "p99": round(pace.late_p99_s * 1e3, 3),
        },
    }


def _pattern(args: argparse.Namespace) -> Pattern:
    from benchtest.pattern import load_patterns

    patterns = load_patterns(bench_of(args) / "patterns")
    if args.pattern not in patterns:
        known = ", ".join(patterns)
        near = did_you_mean(args.pattern, patterns)
        raise InputError(f'no pattern is called "{args.pattern}"{near} (there are {known})')
    return patterns[args.pattern]


def _check_numbers(args: argparse.Namespace) -> None:
    if not 0.0 < args.level <= 1.0:
        raise InputError(f"level {args.level:g}: give a number above 0, up to 1")
    if args.seconds is not None and not (0.0 < args.seconds < math.inf):
        raise InputError(f"--seconds {args.seconds:g}: give a number above 0")


def _check_load(design: Design, pattern: Pattern, steps: Steps, level: float) -> Load:
    """What each feed is predicted to give.

    Raises:
        InputError: a fuse or supply cannot carry it; says the highest level that fits.
    """
    import numpy as np

    from benchtest.circuit.feed_limits import find_level_limit
    from benchtest.circuit.network import Circuit
    from benchtest.circuit.solution import solve
    from benchtest.circuit.startup import require_start
    from benchtest.cli.drive_progress import Load

    stride = max(1, len(steps) // LOOKED_AT)
    looked_at = steps[::stride]
    heaviest = sorted(looked_at, key=lambda step: -float(step.duty.sum()))[:SOLVED]
    circuit = Circuit(design)
    solutions = [solve(circuit, step.duty * level) for step in heaviest]
    for solution in solutions:
        require_start(solution)
    solved = [solution.feed_a for solution in solutions]
    lit_a = {feed: max(amps[feed] for amps in solved) for feed in solved[0]}
    dark_a = solve(circuit, np.zeros_like(heaviest[0].duty)).feed_a
    limit = find_level_limit(design, level, lit_a, dark_a)
    if limit is not None:
        offer = f"--level {limit.level:g} fits" if limit.level > 0.0 else "no level fits"
        raise InputError(f"{pattern.name} at level {level:g}: {limit.why}; {offer}")
    return Load(circuit, lit_a, level)


def _virtual(args: argparse.Namespace) -> RemoteProp:
    from benchtest.virtual.remote_prop import start_simulation

    return start_simulation(args.prop)


def _sender(args: argparse.Namespace, design: Design) -> SourceSettings:
    from benchtest.drive.e131.cid import load_cid
    from benchtest.drive.e131.driver import SourceSettings
    from benchtest.drive.universe_layout import universe_numbers

    sync_address = universe_numbers(design)[0] if args.sync else 0
    return SourceSettings(
        load_cid(bench_of(args)), priority=args.priority, sync_address=sync_address
    )


def _clock(driver: Driver, design: Design, args: argparse.Namespace) -> FrameClock:
    from benchtest.drive.frame_clock import FrameClock

    return FrameClock(driver, design.node_count, design.node.channels, args.fps).start()


def _play(
    clock: FrameClock,
    steps: Steps,
    pattern: Pattern,
    teller: DriveProgress,
    args: argparse.Namespace,
) -> None:
    """Step after step, round and round, until the time is over."""
    end_s = math.inf if args.seconds is None else time.monotonic() + args.seconds
    place = 0
    while time.monotonic() < end_s:
        step = steps[place % len(steps)]
        if place < len(steps) or len(steps) > 1:
            _show(clock, step, args.level)
            teller.step(step)
        teller.hold(clock, step, min(end_s, time.monotonic() + pattern.hold_s))
        place += 1
    teller.end()


def _show(clock: FrameClock, step: Step, level: float) -> None:
    from benchtest.drive.frame_clock import RAMP_S
    from benchtest.pattern import frame_from_duty

    duty = step.duty * level
    clock.show(frame_from_duty(duty), ramp_s=RAMP_S if duty.mean() >= MUCH else 0.0)


def _sights(virtual: RemoteProp) -> str:
    """What the virtual prop shows, in words."""
    odd = [sight for sight in virtual.look() if sight.seen != "ok"]
    if not odd:
        return "The virtual prop shows every lit node as it should be."
    words = ", ".join(f"{s.strand}.{s.first}-{s.last} {s.seen}" for s in odd)
    return f"The virtual prop shows: {words}."
