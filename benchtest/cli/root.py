"""`benchtest` by itself: the terminal program on this bench's shelf."""

from __future__ import annotations

import argparse
from pathlib import Path
from typing import TYPE_CHECKING

from benchtest.cli.common import bench_of

if TYPE_CHECKING:
    from benchtest.session.launch_options import Bench


def add_options(parser: argparse.ArgumentParser) -> None:
    """Declare what the terminal program can be told."""
    add_program_options(parser)
    # for `serve`, whose browser comes back
    parser.add_argument("--go-on", dest="go_on", default=None, help=argparse.SUPPRESS)
    parser.set_defaults(
        run=run,
        new_prop=None,
        new_to=None,
        new_meter=None,
        new_readings_from=None,
        new_pins=[],
    )


def add_program_options(parser: argparse.ArgumentParser) -> None:
    """Declare what units are driven by; what is not given stays as it was before this command."""
    program = parser.add_argument_group("terminal program")
    unsaid = argparse.SUPPRESS
    program.add_argument(
        "--prop",
        type=Path,
        dest="new_prop",
        default=unsaid,
        metavar="PROP",
        help="prop file of new units",
    )
    program.add_argument(
        "--to",
        dest="new_to",
        default=unsaid,
        metavar="TARGET",
        help="where units are driven: e131, e131:HOST, serial:DEVICE, or virtual "
        "(default: asked, with the unit's last one offered)",
    )
    program.add_argument(
        "--meter",
        dest="new_meter",
        default=unsaid,
        metavar="SPEC",
        help='your meter, such as "0.5%%+3/6000"',
    )
    program.add_argument(
        "--readings-from",
        dest="new_readings_from",
        default=unsaid,
        metavar="SOURCE",
        help="take readings by one key: scpi:DEVICE for a bench meter (scpi:DEVICE@BAUD), "
        "serial:DEVICE for a bridge's inputs",
    )
    program.add_argument(
        "--pin",
        dest="new_pins",
        action="append",
        default=unsaid,
        metavar="N=PLACE",
        help="where a bridge's analogue input sits, such as 0=foot:4 (repeatable)",
    )


def run(args: argparse.Namespace) -> int:
    """Open the terminal program."""
    from benchtest.errors import InputError
    from benchtest.tui.launch import launch

    if args.json:
        raise InputError("--json goes with a command: the terminal program prints nothing")
    launch(bench_from_args(args))
    return 0


def bench_from_args(args: argparse.Namespace) -> Bench:
    """The bench that the command line names.

    Raises:
        InputError: the meter is none.
    """
    from benchtest.evidence.meter import DEFAULT_METER, Meter
    from benchtest.session.launch_options import Bench

    meter = Meter.parse(args.new_meter) if args.new_meter else DEFAULT_METER
    return Bench(
        bench_of(args),
        args.new_to,
        args.new_prop,
        meter,
        readings_from=args.new_readings_from,
        pins=tuple(args.new_pins),
        go_on=args.go_on,
    )
