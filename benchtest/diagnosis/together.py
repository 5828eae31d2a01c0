"""Several faults at once, tried where no single one explains the evidence.

All pairs at all resistances would be a million circuits. Instead the likeliest single faults are
taken for given in turn and every other fault is weighed on top of each; then the resistances of
those that explain most are fitted to each other, one after the other, until none moves.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass, replace

import numpy as np

from benchtest.circuit.wiring import FloatArray
from benchtest.diagnosis.faults import FaultSpace
from benchtest.diagnosis.part import Part
from benchtest.diagnosis.posterior import Posterior
from benchtest.diagnosis.response import COLUMNS
from benchtest.diagnosis.view import View

Look = Callable[[tuple[Part, ...]], View]
"""The evidence on the footing of some faults."""

MOST_TOGETHER = 3
"""Faults at once that are tried at the most."""
ANCHORS = 3
"""Likeliest explanations on top of which further faults are weighed."""
FITTED = 3
"""Further faults on each of them whose resistances are fitted."""
ROUNDS = 4
"""Times that resistances are fitted to each other at the most."""
SURE = 0.8
"""Probability from which a fault is taken for given in choosing the next reading."""
KEPT_LOG = 12.0
"""Explanations whose logarithm of weight is so far below the best are dropped."""


@dataclass(frozen=True)
class Together:
    """Faults that explain the evidence together.

    Attributes:
        parts: the faults; joints at the resistance that explains most.
        log_weight: logarithm of odds before evidence times likelihood, summed over resistances.
        grids: share of that weight at each resistance, by joint, shape (COLUMNS,) each.
    """

    parts: tuple[Part, ...]
    log_weight: float
    grids: Mapping[str, FloatArray]

    @property
    def key(self) -> frozenset[tuple[str, str]]:
        """Two orders of the same faults are one explanation."""
        return frozenset((p.where, "joint" if p.chain < 0 else p.kind) for p in self.parts)


def together(look: Look) -> list[Together]:
    """Explanations of two faults and more, likeliest first.

    Args:
        look: the evidence on the footing of any faults.
    """
    found: dict[frozenset[tuple[str, str]], Together] = {}
    plain = look(())
    anchors = []
    for weight, part in plain.likeliest[:ANCHORS]:
        grids = {part.where: _shares(plain.row(part.where))} if part.chain < 0 else {}
        anchors.append(Together((part,), weight, grids))
    for _ in range(MOST_TOGETHER - 1):
        more: dict[frozenset[tuple[str, str]], Together] = {}
        for anchor in anchors:
            for one in _on_top(look, anchor):
                if one.key not in more or one.log_weight > more[one.key].log_weight:
                    more[one.key] = one
        found |= more
        anchors = _ranked(list(more.values()))[:ANCHORS]
        if not anchors or not _leaves_more(look, anchors[0]):
            break
    return _ranked(list(found.values()))


def _ranked(rows: list[Together]) -> list[Together]:
    ranked = sorted(rows, key=lambda row: -row.log_weight)
    return [row for row in ranked if row.log_weight > ranked[0].log_weight - KEPT_LOG]


def _leaves_more(look: Look, best: Together) -> bool:
    """True where even these leave evidence unexplained."""
    return look(best.parts).is_misfit(None)


def _on_top(look: Look, anchor: Together) -> list[Together]:
    """Every further fault on top of some, the likeliest of them fitted."""
    view = look(anchor.parts)
    # what the given ones' odds and ranges of resistance weigh, over their likelihood at the best
    given = anchor.log_weight - view.healthy
    found = []
    for rank, (weight, part) in enumerate(view.promising):
        parts = (*anchor.parts, part)
        if rank < FITTED and (one := _fitted(look, parts)) is not None:
            found.append(one)
        else:
            found.append(Together(parts, weight + given, dict(anchor.grids)))
    return [_with_grids(one, view) for one in _ranked(found)] if found else []


def _with_grids(one: Together, view: View) -> Together:
    """What is known of the last one's resistance where that was not fitted."""
    part = one.parts[-1]
    if part.chain >= 0 or part.where in one.grids:
        return one
    return replace(one, grids={**one.grids, part.where: _point(part)})


