"""Several faults at once, tried where no single one explains the evidence.

All pairs at all resistances would be a million circuits. Instead the likeliest single faults are
taken for given in turn and every other fault is weighed on top of each; then the resistances of
those that explain most are fitted to each other, one after the other, until none moves.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Protocol

import numpy as np

from benchtest.circuit.netlist import FloatArray
from benchtest.diagnosis.inference.conditional import View
from benchtest.diagnosis.inference.hypothesis import Part
from benchtest.diagnosis.inference.posterior import ONE_MORE_LOG, Posterior
from benchtest.diagnosis.model.fault_response import COLUMNS, GRID, STEP_LOG
from benchtest.diagnosis.model.faults import FaultSpace
from benchtest.diagnosis.partly import partly
from benchtest.diagnosis.solve_budget import BudgetSpent, SolveBudget


class Look(Protocol):
    """The evidence on the footing of some faults; raises `BudgetSpent` where that is too much."""

    budget: SolveBudget

    def __call__(self, parts: tuple[Part, ...], *, forced: bool = False) -> View: ...


MOST_TOGETHER = 3
"""Faults at once that are tried at the most."""
ANCHORS = 3
"""Likeliest explanations on top of which further faults are weighed."""
FITTED = 2
"""Further faults on each of them whose resistances are fitted."""
ROUNDS, STEPS = 2, 6
"""Times that resistances are fitted one by one, and all at once, at the most."""
LEAST_PRECISION = 0.25
"""Of the logarithm of a resistance before evidence: it is somewhere in the grid."""
SURE = 0.8
"""Probability from which a fault is taken for given in choosing the next reading."""
KEPT_LOG = 12.0
"""Explanations whose logarithm of weight is so far below the best are dropped."""


@dataclass(frozen=True)
class Together:
    """Faults that explain the evidence together.

    Attributes:
        parts: the faults; joints at the resistance that explains most.
        room: logarithm of their odds before evidence, over all resistances that do as well.
        log_weight: that, and the logarithm of the evidence's likelihood.
        grids: share of the weight at each resistance, by joint, shape (COLUMNS,) each.
    """

    parts: tuple[Part, ...]
    room: float
    log_weight: float
    grids: Mapping[str, FloatArray]

    @property
    def key(self) -> frozenset[tuple[str, str]]:
        """Two orders of the same faults are one explanation."""
        return frozenset((p.where, "joint" if p.chain < 0 else p.kind) for p in self.parts)


def together(look: Look) -> list[Together]:
    """Explanations of two faults and more, likeliest first.

    May spend what the budget leaves to its stage: first on what each of the likeliest single
    faults leaves unexplained, then on fitting the likeliest combinations.

    Args:
        look: the evidence on the footing of any faults.
    """
    found: dict[frozenset[tuple[str, str]], Together] = {}
    plain = look((), forced=True)
    footings = [part for _, part in plain.likeliest if plain.is_footing(part)][:ANCHORS]
    known = {(part.where, part.kind) for part in footings}
    footings += [part for part in partly(plain) if (part.where, part.kind) not in known]
    anchors = [one for part in footings if (one := _alone(look, part)) is not None]
    for _ in range(MOST_TOGETHER - 1):
        more: dict[frozenset[tuple[str, str]], Together] = {}
        for one in _on_top_of_all(look, anchors):
            if one.key not in more or one.log_weight > more[one.key].log_weight:
                more[one.key] = one
        found |= more
        anchors = _ranked(list(more.values()))[:ANCHORS]
        if not anchors or _is_explained(look, anchors[0].parts):
            break
    return _ranked(list(found.values()))


def _is_explained(look: Look, parts: tuple[Part, ...]) -> bool:
    """True where some faults explain the evidence, or nothing further can be tried."""
    try:
        return not look(parts).is_misfit(None)
    except BudgetSpent:
        return True


def _ranked(rows: list[Together]) -> list[Together]:
    ranked = sorted(rows, key=lambda row: -round(row.log_weight, 9))  # ties as they came
    return [row for row in ranked if row.log_weight > ranked[0].log_weight - KEPT_LOG]


def _alone(look: Look, part: Part) -> Together | None:
    """A single fault, as something to weigh others on top of; None where the budget is spent."""
    plain = look((), forced=True)
    try:
        likelihood = look((part,)).healthy
    except BudgetSpent:
        return None
    if part.chain >= 0:
        room = float(plain.odds[1][part.chain])
        return Together((part,), room, room + likelihood, {})
    row = plain.row(part.where)
    room = _width(row) + plain.odds_at(part)
    return Together((part,), room, room + likelihood, {part.where: shares_of(row)})


def _on_top_of_all(look: Look, anchors: list[Together]) -> list[Together]:
    """Every further fault on top of each anchor; the likeliest of each anchor fitted.

    Combinations are fitted in the order of their estimated weight, for the budget may not reach
    all of them.
    """
    estimates: list[list[Together]] = []
    asked: list[tuple[float, int, int]] = []
    for of, anchor in enumerate(anchors):
        if not look.budget.left:
            break
        try:
            promising = look(anchor.parts).promising
        except BudgetSpent:
            break
        room, rows = anchor.room + ONE_MORE_LOG, []
        for rank, (promise, weight, part) in enumerate(promising):
            parts = (*anchor.parts, part)
            rows.append(Together(parts, room, weight + room, _grids_of(anchor, part)))
            if rank < FITTED:
                asked.append((-round(promise + room, 9), of, rank))
        estimates.append(rows)
    fitted: dict[tuple[int, int], Together | None] = {}
    for _, of, rank in sorted(asked):
        try:
            fitted[of, rank] = _fitted(look, estimates[of][rank].parts)
        except BudgetSpent:
            break
    found: list[Together] = []
    for of, rows in enumerate(estimates):
        mine = [one for place in range(FITTED) if (one := fitted.get((of, place))) is not None]
        tried = any((of, place) in fitted for place in range(FITTED))
        rest = [one for rank, one in enumerate(rows) if fitted.get((of, rank)) is None]
        if mine:
            # what was only estimated counts where it is not said to explain more than what was
            # fitted
            most = max(one.log_weight for one in mine)
            found += _ranked([*mine, *(one for one in rest if one.log_weight < most)])
        elif rows and not tried:
            found += _ranked(rows)  # the budget did not reach this anchor: estimates stand
    return found


def _grids_of(anchor: Together, part: Part) -> dict[str, FloatArray]:
    """What is known of each one's resistance where the last was not fitted."""
    if part.chain >= 0:
        return dict(anchor.grids)
    grid = np.zeros(COLUMNS)
    grid[part.column] = 1.0
    return {**anchor.grids, part.where: grid}


