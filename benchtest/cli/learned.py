"""`diagnose --seen-before`: what other units of the bench say of this one."""

from __future__ import annotations

import argparse
from collections.abc import Iterator
from typing import TYPE_CHECKING, Any

from benchtest.cli.common import bench_of

if TYPE_CHECKING:
    from benchtest.diagnosis.learn import Learned
    from benchtest.prop.design import Design


def add_seen_before(parser: argparse.ArgumentParser) -> None:
    """Units to learn from."""
    parser.add_argument(
        "--seen-before",
        nargs="+",
        action="extend",
        default=[],
        metavar="UNIT",
        help="other units of this design on the bench: node current, wire and copper of their "
        "batch are learned from their readings",
    )


def learned_from(args: argparse.Namespace, design: Design) -> Learned:
    """What the units that were named say of this one.

    Raises:
        InputError: one is not on the bench, or is of another design.
    """
    from benchtest.diagnosis.learn import learn
    from benchtest.records.shelf import Shelf
    from benchtest.session.earlier import seen_unit

    with Shelf(bench_of(args)) as shelf:
        units = [seen_unit(shelf, tag, design) for tag in dict.fromkeys(args.seen_before)]
    return learn(design, units)


def learned_json(learned: Learned) -> dict[str, Any]:
    """For programs."""
    sure = learned.tolerances
    named = zip(("current", "wire", "copper"), learned.factors, strict=True)
    return {
        "taught": list(learned.taught),
        "left_out": [{"unit": left.tag, "why": left.why} for left in learned.left_out],
        "often": {where: round(times, 2) for where, times in learned.often.items()},
        "factors": {name: round(factor, 4) for name, factor in named},
        "sd": {name: round(getattr(sure, name), 4) for name in ("current", "wire", "copper")},
    }


def learned_words(learned: Learned) -> Iterator[str]:
    """For people."""
    current, wire, copper = learned.factors
    sure = learned.tolerances
    if learned.taught:
        yield (
            f"Learned from {', '.join(learned.taught)}, over the prop file's figures: node current "
            f"× {current:.2f} (± {sure.current:.0%}), wire × {wire:.2f} (± {sure.wire:.0%}), "
            f"board copper × {copper:.2f} (± {sure.copper:.0%})."
        )
    if learned.often:
        worst = sorted(learned.often, key=lambda where: (-learned.often[where], where))[:3]
        yield f"Mended in units of this design before, so suspected sooner: {', '.join(worst)}."
    for left in learned.left_out:
        yield f"Nothing learned from {left.tag}: {left.why}."
