"""Predicted volts at probes, with the spread of healthy units."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

from benchtest.circuit.network import Circuit
from benchtest.circuit.solution import require_start, solve
from benchtest.circuit.tolerance import HAND_SOLDERED, Tolerances
from benchtest.circuit.tolerance_condensed import standard_deviation_v
from benchtest.prop.design import Design, NodeName, Probe, StrandEnd, rail_probe
from benchtest.prop.lit_set import LitSet


@dataclass(frozen=True, slots=True)
class PredictedVolts:
    """Predicted reading of a probe."""

    probe: Probe
    volts: float
    """Reading of a unit exactly as designed. [V]"""
    sd: float
    """Standard deviation across healthy units. [V]"""


@dataclass(frozen=True, slots=True)
class Prediction:
    """Predicted readings with given strands lit."""

    lit: LitSet
    feeds: tuple[tuple[str, float], ...]
    """Name and current of each feed. [A]"""
    probes: tuple[PredictedVolts, ...]
    lowest_node: tuple[NodeName, float]
    """The node with the lowest supply, and its volts. [V]"""

    def as_json(self, design: Design) -> dict[str, Any]:
        """Return the JSON object of `benchtest predict --json`."""
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
    """Return the probes for the rail voltage at both ends of every strand."""
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
    """Predict the volts at probes with given strands lit.

    Args:
        design: the prop.
        lit: strands that are lit; the others are powered and dark.
        probes: the probes; every strand end when none is given.
        joint_ohm: resistance of joints that are not as designed, by name. [Ω]
        tolerances: deviation of healthy units from the design.
        short_ohm: resistance of shorts between two points, 0 or more. [Ω]

    Returns:
        Volts with their standard deviation. [V]

    Raises:
        NameFault: the prop has no such joint.
        CircuitFault: the circuit has no usable solution.

    Source: nodal analysis; standard deviations by first-order sensitivities, see
    `benchtest.circuit.tolerance`.
    """
    wanted = list(probes) or strand_end_probes(design)
    given = dict(joint_ohm or {})
    solution = solve(Circuit(design, given, short_ohm), lit.duty(design))
    require_start(solution)
    sd_v = standard_deviation_v(solution, wanted, tolerances, frozenset(given))
    shown = zip(wanted, solution.volts_at(wanted).tolist(), sd_v.tolist(), strict=True)
    rows = [PredictedVolts(probe, volts, sd) for probe, volts, sd in shown]
    return Prediction(lit, tuple(solution.feed_a.items()), tuple(rows), solution.lowest_node)