def _fitted(look: Look, parts: tuple[Part, ...]) -> Together | None:
    """Joints among some faults, their resistances fitted to each other.

    None where one of them cuts another off, so that it has no current to show itself by.
    """
    found = _one_by_one(look, parts)
    if found is None:
        return None
    found = _all_at_once(look, found)
    rows: dict[str, FloatArray] = {}
    for part in found:
        if part.chain < 0:
            rows[part.where] = _others(look, found, part).row(part.where)
    plain = look((), forced=True)
    room = (len(found) - 1) * ONE_MORE_LOG + sum(plain.odds_at(part) for part in found)
    precision, _ = _normal_equations(look(found), found)
    room += sum(_width(row) for row in rows.values()) + _slant(precision)
    names = _resistive(found) if len(precision) else []  # marks alone say little of either
    wider = dict(zip(names, _hidden_variance(precision), strict=True))
    grids = {w: _blurred(shares_of(row), wider.get(w, 0.0)) for w, row in rows.items()}
    return Together(found, room, room + look(found).healthy, grids)


def _others(look: Look, parts: tuple[Part, ...], part: Part) -> View:
    return look(tuple(other for other in parts if other.where != part.where))


def _one_by_one(look: Look, parts: tuple[Part, ...]) -> tuple[Part, ...] | None:
    """Each joint's resistance fitted while the others stay."""
    fitted = parts
    for _ in range(ROUNDS):
        before = fitted
        for part in before:
            if part.chain >= 0:
                continue
            view = _others(look, fitted, part)
            if not view.carries(part.where):
                return None
            best = part.at(int(view.row(part.where).argmax()))
            fitted = tuple(best if other.where == part.where else other for other in fitted)
        if fitted == before:
            break
    return fitted


