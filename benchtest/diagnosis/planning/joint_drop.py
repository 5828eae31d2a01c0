"""The drop across a suspected joint: under which lit set it shows most."""

from __future__ import annotations

from collections.abc import Callable, Sequence

from benchtest.diagnosis.model.fault_response import GRID_OHM, DesignResponse
from benchtest.errors import CircuitFault
from benchtest.prop.design import Probe
from benchtest.prop.lit_set import LitSet, all_lit

MIN_DROP_V = 3e-4
"""A drop that would be less than this is not asked for: hand meters show tenths of a millivolt."""


def joint_drop_reading(
    responses: DesignResponse,
    permitted: Callable[[LitSet], bool],
    where: str,
    ohm: float | None,
    taken: Sequence[LitSet],
) -> tuple[LitSet, Probe] | None:
    """Return the lit set and probe whose reading shows a suspected joint's own drop best.

    The drop of joint `j` at resistance `R` is `a·x / (1 + (1/R - 1/R0)·aᵀZa)`, the healthy drop
    over what the changed conductance makes of it (Sherman-Morrison).

    Args:
        responses: the design without faults.
        permitted: returns whether fuses and supplies carry a lit set.
        where: what is to be repaired.
        ohm: its resistance; None where it is open. [Ω]
        taken: lit sets that were read under; all strands, and its strand alone, are tried too.

    Returns:
        None where the suspect is not a power joint that leads reach, or its drop would not show.
    """
    names = [joint.name for joint in responses.space.joints]
    if where not in names:
        return None
    place = names.index(where)
    joint = responses.space.joints[place]
    if joint.is_fuse:
        return None
    # of lit sets that show as much the one with the least light
    lits = [*(LitSet(frozenset([one])) for one in joint.strands), *taken, all_lit(responses.design)]
    best: tuple[LitSet, Probe] | None = None
    most_v = MIN_DROP_V
    for lit in dict.fromkeys(lits):
        if not permitted(lit):
            continue
        shown_v = _drop_v(responses, lit, place, float(GRID_OHM[-1]) if ohm is None else ohm)
        if shown_v > 1.02 * most_v:  # of two as good the earlier
            best, most_v = (lit, joint.probe), shown_v
    return best


def _drop_v(responses: DesignResponse, lit: LitSet, place: int, ohm: float) -> float:
    """Return how much a joint of that resistance drops, 0 where the prop may not be lit so. [V]"""
    try:
        base = responses.base(lit)
    except CircuitFault:
        return 0.0
    healthy_ohm = responses.space.joints[place].ohm
    remains = 1.0 + (1.0 / ohm - 1.0 / healthy_ohm) * float(base.driving_point_ohm[place])
    return abs(float(base.across_v[place])) / max(remains, 1e-9)
