"""`benchtest simulate`: a virtual prop that hears E1.31 on loopback."""

from __future__ import annotations

import argparse
from collections.abc import Iterator
from typing import TYPE_CHECKING

from benchtest.cli.common import Commands, add_prop, design_of, print_json

if TYPE_CHECKING:
    from benchtest.virtual.server import Listening, Simulation

REDRAW_S = 0.2


def register(commands: Commands[argparse.ArgumentParser]) -> Iterator[argparse.ArgumentParser]:
    """Declare `simulate` and its options."""
    parser = commands.add_parser(
        "simulate",
        help="a virtual prop that hears E1.31 on loopback",
        description="Stands in for a prop: hears E1.31 on loopback as a controller does, follows "
        "its data line and its circuit with the faults given, and shows what the prop would. "
        "Type a probe (4A) to read it with its bench meter, Ctrl-C to end.",
    )
    add_prop(parser)
    parser.add_argument(
        "--fault",
        action="append",
        default=[],
        metavar="FAULT",
        help="4A+=0.8, 4A+=open, 4Ad=open or 4.17=dead (repeatable)",
    )
    parser.add_argument(
        "--seed", type=int, help="build a unit with its own tolerances (default: as designed)"
    )
    parser.add_argument("--meter", metavar="SPEC", help='its bench meter, such as "0.5%%+3/6000"')
    parser.add_argument("--host", default="127.0.0.1", help="where to hear (default: loopback)")
    parser.add_argument("--port", type=int, default=5568, help="UDP port; 0 takes a free one")
    parser.add_argument(
        "--control-port", type=int, default=0, help="TCP port for readings (default: a free one)"
    )
    parser.set_defaults(run=run)
    yield parser


def run(args: argparse.Namespace) -> int:
    """Hear, show and answer until stopped."""
    import asyncio

    from benchtest.errors import InputError
    from benchtest.evidence.meter import DEFAULT_METER, Meter
    from benchtest.virtual.faults import parse_faults
    from benchtest.virtual.prop import VirtualProp
    from benchtest.virtual.server import Simulation

    design = design_of(args)
    faults = parse_faults(args.fault, design)
    meter = Meter.parse(args.meter) if args.meter else DEFAULT_METER
    for port in (args.port, args.control_port):
        if not 0 <= port <= 65535:
            raise InputError(f"port {port}: give 0 to 65535")
    if args.seed is not None and args.seed < 0:
        raise InputError(f"--seed {args.seed}: give 0 or more")
    simulation = Simulation(VirtualProp(design, faults, args.seed, meter))
    asyncio.run(_serve(simulation, args))
    return 0


async def _serve(simulation: Simulation, args: argparse.Namespace) -> None:
    import asyncio
    import sys

    where = await simulation.listen(args.host, args.port, args.control_port)
    if args.json or not sys.stdout.isatty():
        listening = {"host": where.host, "port": where.port, "control_port": where.control_port}
        print_json({"listening": listening})
        sys.stdout.flush()
        await simulation.run()
        return
    drawing = asyncio.create_task(_draw(simulation, where))
    await simulation.run()
    drawing.cancel()


async def _draw(simulation: Simulation, where: Listening) -> None:
    """Redraw, and answer probes typed below the picture."""
    import asyncio
    import sys

    from rich.console import Group
    from rich.live import Live
    from rich.text import Text

    from benchtest.cli.common import console
    from benchtest.virtual.screen import draw

    answers: list[str] = []
    loop = asyncio.get_running_loop()
    if sys.stdin.isatty():
        loop.add_reader(sys.stdin, lambda: _answer(simulation, answers))
    out = console()
    with Live(console=out, auto_refresh=False, transient=False) as live:
        while True:
            picture = draw(simulation, where, out.width)
            live.update(Group(picture, *(Text(line) for line in answers[-3:])), refresh=True)
            await asyncio.sleep(REDRAW_S)


def _answer(simulation: Simulation, answers: list[str]) -> None:
    import json
    import sys

    word = sys.stdin.readline().strip()
    if not word:
        return
    found = simulation.answer(json.dumps({"measure": word}).encode())
    volts = found.get("volts")
    answers.append(f"{word}: {found['error']}" if volts is None else f"{word}  {volts:.4f} V")
