"""Readings that a person could take next: what to light, and where to put the leads."""

from __future__ import annotations

from collections.abc import Callable, Sequence

from benchtest.circuit.wiring import FloatArray
from benchtest.prop.design import RAILS, Design, Point, Probe, StrandEnd, rail_probe
from benchtest.prop.joints import power_joints
from benchtest.prop.lit import Lit, everything
from benchtest.prop.names import places

MOST_PAIRED = 16
"""Pads of a bus up to which every pair is a probe; beyond, pairs 1, 4, 16 … apart."""
MOST_TRIED = 64
"""Lit sets that are tried at the most, where feeds cannot carry them all."""
MOST_ALONE = 12
"""Strands that are offered alone, the most suspected ones of a large prop."""


def reachable_probes(design: Design) -> list[Probe]:
    """Rail volts at every place, the drop across every power joint, millivolts along a bus."""
    found = [rail_probe(place) for place in places(design)]
    found += [joint.probe for joint in power_joints(design)]
    for bus in design.buses:
        pads = bus.pads
        steps = _steps(len(pads))
        for rail in RAILS:
            found += [
                Probe(Point(pads[first], rail), Point(pads[first + step], rail))
                for step in steps
                for first in range(len(pads) - step)
            ]
    return list(dict.fromkeys(found))


def _steps(pads: int) -> list[int]:
    if pads <= MOST_PAIRED:
        return list(range(1, pads))
    return sorted({*(4**power for power in range(pads.bit_length()) if 4**power < pads), pads - 1})


def lit_sets(design: Design, strand_weight: FloatArray) -> list[Lit]:
    """All, none, halves by the bits of the strand number, and strands alone.

    Args:
        design: the prop.
        strand_weight: probability that a fault touches each strand, shape (strands,).
    """
    numbers = [strand.number for strand in design.strands]
    found = [everything(design), Lit(frozenset())]
    for bit in range(max(1, (len(numbers) - 1).bit_length())):
        half = frozenset(n for n in numbers if (n - 1) >> bit & 1)
        found += [Lit(half), Lit(frozenset(numbers) - half)]
    likeliest = sorted(numbers, key=lambda n: (-strand_weight[n - 1], n))[:MOST_ALONE]
    found += [Lit(frozenset([number])) for number in sorted(likeliest)]
    return list(dict.fromkeys(found))


def permitted_sets(lits: Sequence[Lit], permitted: Callable[[Lit], bool]) -> list[Lit]:
    """Lit sets that feeds can carry; of one that they cannot, both its halves instead.

    Args:
        lits: what one would like to light.
        permitted: tells whether fuses and supplies can carry a lit set.
    """
    found: dict[Lit, None] = {}
    waiting = list(lits)
    for lit in waiting:  # grows while it is gone through
        if permitted(lit):
            found[lit] = None
        elif len(lit.strands) > 1 and len(waiting) < MOST_TRIED:
            numbers = sorted(lit.strands)
            waiting += [Lit(frozenset(numbers[::2])), Lit(frozenset(numbers[1::2]))]
    return list(found)


def board_of(probe: Probe) -> str:
    """What the red lead is on, for telling whether both leads must move to another board."""
    place = probe.red.place
    return place.end if isinstance(place, StrandEnd) else str(place).partition(":")[0]
