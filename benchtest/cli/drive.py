"""`benchtest drive`: sending a pattern to a prop."""

from __future__ import annotations

import argparse
import contextlib
import math
import time
from collections.abc import Iterator
from typing import TYPE_CHECKING

from benchtest.cli.common import (
    Commands,
    add_drive_settings,
    add_prop,
    bench_of,
    design_of,
    drive_settings,
    number,
    print_json,
    shown,
)
from benchtest.errors import DriveFault, InputError, did_you_mean

if TYPE_CHECKING:
    from benchtest.cli.drive_progress import DriveProgress, Load
    from benchtest.drive.driver import DriveStatus
    from benchtest.drive.frame_clock import FrameClock
    from benchtest.pattern import Pattern, Step, Steps
    from benchtest.prop.design import Design
    from benchtest.virtual.remote_prop import RemoteProp

NEVER_ASLEEP_S = 60.0
"""Time in which no machine falls asleep by itself. [s] Common practice, no source: a minute is the
shortest that systems offer."""
MAX_SAMPLED_STEPS = 200
"""Steps examined for the heaviest; patterns with more steps light one node at a time."""
MAX_SOLVED_STEPS = 12
"""Heaviest steps, whose current is predicted."""
MAX_REFUSED_SHARE = 0.5
"""Share of refused packets above which a run has failed."""
QUIET_S = 1.5
"""Time after an answer in which one controller sends those of its other ports. [s] Ours: it waits
for up to one second before each."""
MIN_RAMP_DUTY = 0.5
"""Mean duty from which a step is ramped up."""


def register(commands: Commands[argparse.ArgumentParser]) -> Iterator[argparse.ArgumentParser]:
    """Declare `drive` and its options."""
    parser = commands.add_parser(
        "drive",
        help="sends a pattern to a prop",
        description="Sends a pattern to a prop, step by step, until --seconds have passed or "
        "Ctrl-C; then the prop goes dark. Refuses a level that overloads a fuse or supply of the "
        "design. Patterns flash at most twice a second; still, warn people who are sensitive to "
        "changing light.",
    )
    add_prop(parser)
    parser.add_argument("pattern", metavar="PATTERN", help="full-white, by-strand, walk …")
    parser.add_argument(
        "--to",
        required=True,
        metavar="TARGET",
        help="e131 (multicast), e131:HOST, artnet:HOST, ddp:HOST, serial:DEVICE for a USB "
        "bridge (serial alone lists the ports), or virtual for a simulated prop",
    )
    parser.add_argument(
        "--seconds", type=number, metavar="N", help="end after N seconds (default: at Ctrl-C)"
    )
    parser.add_argument(
        "--level",
        type=number,
        default=1.0,
        metavar="X",
        help="scales the levels of the pattern, 0 to 1 (default: 1)",
    )
    add_drive_settings(parser)
    parser.add_argument(
        "--ports",
        action=_Listing,
        nargs=0,
        const=list_ports,
        help="list the serial ports and your permission to open them; sends nothing",
    )
    parser.add_argument(
        "--controllers",
        action=_Listing,
        nargs=0,
        const=list_controllers,
        help="list the Art-Net controllers that answer, with the universes of their outputs: all "
        "on this machine's networks, or that of --to artnet:HOST",
    )
    parser.set_defaults(run=run)
    yield parser


class _Listing(argparse.Action):
    """Action that lists what can be driven, and drops the arguments that driving requires."""

    def __call__(
        self,
        parser: argparse.ArgumentParser,
        namespace: argparse.Namespace,
        values: object,
        option_string: str | None = None,
    ) -> None:
        for action in parser._actions:
            action.required = False
        namespace.run = self.const


def list_controllers(args: argparse.Namespace) -> int:
    """Print the Art-Net controllers that answer: that of `--to`, or all on the own networks."""
    from benchtest.drive.artnet.driver import find_controllers, route_to
    from benchtest.drive.interfaces import broadcast_routes
    from benchtest.drive.target import parse_target

    target = None if args.to is None else parse_target(args.to)
    if target is not None and (target.kind != "artnet" or target.host is None):
        raise InputError(f"{target}: --controllers asks one by artnet:HOST, or all without --to")
    if target is None:
        found = find_controllers(broadcast_routes())
    else:
        found = find_controllers([route_to(str(target.host))], quiet_s=QUIET_S)
    if args.json:
        rows = [
            {"to": f"artnet:{one.address}", "name": one.name, "universes": list(one.outputs)}
            for one in found
        ]
        print_json({"controllers": rows})
        return 0
    for one in found:
        print(shown(str(one)))
    if not found:
        print("No Art-Net controller answers; give the address of one with --to artnet:HOST.")
    return 0


def list_ports(args: argparse.Namespace) -> int:
    """Print the serial ports. Opens none: opening a port restarts many boards."""
    from benchtest.drive.serial_ports import describe_ports, permission_remedy, serial_ports
    from benchtest.operating_system import port_permission

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
        print(f"serial:{port}" + ("" if do is None else f": no permission to open it; {do}"))
    if not ports:
        print(describe_ports())
    return 0


