"""Lit set under which the drop across a suspected joint is largest."""

from __future__ import annotations

from collections.abc import Callable, Sequence

from benchtest.diagnosis.model.fault_response import GRID_OHM, DesignResponse
from benchtest.diagnosis.planning.candidates import ReadingRequest
from benchtest.diagnosis.thresholds import MIN_DROP_V
from benchtest.errors import CircuitFault
from benchtest.prop.lit_set import LitSet, all_lit

MIN_DROP_RATIO = 1.02
"""Ratio of drops from which a later lit set replaces an earlier one with less light."""
MIN_REMAINING_SHARE = 1e-9
"""Least denominator of the drop; it is zero for an open joint without another path."""


def joint_drop_reading(
    responses: DesignResponse,
    permitted: Callable[[LitSet], bool],
    where: str,
    ohm: float | None,
    taken: Sequence[LitSet],
) -> ReadingRequest | None:
    """Return the lit set and probe of the largest drop across a suspected joint.

    The drop of a joint at resistance `R` is `a·x / (1 + (1/R - 1/R0)·aᵀZa)`, with `a·x` the healthy
    drop, `R0` the healthy resistance and `aᵀZa` the driving-point resistance of the joint
    (Sherman-Morrison).

    Args:
        responses: the design without faults.
        permitted: returns whether fuses and supplies carry a lit set.
        where: the suspected place.
        ohm: its resistance; None if it is open. [Ω]
        taken: lit sets of earlier readings, which are tried after the joint's own strands alone
            and before all strands.

    Returns:
        None if the suspect is no reachable power joint, or its drop is below `MIN_DROP_V`.
    """
    names = [joint.name for joint in responses.space.joints]
    if where not in names:
        return None
    place = names.index(where)
    joint = responses.space.joints[place]
    if joint.is_fuse:
        return None
    # in order of light: the first of equals has the least
    lits = [*(LitSet(frozenset([one])) for one in joint.strands), *taken, all_lit(responses.design)]
    best: ReadingRequest | None = None
    most_v = MIN_DROP_V
    for lit in dict.fromkeys(lits):
        if not permitted(lit):
            continue
        shown_v = _drop_v(responses, lit, place, float(GRID_OHM[-1]) if ohm is None else ohm)
        if shown_v > MIN_DROP_RATIO * most_v:
            best, most_v = (lit, joint.probe), shown_v
    return best


def _drop_v(responses: DesignResponse, lit: LitSet, place: int, ohm: float) -> float:
    """Return the drop across a joint of that resistance, 0 if the lit set has no solution. [V]"""
    try:
        base = responses.base(lit)
    except CircuitFault:
        return 0.0
    healthy_ohm = responses.space.joints[place].ohm
    remains = 1.0 + (1.0 / ohm - 1.0 / healthy_ohm) * float(base.driving_point_ohm[place])
    return abs(float(base.across_v[place])) / max(remains, MIN_REMAINING_SHARE)
