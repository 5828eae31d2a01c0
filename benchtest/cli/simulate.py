"""`benchtest simulate`: a virtual prop that receives E1.31 on loopback."""

from __future__ import annotations

import argparse
import contextlib
from collections.abc import Iterator
from typing import TYPE_CHECKING

from benchtest.cli.common import (
    Commands,
    add_output,
    add_prop,
    design_of,
    moved_design,
    number,
    print_json,
    whole,
)

if TYPE_CHECKING:
    from benchtest.virtual.server import ListenAddress, VirtualPropServer

REDRAW_S = 0.2
"""Time between two pictures. [s]"""
ANSWER_LINES = 3
"""Answers shown below the picture."""


def register(commands: Commands[argparse.ArgumentParser]) -> Iterator[argparse.ArgumentParser]:
    """Declare `simulate` and its options."""
    parser = commands.add_parser(
        "simulate",
        help="runs a virtual prop that receives E1.31 on loopback",
        description="Runs a virtual prop: receives E1.31 on loopback like a controller, simulates "
        "its data line and its circuit with the given faults, and shows its nodes. Type a probe "
        "(4A) to read it with a simulated meter, fault 4A+=0.8 to add a fault, repair 4A+ to "
        "remove it, Ctrl-C to end. If standard output is not a terminal, it prints the listening "
        "address as JSON and nothing else.",
    )
    add_prop(parser)
    parser.add_argument(
        "--fault",
        action="append",
        default=[],
        metavar="FAULT",
        help="4A+=0.8, 4A+=open, 4Ad=open, 4.17=dead, 4=reversed, 4=swapped:5, 4=GRB, "
        "colour_order=GRB, main=short or, for its fuse, main=blown (repeatable)",
    )
    parser.add_argument(
        "--seed", type=whole, help="build a unit with random tolerances (default: as designed)"
    )
    add_output(
        parser,
        "setting of the virtual controller, where it differs from the prop file: slots=512,"
        "packed=true, or universe=2",
    )
    parser.add_argument("--meter", metavar="SPEC", help='simulated meter, such as "0.5%%+3/6000"')
    _add_impairment(parser)
    parser.add_argument(
        "--host", default="127.0.0.1", help="address to listen at (default: loopback)"
    )
    parser.add_argument("--port", type=whole, default=5568, help="UDP port; 0 for a free one")
    parser.add_argument(
        "--control-port", type=whole, default=0, help="TCP port for readings (default: a free one)"
    )
    parser.add_argument(
        "--while-input-is-open",
        action="store_true",
        help="end when standard input is closed, for a program that started this one",
    )
    parser.set_defaults(run=run)
    yield parser


def _add_impairment(parser: argparse.ArgumentParser) -> None:
    """Add options of a bad network."""
    for option, what in (("lose", "lost"), ("garble", "corrupted, one bit each")):
        parser.add_argument(
            f"--{option}",
            type=number,
            default=0.0,
            metavar="X",
            help=f"share of packets that are {what}, 0 to 1 (default: 0)",
        )
    parser.add_argument(
        "--delay-ms",
        type=number,
        default=0.0,
        metavar="N",
        help="longest delay of a packet; delays differ, so packets change order (default: 0)",
    )


def run(args: argparse.Namespace) -> int:
    """Receive, show and answer until stopped."""
    import asyncio

    from benchtest.errors import InputError
    from benchtest.evidence.meter import DEFAULT_METER, Meter
    from benchtest.prop.outputs import without_hosts
    from benchtest.virtual.injected_faults import parse_faults
    from benchtest.virtual.server import VirtualPropServer
    from benchtest.virtual.udp_receiver import NetworkImpairment
    from benchtest.virtual.virtual_prop import VirtualProp

    design = design_of(args)
    faults = parse_faults(args.fault, design)
    meter = Meter.parse(args.meter) if args.meter else DEFAULT_METER
    for port in (args.port, args.control_port):
        if not 0 <= port <= 65535:
            raise InputError(f"port {port}: give 0 to 65535")
    if args.seed is not None and args.seed < 0:
        raise InputError(f"--seed {args.seed}: give 0 or more")
    impairment = NetworkImpairment(args.lose, args.garble, args.delay_ms / 1e3, args.seed or 0)
    prop = VirtualProp(design, faults, args.seed, meter)
    controller = moved_design(without_hosts(design), args)
    simulation = VirtualPropServer(prop, impairment, controller)
    asyncio.run(_serve(simulation, args))
    return 0


async def _serve(simulation: VirtualPropServer, args: argparse.Namespace) -> None:
    import asyncio
    import sys
    from functools import partial

    from benchtest.drive.signals import notify_on_first_signal

    # before the address is printed, so that a signal after it ends the program cleanly
    notify_on_first_signal(
        partial(asyncio.get_running_loop().call_soon_threadsafe, simulation.done.set)
    )
    where = await simulation.listen(args.host, args.port, args.control_port)
    if args.while_input_is_open:
        _end_with_input(simulation)
    if args.json or not sys.stdout.isatty():
        listening = {"host": where.host, "port": where.port, "control_port": where.control_port}
        print_json({"listening": listening})
        sys.stdout.flush()
        await simulation.run()
        return
    drawing = asyncio.create_task(_draw(simulation, where))
    drawing.add_done_callback(lambda _: simulation.done.set())
    await simulation.run()
    drawing.cancel()
    with contextlib.suppress(asyncio.CancelledError):
        await drawing


def _end_with_input(simulation: VirtualPropServer) -> None:
    """Watch standard input in a thread, since not every system can wait for it otherwise."""
    import asyncio
    import os
    import threading

    loop = asyncio.get_running_loop()

    def wait() -> None:
        with contextlib.suppress(OSError):
            while os.read(0, 1024):
                pass
        with contextlib.suppress(RuntimeError):  # the loop has ended already
            loop.call_soon_threadsafe(simulation.done.set)

    threading.Thread(target=wait, daemon=True).start()


async def _draw(simulation: VirtualPropServer, where: ListenAddress) -> None:
    """Redraw the picture, and answer commands typed below it."""
    import asyncio
    import sys
    from collections import deque

    from rich.live import Live

    from benchtest.cli.common import console
    from benchtest.operating_system import read_key, single_keys, watch_input
    from benchtest.virtual.terminal_view import LineBuffer, answer_line, draw_prop

    line, answers, typed_line = LineBuffer(), deque[str](maxlen=ANSWER_LINES), asyncio.Event()
    loop, out, source = (
        asyncio.get_running_loop(),
        console(1),  # redrawn in place, so no wider than the terminal
        sys.stdin.fileno() if sys.stdin else -1,
    )

    def typed(octets: bytes) -> None:
        answers.extend(answer_line(simulation, words) for words in line.type(octets))
        typed_line.set()

    with single_keys(source) as ready, Live(console=out, auto_refresh=False) as live:
        if ready:
            watch_input(loop, source, typed, read_key)
        while True:
            picture = draw_prop(simulation, where, out.width, answers, line.text)
            live.update(picture, refresh=True)
            typed_line.clear()
            with contextlib.suppress(TimeoutError):
                await asyncio.wait_for(typed_line.wait(), REDRAW_S)