def run(args: argparse.Namespace) -> int:
    """Drive until the time has passed or the user ends it; then the prop goes dark."""
    from benchtest.cli.drive_progress import DriveProgress
    from benchtest.drive.awake import AwakeLock
    from benchtest.drive.e131.driver import E131Driver, SourceSettings
    from benchtest.drive.e131.encode import load_cid
    from benchtest.drive.target import clock_for, driver_for, parse_target
    from benchtest.prop.outputs import without_hosts
    from benchtest.virtual.remote_prop import start_simulation

    design = design_of(args)
    target = parse_target(args.to).with_settings(drive_settings(args))
    pattern = _pattern(args)
    _check_numbers(args)
    steps = pattern.steps(design)
    with contextlib.ExitStack() as stack:
        sender, virtual, hears = SourceSettings(load_cid(bench_of(args))), None, None
        if target.kind == "e131":
            driver = driver_for(target, design, sender)
            assert isinstance(driver, E131Driver)
            hears = stack.enter_context(contextlib.closing(driver))
            hears.listen()  # during the load prediction
        load = _check_load(design, pattern, steps, args.level)
        if args.seconds is None or args.seconds > NEVER_ASLEEP_S:
            stack.enter_context(AwakeLock())
        if target.kind == "virtual":
            virtual = stack.enter_context(start_simulation(args.prop, output=str(target.output)))
            target, design = target.at(virtual.target), without_hosts(design)
        driver = hears or driver_for(target, design, sender)
        progress = DriveProgress(target, load, args)
        if hears is not None:
            hears.wait_for_sources()
            progress.report(hears.status())
        with clock_for(target, design, driver).start() as clock:
            _play(clock, steps, pattern, progress, args)
            if virtual is not None and not args.json:
                print(_observation(virtual))
        status = clock.status()  # includes the dark frames at the end
    if status.trouble is not None:
        raise DriveFault(f"{target}: {status.trouble}")
    if target.host is not None and status.errors > MAX_REFUSED_SHARE * status.packets:
        raise DriveFault(
            f"{target}: {status.errors} of {status.packets} packets were "
            "refused, so the prop stayed dark; switch the controller on, or check its address"
        )
    if args.json:
        named = {"pattern": pattern.name, "to": str(target), "level": args.level}
        print_json(named | _summary(clock, status, load) | {"others": progress.heard})
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
        raise InputError(f'no pattern is called "{args.pattern}"{near} (choose from {known})')
    return patterns[args.pattern]


def _check_numbers(args: argparse.Namespace) -> None:
    if not 0.0 < args.level <= 1.0:
        raise InputError(f"--level {args.level:g}: give a number above 0, up to 1")
    if args.seconds is not None and not (0.0 < args.seconds < math.inf):
        raise InputError(f"--seconds {args.seconds:g}: give a number above 0")


def _check_load(design: Design, pattern: Pattern, steps: Steps, level: float) -> Load:
    """Predict the most current of each feed.

    Raises:
        InputError: it overloads a fuse or supply; contains the highest level that does not.
    """
    import numpy as np

    from benchtest.circuit.feed_limits import find_level_limit
    from benchtest.circuit.network import Circuit
    from benchtest.circuit.solution import require_start, solve
    from benchtest.cli.drive_progress import Load

    stride = max(1, len(steps) // MAX_SAMPLED_STEPS)
    sampled = steps[::stride]
    heaviest = sorted(sampled, key=lambda step: -float(step.duty.sum()))[:MAX_SOLVED_STEPS]
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


def _play(
    clock: FrameClock,
    steps: Steps,
    pattern: Pattern,
    progress: DriveProgress,
    args: argparse.Namespace,
) -> None:
    """Show the steps in turn, and repeat them until the time has passed."""
    end_s = math.inf if args.seconds is None else time.monotonic() + args.seconds
    place = 0
    while time.monotonic() < end_s:
        step = steps[place % len(steps)]
        if place < len(steps) or len(steps) > 1:
            _show(clock, step, args.level)
            progress.step(step)
        progress.hold(clock, step, min(end_s, time.monotonic() + pattern.hold_s))
        place += 1
    progress.end()


def _show(clock: FrameClock, step: Step, level: float) -> None:
    from benchtest.drive.frame_clock import RAMP_S
    from benchtest.pattern import frame_from_duty

    duty = step.duty * level
    clock.show(frame_from_duty(duty), ramp_s=RAMP_S if duty.mean() >= MIN_RAMP_DUTY else 0.0)


def _observation(virtual: RemoteProp) -> str:
    """Return a sentence about the nodes of the virtual prop that look wrong."""
    wrong = [sight for sight in virtual.look() if sight.seen != "ok"]
    if not wrong:
        return "On the virtual prop every lit node looks right."
    listed = ", ".join(f"{s.strand}.{s.first}-{s.last} {s.seen}" for s in wrong)
    return f"On the virtual prop: {listed}."