def _point(part: Part) -> FloatArray:
    grid = np.zeros(COLUMNS)
    grid[part.column] = 1.0
    return grid


def _fitted(look: Look, parts: tuple[Part, ...]) -> Together | None:
    """Joints among some faults, the resistance of each fitted while the others stay.

    None where one of them cuts another off, so that it has no current to show itself by.
    """
    fitted = list(parts)
    joints = [place for place, part in enumerate(parts) if part.chain < 0]
    rows: dict[int, FloatArray] = {}
    for _ in range(ROUNDS):
        before = tuple(fitted)
        for place in joints:
            view = look(tuple(part for at, part in enumerate(fitted) if at != place))
            if not view.carries(fitted[place].where):
                return None
            rows[place] = view.row(fitted[place].where)
            fitted[place] = fitted[place].at(int(rows[place].argmax()))
        if len(joints) < 2 or tuple(fitted) == before:
            break
    grids = {parts[place].where: _shares(row) for place, row in rows.items()}
    return Together(tuple(fitted), _weight(look, tuple(fitted), list(rows.values())), grids)


def _weight(look: Look, parts: tuple[Part, ...], rows: list[FloatArray]) -> float:
    """Sum over all resistances, each joint's range taken as wide as it is while the others stay."""
    plain = look(())
    total = sum(float(plain.odds[1][part.chain]) for part in parts if part.chain >= 0)
    likelihood = look(parts).healthy
    if not rows:
        return total + likelihood
    # every row counts the likelihood at the best: all but one of them once too often
    total += sum(float(np.logaddexp.reduce(row)) for row in rows)
    return total - (len(rows) - 1) * likelihood


def _shares(row: FloatArray) -> FloatArray:
    return np.asarray(np.exp(row - np.logaddexp.reduce(row)))


def several_posterior(single: Posterior, space: FaultSpace, several: list[Together]) -> Posterior:
    """Probability of each fault, whatever else is wrong.

    Args:
        single: of nothing and of every single fault.
        space: every single fault.
        several: explanations by more than one.

    Returns:
        Parts that need not sum to 1: of two faults at once both may be certain.
    """
    if not several:
        return single
    log_total = float(np.logaddexp.reduce([single.log_total, *(t.log_weight for t in several)]))
    alone = float(np.exp(single.log_total - log_total))
    joints, chain = single.joints * alone, single.chain * alone
    place_of = {joint.name: place for place, joint in enumerate(space.joints)}
    for one in several:
        share = float(np.exp(one.log_weight - log_total))
        for part in one.parts:
            if part.chain >= 0:
                chain[part.chain] += share
            else:
                joints[place_of[part.where]] += share * one.grids[part.where]
    return Posterior(single.healthy * alone, joints, chain, log_total)


def sure_parts(several: list[Together], found: Posterior, space: FaultSpace) -> tuple[Part, ...]:
    """Faults to take for given in choosing what to read next.

    None while a single fault may explain everything; of several, those that are sure, or the
    likeliest of them.
    """
    weights = [one.log_weight for one in several]
    if not several or np.logaddexp.reduce(weights) < found.log_total - np.log(2.0):
        return ()
    place_of = {joint.name: place for place, joint in enumerate(space.joints)}

    def probability(part: Part) -> float:
        if part.chain >= 0:
            return float(found.chain[part.chain])
        return float(found.joints[place_of[part.where]].sum())

    ranked = sorted(several[0].parts, key=lambda part: (-probability(part), part.where))
    sure = tuple(part for part in ranked if probability(part) >= SURE)
    return sure or tuple(ranked[:1])
