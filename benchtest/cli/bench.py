"""`benchtest` by itself: the terminal program on this bench's shelf."""

from __future__ import annotations

import argparse
from pathlib import Path

from benchtest.cli.common import bench_of


def add_options(parser: argparse.ArgumentParser) -> None:
    """Declare what the terminal program can be told."""
    program = parser.add_argument_group("terminal program")
    program.add_argument(
        "--prop", type=Path, dest="new_prop", metavar="PROP", help="prop file of new units"
    )
    program.add_argument(
        "--to",
        dest="new_to",
        default="virtual",
        metavar="TARGET",
        help="where units are driven: e131, e131:HOST, or virtual (default: virtual)",
    )
    program.add_argument(
        "--meter", dest="new_meter", metavar="SPEC", help='your meter, such as "0.5%%+3/6000"'
    )
    parser.set_defaults(run=run)


def run(args: argparse.Namespace) -> int:
    """Open the terminal program."""
    from benchtest.errors import InputError
    from benchtest.evidence.meter import DEFAULT_METER, Meter
    from benchtest.session.bench import Bench
    from benchtest.tui.launch import launch

    if args.json:
        raise InputError("--json goes with a command: the terminal program prints nothing")
    meter = Meter.parse(args.new_meter) if args.new_meter else DEFAULT_METER
    launch(Bench(bench_of(args), args.new_to, args.new_prop, meter))
    return 0