def _all_at_once(look: Look, parts: tuple[Part, ...]) -> tuple[Part, ...]:
    """Gauss and Newton's steps on all resistances: one by one they creep along a valley.

    Two joints are known by their ratio far better than each by itself, for the node current that
    runs through both is not known well.
    """
    best = parts
    for _ in range(STEPS):
        view = look(best)
        precision, pull = _normal_equations(view, best)
        if not len(pull):
            return best
        step = np.clip(np.linalg.solve(precision, pull), -1.0, 1.0) / STEP_LOG
        tried = _moved(best, step)
        if tried == best or look(tried).healthy <= view.healthy:
            tried = _moved(best, step / 2.0)
        if tried == best or look(tried).healthy <= view.healthy:
            return best
        best = tried
    return best


def _moved(parts: tuple[Part, ...], steps: FloatArray) -> tuple[Part, ...]:
    """Resistive joints moved along the grid."""
    left = iter(steps.tolist())
    return tuple(
        part.at(int(np.clip(round(part.column + next(left)), 0, GRID - 1)))
        if part.kind == "resistive"
        else part
        for part in parts
    )


def _normal_equations(view: View, parts: tuple[Part, ...]) -> tuple[FloatArray, FloatArray]:
    """Precision of the logarithms of the resistive joints' resistances, and the pull on them."""
    names = _resistive(parts)
    weigher = view.weigher
    if weigher is None or not names:
        return np.zeros((0, 0)), np.zeros(0)
    per_log_ohm = weigher.per_log_ohm(names)
    inverse = np.linalg.inv(weigher.healthy_covariance)
    off = weigher.values - weigher.healthy_mean()
    precision = per_log_ohm.T @ inverse @ per_log_ohm + LEAST_PRECISION * np.eye(len(names))
    return precision, per_log_ohm.T @ inverse @ off


def _slant(precision: FloatArray) -> float:
    """What widths taken one by one leave out where resistances are known by their ratio."""
    if len(precision) < 2:
        return 0.0
    return float(np.log(np.diag(precision)).sum() - np.linalg.slogdet(precision)[1]) / 2.0


def _hidden_variance(precision: FloatArray) -> list[float]:
    """Variance of each logarithm that is not seen while the others stay where they are."""
    if not len(precision):
        return []
    hidden = np.diag(np.linalg.inv(precision)) - 1.0 / np.diag(precision)
    return [float(one) for one in np.maximum(hidden, 0.0)]


def _blurred(shares: FloatArray, variance: float) -> FloatArray:
    """Shares of the grid, known less well by a variance of the logarithm; open stays as it is."""
    if variance < STEP_LOG**2 / 12.0 or not (shares[:GRID] > 0.0).any():
        return shares
    apart = (np.arange(GRID)[:, None] - np.arange(GRID)) * STEP_LOG
    spread = np.exp(-0.5 * apart**2 / variance)
    total = shares[:GRID].sum()
    blurred = spread @ (shares[:GRID] / spread.sum(axis=0))
    return np.append(blurred * (total / blurred.sum()), shares[GRID])


def _resistive(parts: tuple[Part, ...]) -> list[str]:
    return [part.where for part in parts if part.kind == "resistive"]


def _width(row: FloatArray) -> float:
    """Logarithm of how many steps of the grid do as well as the best."""
    return float(np.logaddexp.reduce(row) - row.max())


def shares_of(row: FloatArray) -> FloatArray:
    """Share of a joint's weight at each resistance, shape (COLUMNS,); see `View.row`."""
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
    share = float(np.exp(single.log_total - log_total))
    joints, chain = single.joints * share, single.chain * share
    place_of = {joint.name: place for place, joint in enumerate(space.joints)}
    for one in several:
        share = float(np.exp(one.log_weight - log_total))
        for part in one.parts:
            if part.chain >= 0:
                chain[part.chain] += share
            else:
                joints[place_of[part.where]] += share * one.grids[part.where]
    return Posterior(
        single.healthy * float(np.exp(single.log_total - log_total)), joints, chain, log_total
    )


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
