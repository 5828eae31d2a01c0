"""`benchtest predict`: predicted volts at probes."""

from __future__ import annotations

import argparse
from collections.abc import Iterator
from typing import TYPE_CHECKING

from benchtest.cli.common import (
    Commands,
    add_circuit,
    design_of,
    joints_of,
    lit_of,
    print_json,
    print_table,
    probes_of,
    shorts_of,
)

if TYPE_CHECKING:
    from benchtest.circuit.prediction import Prediction
    from benchtest.prop.design import Design


def register(commands: Commands[argparse.ArgumentParser]) -> Iterator[argparse.ArgumentParser]:
    """Declare `predict` and its options."""
    parser = commands.add_parser(
        "predict",
        help="predicts the volts at probes",
        description="Predicts the volts of a healthy unit at probes while the given strands are "
        "lit, and the standard deviation among healthy units.",
    )
    add_circuit(parser)
    parser.set_defaults(run=run)
    yield parser


def run(args: argparse.Namespace) -> int:
    """Predict, and print the volts."""
    from benchtest.circuit.prediction import predict

    design = design_of(args)
    lit = lit_of(args, design)
    shorts = shorts_of(args, design)
    found = predict(design, lit, probes_of(args, design), joints_of(args), short_ohm=shorts)
    if args.json:
        print_json(found.as_json(design))
    else:
        _show(found, design)
        if shorts:
            where = ", ".join(map(str, shorts))
            print(
                f"With {where} shorted, these currents are limited by the wire alone; a fuse blows "
                "or a supply limits the current first."
            )
    return 0


def _show(found: Prediction, design: Design) -> None:
    lit = found.lit
    feeds = ", ".join(f"{name} {amps:.2f} A" for name, amps in found.feeds)
    node, volts = found.lowest_node
    print_table(
        f"{design.name}: lit {lit.text(design)}, {lit.colour} at {lit.level:g}",
        ["probe", ">volts", ">give or take"],
        [(str(row.probe), f"{row.volts:.4f}", f"{row.sd:.4f}") for row in found.probes],
        f"Feeds: {feeds}. Lowest node: {node} at {volts:.3f} V.",
    )
