"""Rails joined by a resistance (solder, a pinched wire, water), and supplies at their limit.

Every pad is tried at a few resistances and limits of the supply. A short is a rank-one change of
the factored circuit; what the loads still draw, and how far the supply lowers its volts, follow
from the mean volts of the nodes, one number for each trial. No circuit is solved anew.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from benchtest.circuit.netlist import FloatArray
from benchtest.circuit.network import Circuit
from benchtest.prop.design import Design, Place, StrandEnd, rail_probe


def short_places(design: Design) -> list[Place]:
    """Places where rails may be joined: every bus pad, and strand ends that no bus has."""
    found: list[Place] = [pad for bus in design.buses for pad in bus.pads]
    ends = {end for link in design.links for end in (link.first, link.second)}
    ends |= {feed.at for feed in design.feeds if isinstance(feed.at, StrandEnd)}
    ends -= {end for bus in design.buses for end in bus.ends}
    return [*found, *sorted(ends)]


@dataclass(frozen=True)
class ShortEffects:
    """Effects of an ampere from + to - at each place, shape (places,) but for `x`.

    Attributes:
        places: where.
        x: volts of the unknowns, shape (unknowns, places). [V/A]
        own_ohm: volts at the place itself. [Ω]
        node_ohm: mean volts at the loaded nodes. [Ω]
    """

    places: tuple[Place, ...]
    x: FloatArray
    driving_point_ohm: FloatArray
    node_ohm: FloatArray


def short_effects(circuit: Circuit) -> ShortEffects:
    """Solve for an ampere at every place, by the factors of copper and joints alone."""
    places = short_places(circuit.design)
    across = circuit.probe_incidence([rail_probe(place) for place in places])
    x = circuit.factor.solve(across.columns())
    driving_point_ohm = np.einsum("uj,uj->j", across.columns(), x)
    return ShortEffects(
        tuple(places), x, driving_point_ohm, circuit.load_incidence.across(x).mean(axis=0)
    )
