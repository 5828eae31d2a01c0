"""`benchtest netlist`: the circuit as a SPICE deck."""

from __future__ import annotations

import argparse
import sys
from collections.abc import Iterator

from benchtest.cli.common import (
    Commands,
    add_circuit,
    design_of,
    joints_of,
    lit_of,
    print_json,
    probes_of,
    shorts_of,
)


def register(commands: Commands[argparse.ArgumentParser]) -> Iterator[argparse.ArgumentParser]:
    """Declare `netlist` and its options."""
    parser = commands.add_parser(
        "netlist",
        help="prints the circuit as a SPICE deck",
        description="Prints the circuit as a SPICE deck for `ngspice -b`, which prints one line "
        "per probe.",
    )
    add_circuit(parser)
    parser.set_defaults(run=run)
    yield parser


def run(args: argparse.Namespace) -> int:
    """Print the deck."""
    from benchtest.circuit.spice import spice_deck

    design = design_of(args)
    duty = lit_of(args, design).duty(design)
    probes, shorts = probes_of(args, design), shorts_of(args, design)
    deck = spice_deck(design, duty, joints_of(args), probes, shorts)
    if args.json:
        print_json({"deck": deck})
    else:
        sys.stdout.write(deck)
    return 0
