"""`benchtest bridge`: the firmware of a USB bridge, installed or updated."""

from __future__ import annotations

import argparse
import sys
from collections.abc import Iterator

from benchtest.cli.common import Commands, print_json, whole


def register(commands: Commands[argparse.ArgumentParser]) -> Iterator[argparse.ArgumentParser]:
    """Declare `bridge` and its options."""
    parser = commands.add_parser(
        "bridge",
        help="puts the bridge's firmware onto a board, or updates it",
        description="Puts the firmware of the USB bridge onto a board, or updates it "
        "(hw_notes/bridge.md): a board with MicroPython, or an ATmega328P with its usual boot "
        "loader. Unplug the prop's data line first.",
    )
    parser.add_argument("action", choices=["install"], help="install")
    parser.add_argument("port", metavar="PORT", help="serial port of the board")
    parser.add_argument(
        "--chip",
        choices=["micropython", "atmega328p"],
        help="kind of board (default: found out)",
    )
    parser.add_argument(
        "--baud",
        type=whole,
        default=115_200,
        metavar="RATE",
        help="rate of an ATmega328P's boot loader; 57600 for older boards (default: 115200)",
    )
    parser.set_defaults(run=run)
    yield parser


def run(args: argparse.Namespace) -> int:
    """Install, with a line about each step on standard error."""
    from benchtest.drive.bridge.install import install

    device = args.port.removeprefix("serial:")
    board = install(
        device, lambda words: print(words, file=sys.stderr, flush=True), args.chip, args.baud
    )
    if args.json:
        print_json(
            {
                "port": device,
                "version": board.version,
                "max_nodes": board.max_nodes,
                "analog_inputs": board.analog_inputs,
            }
        )
    else:
        print(
            f"{device}: bridge ready, protocol {board.version}, up to {board.max_nodes} nodes, "
            f"{board.analog_inputs} analog inputs"
        )
    return 0
