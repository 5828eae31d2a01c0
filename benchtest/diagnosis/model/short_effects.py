"""Places where the rails may be shorted, and the circuit's response to a current there."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from benchtest.circuit.netlist import FloatArray
from benchtest.circuit.network import Circuit
from benchtest.prop.design import Design, Place, StrandEnd, rail_probe


def short_places(design: Design) -> list[Place]:
    """Return the places where a short is tried.

    Every bus pad, and the ends of links and feeds that are on no bus.
    """
    found: list[Place] = [pad for bus in design.buses for pad in bus.pads]
    ends = {end for link in design.links for end in (link.first, link.second)}
    ends |= {feed.at for feed in design.feeds if isinstance(feed.at, StrandEnd)}
    ends -= {end for bus in design.buses for end in bus.ends}
    return [*found, *sorted(ends)]


@dataclass(frozen=True)
class ShortEffects:
    """Response to a current of one ampere drawn from + to - at each place.

    Attributes:
        places: where it is drawn.
        x: voltage of the unknowns, shape (unknowns, places). [V/A]
        driving_point_ohm: voltage at the place itself, shape (places,). [Ω]
        node_ohm: mean voltage at the loaded nodes, shape (places,). [Ω]
    """

    places: tuple[Place, ...]
    x: FloatArray
    driving_point_ohm: FloatArray
    node_ohm: FloatArray


def short_effects(circuit: Circuit) -> ShortEffects:
    """Return the response to a current at every place, with the circuit's own factorization.

    The loads count as constant currents: only copper and joints are in the factor.
    """
    places = short_places(circuit.design)
    across = circuit.probe_incidence([rail_probe(place) for place in places])
    x = circuit.factor.solve(across.columns())
    driving_point_ohm = np.einsum("uj,uj->j", across.columns(), x)
    return ShortEffects(
        tuple(places), x, driving_point_ohm, circuit.load_incidence.across(x).mean(axis=0)
    )
