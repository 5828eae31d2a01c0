"""The drop across a suspected joint: under which lit set it shows most."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

from benchtest.diagnosis.engine import Engine
from benchtest.diagnosis.finding import Finding, Suspect
from benchtest.diagnosis.model.fault_response import GRID_OHM
from benchtest.errors import CircuitFault
from benchtest.evidence.readings import Reading
from benchtest.prop.design import Probe
from benchtest.prop.lit_set import Lit, everything

MIN_DROP_V = 3e-4
"""A drop that would be less than this is not asked for: hand meters show tenths of a millivolt."""


def own_drop(engine: Engine, suspect: Suspect, taken: Sequence[Lit]) -> tuple[Lit, Probe] | None:
    """Return the lit set and probe whose reading shows a suspected joint's own drop best.

    The drop of joint `j` at resistance `R` is `a·x / (1 + (1/R - 1/R0)·aᵀZa)`, the healthy drop
    over what the changed conductance makes of it (Sherman-Morrison).

    Args:
        engine: of the design.
        suspect: what is to be repaired.
        taken: lit sets that were read under; all strands, and its strand alone, are tried too.

    Returns:
        None where the suspect is no power joint that leads reach, or its drop would not show.
    """
    names = [joint.name for joint in engine.space.joints]
    if suspect.fault not in ("resistive", "open") or suspect.where not in names:
        return None
    place = names.index(suspect.where)
    joint = engine.space.joints[place]
    if joint.is_fuse:
        return None
    # of lit sets that show as much the one with the least light
    lits = [*(Lit(frozenset([one])) for one in joint.strands), *taken, everything(engine.design)]
    ohm = suspect.ohms.best if suspect.ohms is not None else float(GRID_OHM[-1])
    best: tuple[Lit, Probe] | None = None
    most_v = MIN_DROP_V
    for lit in dict.fromkeys(lits):
        shown_v = _drop_v(engine, lit, place, ohm)
        if shown_v > 1.02 * most_v:  # of two as good the earlier
            best, most_v = (lit, joint.probe), shown_v
    return best


def with_drop_next(engine: Engine, finding: Finding, readings: Sequence[Reading]) -> Finding:
    """Return a finding that asks for a named joint's own drop before it is settled.

    Rail volts only infer a joint; three times in four a joint that was named wrongly had never been
    read itself, and that reading takes ten seconds where the iron takes a minute.

    Args:
        engine: of the design.
        finding: of the readings.
        readings: taken so far.
    """
    top = max(finding.suspects, key=lambda one: one.probability, default=None)
    if top is None or not finding.next.settled or finding.healthy >= 0.5:
        return finding
    asked = own_drop(engine, top, [reading.lit for reading in readings])
    if asked is None or any(one.probe.points == asked[1].points for one in readings):
        return finding
    return replace(finding, next=replace(finding.next, lit=asked[0], probe=asked[1], settled=False))


def _drop_v(engine: Engine, lit: Lit, place: int, ohm: float) -> float:
    """Return how much a joint of that resistance drops, 0 where the prop may not be lit so. [V]"""
    try:
        if not engine.permitted(lit):
            return 0.0
        base = engine.responses.base(lit)
    except CircuitFault:
        return 0.0
    healthy_ohm = engine.space.joints[place].ohm
    remains = 1.0 + (1.0 / ohm - 1.0 / healthy_ohm) * float(base.own_ohm[place])
    return abs(float(base.across_v[place])) / max(remains, 1e-9)
