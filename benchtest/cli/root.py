"""`benchtest` without a command: the terminal program on this bench's shelf."""

from __future__ import annotations

import argparse
from pathlib import Path
from typing import TYPE_CHECKING

from benchtest.cli.common import add_drive_settings, bench_of, drive_settings

if TYPE_CHECKING:
    from benchtest.session.launch_options import LaunchOptions


def add_options(parser: argparse.ArgumentParser) -> None:
    """Declare the options of the terminal program."""
    add_program_options(parser)
    # for `serve`: resumes the session of a browser that reconnects
    parser.add_argument("--go-on", dest="go_on", default=None, help=argparse.SUPPRESS)
    parser.add_argument("--go-on-to", dest="go_on_to", default=None, help=argparse.SUPPRESS)
    parser.set_defaults(
        run=run,
        new_prop=None,
        new_to=None,
        new_meter=None,
        new_readings_from=None,
        new_pins=[],
        new_no_pointing=False,
        new_no_hands_free=False,
        new_say=False,
        new_enough=None,
        new_output=None,
        new_priority=None,
        new_sync=None,
        new_fps=None,
        new_interface=None,
        new_keepalive=None,
    )


def add_program_options(parser: argparse.ArgumentParser) -> None:
    """Declare how units are driven and measured; an option not given keeps its earlier value."""
    program = parser.add_argument_group("terminal program")
    unset = argparse.SUPPRESS
    program.add_argument(
        "--prop",
        type=Path,
        dest="new_prop",
        default=unset,
        metavar="PROP",
        help="prop file of new units",
    )
    program.add_argument(
        "--to",
        dest="new_to",
        default=unset,
        metavar="TARGET",
        help="how units are driven: e131, e131:HOST, artnet:HOST, ddp:HOST, serial:DEVICE, or "
        "virtual (default: asks, and offers the unit's last one)",
    )
    add_drive_settings(program, "new_")
    program.add_argument(
        "--meter",
        dest="new_meter",
        default=unset,
        metavar="SPEC",
        help='your meter, such as "0.5%%+3/6000"',
    )
    program.add_argument(
        "--readings-from",
        dest="new_readings_from",
        default=unset,
        metavar="SOURCE",
        help="take a reading with one key: scpi:DEVICE (scpi:DEVICE@9600,7E1,dtr) or "
        "scpi:HOST:5025 from a bench meter, handheld:DEVICE from a hand-held meter with a data "
        "cable, serial:DEVICE from a bridge's inputs",
    )
    program.add_argument(
        "--enough",
        dest="new_enough",
        default=unset,
        metavar="HOW-MUCH",
        help="offer the sign-off only from this on: 99%% sound, or every joint below 100mOhm "
        "(default: 95%%)",
    )
    program.add_argument(
        "--no-pointing",
        dest="new_no_pointing",
        action="store_true",
        default=unset,
        help="do not show on the prop where the leads go before each reading",
    )
    program.add_argument(
        "--no-hands-free",
        dest="new_no_hands_free",
        action="store_true",
        default=unset,
        help="keep a reading of --readings-from only by a key, not as soon as it is steady",
    )
    program.add_argument(
        "--say",
        dest="new_say",
        action="store_true",
        default=unset,
        help="speak each question: by the system's voice, or by the browser of serve",
    )
    program.add_argument(
        "--pin",
        dest="new_pins",
        action="append",
        default=unset,
        metavar="N=PLACE",
        help="place that a bridge's analog input is wired to, such as 0=foot:4 (repeatable)",
    )


def run(args: argparse.Namespace) -> int:
    """Open the terminal program."""
    from benchtest.errors import InputError
    from benchtest.tui.launch import launch

    if args.json:
        raise InputError("--json: give a command; the terminal program prints nothing")
    launch(bench_from_args(args))
    return 0


def bench_from_args(args: argparse.Namespace) -> LaunchOptions:
    """Return the bench that the command line describes.

    Raises:
        InputError: `--meter` is not a meter specification.
    """
    from benchtest.evidence.meter import DEFAULT_METER, Meter
    from benchtest.session.launch_options import LaunchOptions

    meter = Meter.parse(args.new_meter) if args.new_meter else DEFAULT_METER
    return LaunchOptions(
        bench_of(args),
        args.new_to,
        args.new_prop,
        meter,
        readings_from=args.new_readings_from,
        pins=tuple(args.new_pins),
        resume=args.go_on,
        go_on_to=args.go_on_to,
        points=not args.new_no_pointing,
        hands_free=not args.new_no_hands_free,
        speaks=args.new_say,
        enough=args.new_enough,
        settings=drive_settings(args, "new_"),
    )
