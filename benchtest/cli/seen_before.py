"""`diagnose --seen-before`: what other units of the bench say of this one."""

from __future__ import annotations

import argparse
from collections.abc import Iterator, Mapping
from dataclasses import replace
from typing import TYPE_CHECKING, Any

from benchtest.cli.common import bench_of

if TYPE_CHECKING:
    from benchtest.diagnosis import Engine, Finding
    from benchtest.diagnosis.batch.learn import Learned
    from benchtest.prop.design import Design


CLEARED = 0.9
"""A unit so likely healthy has readings that teach."""
LEAST_LEARNED = 0.95
"""A supply is told of where its tolerance has become so much less."""


def add_seen_before(parser: argparse.ArgumentParser) -> None:
    """Units to learn from."""
    parser.add_argument(
        "--seen-before",
        nargs="+",
        action="extend",
        default=[],
        metavar="UNIT",
        help="other units of this design on the bench: node current, wire, copper and supply of "
        "their batch are learned from their readings, and how many joints are bad",
    )


def learn_from_units(args: argparse.Namespace, design: Design) -> Learned:
    """What the units that were named say of this one.

    Raises:
        InputError: one is not on the bench, or is of another design.
    """
    from benchtest.diagnosis.batch.learn import learn
    from benchtest.records.shelf import Shelf
    from benchtest.session.report.unit_readings import seen_unit

    with Shelf(bench_of(args)) as shelf:
        units = [seen_unit(shelf, tag, design) for tag in dict.fromkeys(args.seen_before)]
    return learn(design, units)


def engine_of(design: Design, learned: Learned, supply_v: Mapping[str, float]) -> Engine:
    """What diagnoses this unit with what the others taught.

    Args:
        design: as its file has it.
        learned: of the others.
        supply_v: volts that this unit's supplies were measured at, by feed.
    """
    from benchtest.diagnosis.batch.learn import taught_engine

    mine = replace(learned, design=learned.design.with_supply_volts(supply_v))
    return taught_engine(design.with_supply_volts(supply_v), mine)


def batch_json(learned: Learned) -> dict[str, Any]:
    """For programs."""
    sure = learned.tolerances
    named = zip(("current", "wire", "copper"), learned.factors, strict=True)
    return {
        "taught": list(learned.taught),
        "left_out": [{"unit": left.tag, "why": left.why} for left in learned.left_out],
        "often": {where: round(times, 2) for where, times in learned.often.items()},
        "factors": {name: round(factor, 4) for name, factor in named},
        "sd": {name: round(getattr(sure, name), 4) for name in ("current", "wire", "copper")},
        "supply": {"factor": round(learned.supply, 4), "sd": round(sure.supply, 4)},
        "bad_joints": round(_times(learned), 3),
    }


def _times(learned: Learned) -> float:
    """Odds of a bad joint over the usual."""
    from benchtest.diagnosis.model.faults import Priors

    return learned.priors.resistive / Priors().resistive


def batch_summary(learned: Learned) -> Iterator[str]:
    """For people."""
    if learned.taught:
        yield (
            f"Learned from {', '.join(learned.taught)}, over the prop file's figures: "
            f"{', '.join(_figures(learned))}. If readings say that this unit is not like them, it "
            "is judged as if it were the first."
        )
    times = _times(learned)
    if round(times, 2) != 1.0:
        why = "were good" if times < 1.0 else "were bad more often than usual"
        yield f"Joints of those units {why}: a bad one is {times:.2f} times as likely as usual."
    if learned.often:
        worst = sorted(learned.often, key=lambda where: (-learned.often[where], where))[:3]
        yield f"Mended in units of this design before, so suspected sooner: {', '.join(worst)}."
    for left in learned.left_out:
        yield f"Nothing learned from {left.tag}: {left.why}."


def _figures(learned: Learned) -> Iterator[str]:
    """What is known of the batch, and how surely: node current × 1.10 (± 3 %)."""
    from benchtest.circuit.tolerance import HAND_SOLDERED

    sure, design = learned.tolerances, learned.design
    known = dict(zip(("node current", "wire", "board copper"), learned.factors, strict=True))
    sd = dict(zip(known, (sure.current, sure.wire, sure.copper), strict=True))
    if not any(bus.copper.board for bus in design.buses):
        del known["board copper"]
    for name, factor in known.items():
        yield f"{name} × {factor:.2f} (± {sd[name]:.0%})"
    if sure.supply < LEAST_LEARNED * HAND_SOLDERED.supply:
        yield f"supply × {learned.supply:.3f} (± {sure.supply:.1%})"


def batch_advice(learned: Learned, found: Finding) -> Iterator[str]:
    """What to read of a unit that was cleared, for the sake of the units after it."""
    from benchtest.diagnosis.planning.batch_readings import teaching_readings

    if not found.next.settled or found.healthy < CLEARED:
        return
    readings, design = [row.reading for row in found.readings], learned.design
    asks = teaching_readings(design, readings, tolerances=learned.tolerances)
    if asks:
        shown = "; ".join(f"{lit.text(design)}, {probe}" for lit, probe in asks)
        yield f"For the units after it these readings tell most, and amperes by a clamp: {shown}."
