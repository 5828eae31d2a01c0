"""`diagnose --seen-before`: figures of the batch, learned from other units of the design."""

from __future__ import annotations

import argparse
from collections.abc import Iterator, Mapping
from dataclasses import replace
from typing import TYPE_CHECKING, Any

from benchtest.cli.common import bench_of

if TYPE_CHECKING:
    from benchtest.diagnosis import Engine, Finding
    from benchtest.diagnosis.batch import BatchKnowledge
    from benchtest.prop.design import Design


MIN_HEALTHY_PROBABILITY = 0.9
"""Further readings of a unit are suggested for the batch if it is at least this likely healthy."""
MAX_SUPPLY_SD_RATIO = 0.95
"""The supply is listed if its learned standard deviation is below this share of the usual one."""


def add_seen_before(parser: argparse.ArgumentParser) -> None:
    """Add the units to learn from."""
    parser.add_argument(
        "--seen-before",
        nargs="+",
        action="extend",
        default=[],
        metavar="UNIT",
        help="other units of this design on the bench; their readings and repairs show the node "
        "current, wire, copper and supply of the batch, and the rate of bad joints",
    )


def learn_from_units(args: argparse.Namespace, design: Design) -> BatchKnowledge:
    """Learn the figures of the batch from the units that the command line names.

    Raises:
        InputError: a unit is not on the bench, or has another design.
    """
    from benchtest.diagnosis.batch import learn
    from benchtest.records.shelf import Shelf
    from benchtest.session.report.unit_history import last_unit_readings

    with Shelf(bench_of(args)) as shelf:
        units = [last_unit_readings(shelf, tag, design) for tag in dict.fromkeys(args.seen_before)]
    return learn(design, units)


def engine_of(design: Design, learned: BatchKnowledge, supply_v: Mapping[str, float]) -> Engine:
    """Return an engine for this unit that uses the figures of its batch.

    Args:
        design: design of the prop file.
        learned: figures of the batch.
        supply_v: measured volts of this unit's supplies, by feed. [V]
    """
    from benchtest.diagnosis.engine import engine_for

    mine = replace(learned, design=learned.design.with_supply_volts(supply_v))
    return engine_for(design.with_supply_volts(supply_v), mine)


def batch_json(learned: BatchKnowledge) -> dict[str, Any]:
    """Return the figures of the batch as JSON."""
    tolerances = learned.tolerances
    named = zip(("current", "wire", "copper"), learned.factors, strict=True)
    return {
        "taught": list(learned.learned_from),
        "left_out": [{"unit": left.tag, "why": left.reason} for left in learned.unused],
        "often": {where: round(times, 2) for where, times in learned.rate_factors.items()},
        "factors": {name: round(factor, 4) for name, factor in named},
        "sd": {name: round(getattr(tolerances, name), 4) for name in ("current", "wire", "copper")},
        "supply": {"factor": round(learned.supply, 4), "sd": round(tolerances.supply, 4)},
        "bad_joints": round(_bad_joint_ratio(learned), 3),
    }


def _bad_joint_ratio(learned: BatchKnowledge) -> float:
    """Return the prior odds of a bad joint, divided by the usual odds."""
    from benchtest.diagnosis.model.faults import Priors

    return learned.priors.resistive / Priors().resistive


def batch_summary(learned: BatchKnowledge) -> Iterator[str]:
    """Yield sentences about the batch."""
    if learned.learned_from:
        yield (
            f"Learned from {', '.join(learned.learned_from)}, relative to the prop file: "
            f"{', '.join(_figures(learned))}. If the readings show that this unit differs, the "
            "prop file's figures are used."
        )
    ratio = _bad_joint_ratio(learned)
    if round(ratio, 2) != 1.0:
        why = "were good" if ratio < 1.0 else "were bad more often than usual"
        yield f"Joints of those units {why}: a bad one is {ratio:.2f} times as likely as usual."
    if learned.rate_factors:
        worst = sorted(
            learned.rate_factors, key=lambda where: (-learned.rate_factors[where], where)
        )[:3]
        yield f"Repaired in other units of this design, so more probable here: {', '.join(worst)}."
    for left in learned.unused:
        yield f"Nothing learned from {left.tag}: {left.reason}."


def _figures(learned: BatchKnowledge) -> Iterator[str]:
    """Yield figures of the batch with their uncertainty, such as `node current × 1.10 (± 3 %)`."""
    from benchtest.circuit.tolerance import HAND_SOLDERED

    tolerances, design = learned.tolerances, learned.design
    factors = dict(zip(("node current", "wire", "board copper"), learned.factors, strict=True))
    sds = (tolerances.current, tolerances.wire, tolerances.copper)
    sd = dict(zip(factors, sds, strict=True))
    if not any(bus.copper.board for bus in design.buses):
        del factors["board copper"]
    for name, factor in factors.items():
        yield f"{name} × {factor:.2f} (± {sd[name]:.0%})"
    if tolerances.supply < MAX_SUPPLY_SD_RATIO * HAND_SOLDERED.supply:
        yield f"supply × {learned.supply:.3f} (± {tolerances.supply:.1%})"


def batch_advice(learned: BatchKnowledge, found: Finding) -> Iterator[str]:
    """Yield the readings of a healthy unit that help most to diagnose later units."""
    from benchtest.diagnosis.planning.batch_readings import batch_calibration_readings

    if not found.next.settled or found.healthy < MIN_HEALTHY_PROBABILITY:
        return
    readings, design = [row.reading for row in found.readings], learned.design
    asks = batch_calibration_readings(design, readings, tolerances=learned.tolerances)
    if asks:
        shown = "; ".join(f"{lit.text(design)}, {probe}" for lit, probe in asks)
        yield f"To learn more for later units, read {shown}, and the feed currents with a clamp."
