"""Predicted volts at probes: the answer behind `benchtest predict`."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

from benchtest.circuit.network import Circuit
from benchtest.circuit.solution import solve
from benchtest.circuit.startup import require_start
from benchtest.circuit.tolerance import HAND_SOLDERED, Tolerances
from benchtest.circuit.tolerance_condensed import standard_deviation_v
from benchtest.prop.design import Design, NodeName, Probe, StrandEnd, rail_probe
from benchtest.prop.lit_set import LitSet


@dataclass(frozen=True, slots=True)
class PredictedVolts:
    """What a probe should read, and the standard deviation of what healthy units show. [V]"""

    probe: Probe
    volts: float
    sd: float


@dataclass(frozen=True, slots=True)
class Prediction:
    """What should be measured with given strands lit."""

    lit: LitSet
    feeds: tuple[tuple[str, float], ...]
    """Each feed's name and its current. [A]"""
    probes: tuple[PredictedVolts, ...]
    lowest_node: tuple[NodeName, float]
    """The node that sees least, and its volts. [V]"""

    def as_json(self, design: Design) -> dict[str, Any]:
        """The contract's JSON object."""
        node, volts = self.lowest_node
        return {
            "lit": self.lit.text(design),
            "level": self.lit.level,
            "colour": self.lit.colour,
            "feeds": [{"feed": name, "amps": round(amps, 4)} for name, amps in self.feeds],
            "probes": [
                {"probe": str(row.probe), "volts": round(row.volts, 6), "sd": round(row.sd, 6)}
                for row in self.probes
            ],
            "lowest_node": {"node": str(node), "volts": round(volts, 6)},
        }


def strand_end_probes(design: Design) -> list[Probe]:
    """The rail voltage at both ends of every strand."""
    ends = [StrandEnd(strand.number, "A") for strand in design.strands]
    return [rail_probe(place) for end in ends for place in (end, end.other)]


def predict(
    design: Design,
    lit: LitSet,
    probes: Sequence[Probe] = (),
    joint_ohm: Mapping[str, float] | None = None,
    tolerances: Tolerances = HAND_SOLDERED,
    short_ohm: Mapping[Probe, float] | None = None,
) -> Prediction:
    """Volts at probes with given strands lit.

    Args:
        design: the prop.
        lit: strands that are lit; the others are powered and dark.
        probes: what is read; every strand end when none is given.
        joint_ohm: resistance of joints that are not as designed. [Ω]
        tolerances: how far a healthy unit may be from its design.
        short_ohm: resistance between points that touch and should not, 0 and up. [Ω]

    Raises:
        NameFault: the prop has no such joint.
        CircuitFault: the circuit has no solution that can be given.
    """
    wanted = list(probes) or strand_end_probes(design)
    given = dict(joint_ohm or {})
    solution = solve(Circuit(design, given, short_ohm), lit.duty(design))
    require_start(solution)
    sd_v = standard_deviation_v(solution, wanted, tolerances, frozenset(given))
    shown = zip(wanted, solution.volts_at(wanted).tolist(), sd_v.tolist(), strict=True)
    rows = [PredictedVolts(probe, volts, sd) for probe, volts, sd in shown]
    return Prediction(lit, tuple(solution.feed_a.items()), tuple(rows), solution.lowest_node)
