"""Several faults at once, tried where no single one explains the evidence.

All pairs at all resistances would be a million circuits. Instead the likeliest single faults are
taken for given in turn and every other fault is weighed on top of each; then the resistances of
those that explain most are fitted together. A fit costs a few circuits, and only the best
combinations are weighed at every resistance of each of their joints.

The two joints of one strand end are alike to any reading between the rails. Such twins are tried
once, and each combination then stands for those with one twin in place of the other.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from contextlib import suppress
from dataclasses import dataclass, replace
from itertools import product
from typing import Protocol

import numpy as np

from benchtest.circuit.netlist import FloatArray
from benchtest.diagnosis.inference.conditional import ConditionalEvidence
from benchtest.diagnosis.inference.hypothesis import FaultHypothesis
from benchtest.diagnosis.inference.posterior import ONE_MORE_LOG, Posterior
from benchtest.diagnosis.model.fault_response import COLUMNS, GRID, STEP_LOG
from benchtest.diagnosis.model.faults import FaultSpace
from benchtest.diagnosis.partly import partial_explanations
from benchtest.diagnosis.solve_budget import BudgetSpent, SolveBudget


class EvidenceLookup(Protocol):
    """The evidence on the footing of some faults; raises `BudgetSpent` where that is too much."""

    budget: SolveBudget

    def __call__(
        self, parts: tuple[FaultHypothesis, ...], *, forced: bool = False
    ) -> ConditionalEvidence: ...

    def read(self, parts: tuple[FaultHypothesis, ...]) -> ConditionalEvidence:
        """Return the same for its readings alone, which costs less."""


MOST_TOGETHER = 3
"""Faults at once that are tried at the most."""
ANCHORS = 3
"""Likeliest explanations on top of which further faults are weighed."""
FITTED = 2
"""Further faults on each of them whose resistances are fitted."""
RESERVED = 0.3
"""Share of what the budget leaves to combinations that is kept for one fault more, as long as no
combination explains the evidence."""
EXCHANGE_SHARE = 0.4
"""Share of that which stays while another fault is tried in place of one of the best ones."""
WEIGHED = 3
"""Combinations that are weighed at every resistance of each of their joints, at most."""
WORTH_FITTING_LOG = 15.0
"""Combinations whose estimated weight is so far below the best that was fitted are not fitted: an
estimate is vague, and so rather too high."""
WORTH_WEIGHING_LOG = 30.0
"""Combinations whose logarithm of weight is so far below the best are only fitted."""
ROUNDS, STEPS = 2, 8
"""Times that resistances are fitted one by one, and all at once, at the most."""
STEP_SHARES = (1.0, 0.5, 0.2)
"""Shares of a step that are tried, one after the other."""
NEAR_OPEN = 20
"""Steps of the grid below its end from which a joint may as well be open: a factor of 3."""
LEAST_PRECISION = 0.25
"""Of the logarithm of a resistance before evidence: it is somewhere in the grid."""
SURE = 0.8
"""Probability from which a fault is taken for given in choosing the next reading."""
KEPT_LOG = 12.0
"""Explanations whose logarithm of weight is so far below the best are dropped."""
TWIN_V = 1e-6
"""Difference up to which what two joints do to a reading is the same. [V]"""


@dataclass(frozen=True)
class FaultCombination:
    """Faults that explain the evidence together.

    Attributes:
        parts: the faults; joints at the resistance that explains most.
        room: logarithm of their odds before evidence, over all resistances that do as well.
        log_weight: that, and the logarithm of the evidence's likelihood.
        grids: share of the weight at each resistance, by joint, shape (COLUMNS,) each.
    """

    parts: tuple[FaultHypothesis, ...]
    room: float
    log_weight: float
    grids: Mapping[str, FloatArray]


class Twins:
    """Joints that the evidence cannot tell from each other.

    Of one place + and -, at every resistance; open, also the + joint of a feed and its fuse.
    """

    def __init__(self, plain: ConditionalEvidence) -> None:
        """Compare what the joints of every place do to all readings.

        Args:
            plain: the evidence with nothing taken for given.
        """
        self._plain = plain
        joints = plain.responses.space.joints
        self._place_of = {joint.name: place for place, joint in enumerate(joints)}
        self.fuses = {joint.name for joint in joints if joint.is_fuse}
        self._shown = None if plain.likelihood is None else plain.likelihood.rough_means()
        memory = plain.memory
        self._then = None if memory is None else memory.joints(plain.responses.space)
        self._twins: dict[str, tuple[str, ...]] = {}
        self._open_twins: dict[str, tuple[str, ...]] = {}
        names = set(self._place_of)
        for name in names - self.fuses:
            stem = name[:-1]
            other = f"{stem}{'-' if name.endswith('+') else '+'}"
            found = [other] if self._is_twin(name, other, slice(0, GRID)) else []
            self._twins[name] = tuple(found)
            if stem in self.fuses and self._is_twin(f"{stem}+", stem, slice(GRID, None)):
                found.append(stem)
            self._open_twins[name] = tuple(found)
            if stem in self.fuses and stem in found:
                self._open_twins[stem] = tuple(sorted({name, *found} - {stem}))

    def _is_twin(self, name: str, other: str, columns: slice) -> bool:
        """Return whether two joints do the same to all readings, also to those before repairs."""
        one, two = self._place_of.get(name), self._place_of.get(other)
        if one is None or two is None:
            return False
        shown, then = self._shown, self._then
        if shown is not None:
            apart_v = np.abs(shown[one, columns] - shown[two, columns])
            if apart_v.max(initial=0.0) > TWIN_V:
                return False
        return then is None or bool(np.allclose(then[one, columns], then[two, columns]))

    def key(self, parts: Iterable[FaultHypothesis]) -> tuple[tuple[str, str], ...]:
        """Return what combinations have in common that are one but for twins and their order."""
        return tuple(sorted(self._alike(part) for part in parts))

    def distinct(self, parts: Iterable[FaultHypothesis]) -> list[FaultHypothesis]:
        """Return faults without those that are a twin of an earlier one."""
        found: dict[tuple[str, str], FaultHypothesis] = {}
        for part in parts:
            found.setdefault(self._alike(part), part)
        return list(found.values())

    def variants(self, parts: tuple[FaultHypothesis, ...]) -> list[tuple[FaultHypothesis, ...]]:
        """Return a combination, and those with twins in place of its joints."""
        ways = [[part, *(replace(part, where=twin) for twin in self._of(part))] for part in parts]
        found: dict[frozenset[tuple[str, int]], tuple[FaultHypothesis, ...]] = {}
        for way in product(*ways):
            if len({(part.where, part.chain) for part in way}) == len(way):
                key = frozenset(
                    (part.where, part.column if part.chain < 0 else part.chain) for part in way
                )
                found.setdefault(key, tuple(way))
        return list(found.values())

    def _of(self, part: FaultHypothesis) -> tuple[str, ...]:
        if part.chain >= 0:
            return ()
        twins = self._open_twins if part.kind == "open" else self._twins
        return twins.get(part.where, ())

    def _alike(self, part: FaultHypothesis) -> tuple[str, str]:
        if part.chain >= 0:
            return part.where, part.kind
        return min(part.where, *self._of(part)) if self._of(part) else part.where, "joint"


class _Found:
    """Combinations found so far, the better one of those that are one but for twins."""

    def __init__(self, twins: Twins) -> None:
        self._twins = twins
        self.rows: dict[tuple[tuple[str, str], ...], FaultCombination] = {}

    def add(self, more: Iterable[FaultCombination]) -> None:
        """Keep combinations."""
        for one in more:
            key = self._twins.key(one.parts)
            if key not in self.rows or one.log_weight > self.rows[key].log_weight:
                self.rows[key] = one

    @property
    def best(self) -> FaultCombination | None:
        """The likeliest; None where there is none."""
        ranked = _ranked(list(self.rows.values()))
        return ranked[0] if ranked else None


def fault_combinations(look: EvidenceLookup) -> list[FaultCombination]:
    """Explanations of two faults and more, likeliest first.

    May spend what the budget leaves to its stage: on what each of the likeliest single faults
    leaves unexplained, on fitting the likeliest combinations, on the same with one fault more, and
    on weighing the best of them in full.

    Args:
        look: the evidence on the footing of any faults.
    """
    plain = look((), forced=True)
    twins = Twins(plain)
    footings = twins.distinct(part for _, part in plain.likeliest if plain.allows_further(part))
    footings = twins.distinct([*footings[:ANCHORS], *partial_explanations(plain)])
    anchors = [one for part in footings if (one := _alone(look, part)) is not None]
    found = _Found(twins)
    for count in range(2, MOST_TOGETHER + 1):
        kept_back = 0.0 if count == MOST_TOGETHER else RESERVED * look.budget.left
        more = _Found(twins)
        more.add(_on_top_of_all(look, anchors, twins, kept_back))
        if (best := more.best) is not None and not _is_explained(look, best.parts):
            more.add(_exchanged_faults(look, best, twins, EXCHANGE_SHARE * kept_back))
        best = more.best
        if look.budget.left > kept_back and best and not _is_explained(look, best.parts):
            more.add(_refitted(look, best))
        found.add(more.rows.values())
        anchors = _ranked(list(more.rows.values()))[:ANCHORS]
        if not anchors or _is_explained(look, anchors[0].parts):
            break
    rows = _weighed(look, _ranked(list(found.rows.values())))
    return _ranked(_with_twins(look, twins, rows))


def _weighed(look: EvidenceLookup, rows: list[FaultCombination]) -> list[FaultCombination]:
    """Return combinations, the best of them weighed at every resistance of each of their joints.

    What is left of the budget bounds it; the others stay as they were fitted.
    """
    found = list(rows)
    for place, one in enumerate(rows[:WEIGHED]):
        if one.log_weight < rows[0].log_weight - WORTH_WEIGHING_LOG:
            break
        try:
            better = _in_full(look, one.parts)
        except BudgetSpent:
            break
        found[place] = one if better is None else better
    return found


def _with_twins(
    look: EvidenceLookup, twins: Twins, rows: Sequence[FaultCombination]
) -> list[FaultCombination]:
    """Return combinations, and those with twins in place of their joints."""
    found = []
    for one in rows:
        for parts in twins.variants(one.parts):
            found.append(one if parts == one.parts else _exchanged(look, one, parts))
    return found


def _exchanged(
    look: EvidenceLookup, one: FaultCombination, parts: tuple[FaultHypothesis, ...]
) -> FaultCombination:
    """Return a combination with twins in place of some joints.

    With one of them open, what data lines feed its copper differs from rail to rail.
    """
    grids, more = {}, 0.0
    for old, part in zip(one.parts, parts, strict=True):
        if old.where in one.grids:
            grids[part.where] = one.grids[old.where]
        if old != part:
            more += look(()).odds_at(part) - look(()).odds_at(old)
    log_weight = one.log_weight + more
    if any(part.kind == "open" for part in parts):
        with suppress(BudgetSpent):
            # a combination that was only estimated may be far worse than its estimate
            likelihood = max(look(one.parts).healthy, one.log_weight - one.room)
            log_weight += look(parts).healthy - likelihood
    return FaultCombination(parts, one.room + more, log_weight, grids)


def _is_explained(look: EvidenceLookup, parts: tuple[FaultHypothesis, ...]) -> bool:
    """True where some faults explain the evidence, or nothing further can be tried."""
    try:
        return not look(parts).is_misfit(None)
    except BudgetSpent:
        return True


def _ranked(rows: list[FaultCombination]) -> list[FaultCombination]:
    ranked = sorted(rows, key=lambda row: -round(row.log_weight, 9))  # ties as they came
    return [row for row in ranked if row.log_weight > ranked[0].log_weight - KEPT_LOG]


def _alone(look: EvidenceLookup, part: FaultHypothesis) -> FaultCombination | None:
    """A single fault, as something to weigh others on top of; None where the budget is spent."""
    plain = look((), forced=True)
    try:
        likelihood = look((part,)).healthy
    except BudgetSpent:
        return None
    if part.chain >= 0:
        room = float(plain.odds[1][part.chain])
        return FaultCombination((part,), room, room + likelihood, {})
    row = plain.row(part.where)
    room = _width(row) + plain.odds_at(part)
    return FaultCombination((part,), room, room + likelihood, {part.where: shares_of(row)})


def _on_top_of_all(
    look: EvidenceLookup, anchors: list[FaultCombination], twins: Twins, kept_back: float
) -> list[FaultCombination]:
    """Every further fault on top of each anchor; the likeliest of each anchor fitted.

    Combinations are fitted in the order of their estimated weight, for the budget may not reach
    all of them.

    Args:
        look: the evidence on the footing of any faults.
        anchors: what is taken for given in turn.
        twins: joints that the evidence cannot tell from each other.
        kept_back: units of the budget to leave while nothing fitted explains the evidence.
    """
    estimates: list[list[FaultCombination]] = []
    asked: list[tuple[float, int, int]] = []
    for of, anchor in enumerate(anchors):
        if look.budget.left <= kept_back:
            break
        try:
            promising = look(anchor.parts).promising
        except BudgetSpent:
            break
        room = anchor.room + ONE_MORE_LOG
        rows: list[FaultCombination] = []
        several = set(twins.distinct(part for *_, part in promising))
        for promise, weight, part in promising:
            if part not in several:
                continue
            parts = (*anchor.parts, part)
            if len(rows) < FITTED:
                asked.append((-round(promise + room, 9), of, len(rows)))
            rows.append(FaultCombination(parts, room, weight + room, _grids_of(anchor, part)))
        estimates.append(rows)
    fitted = _fits(look, estimates, asked, twins, kept_back)
    found: list[FaultCombination] = []
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


def _exchanged_faults(
    look: EvidenceLookup, best: FaultCombination, twins: Twins, kept_back: float
) -> list[FaultCombination]:
    """Return combinations like the best one with another fault in place of one of its faults.

    A single fault is fitted to what two of them did; with one of two fitted well, the other one
    ranks better.

    Args:
        look: the evidence on the footing of any faults.
        best: the combination.
        twins: joints that the evidence cannot tell from each other.
        kept_back: see `_on_top_of_all`.
    """
    found: list[FaultCombination] = []
    for part in best.parts:
        others = tuple(other for other in best.parts if other.where != part.where)
        room = sum(look(()).odds_at(other) for other in others)
        anchor = FaultCombination(others, room + (len(others) - 1) * ONE_MORE_LOG, 0.0, best.grids)
        found += _on_top_of_all(look, [anchor], twins, kept_back)
    return found


def _fits(
    look: EvidenceLookup,
    estimates: Sequence[Sequence[FaultCombination]],
    asked: Sequence[tuple[float, int, int]],
    twins: Twins,
    kept_back: float,
) -> dict[tuple[int, int], FaultCombination | None]:
    """Return fitted combinations by anchor and rank, as far as the budget reaches.

    The same faults on top of another anchor are fitted once.
    """
    fitted: dict[tuple[int, int], FaultCombination | None] = {}
    by_key: dict[tuple[tuple[str, str], ...], FaultCombination | None] = {}
    is_explained, most = False, -np.inf
    for promise, of, rank in sorted(asked):
        parts = estimates[of][rank].parts
        key = twins.key(parts)
        if key not in by_key:
            if -promise < most - WORTH_FITTING_LOG:
                break
            if look.budget.left <= kept_back and not is_explained:
                break
            try:
                made = by_key[key] = _fitted(look, parts, twins)
            except BudgetSpent:
                break
            if made is not None:
                is_explained |= _is_explained(look, made.parts)
                most = max(most, made.log_weight)
        fitted[of, rank] = by_key[key]
    return fitted


def _grids_of(anchor: FaultCombination, part: FaultHypothesis) -> dict[str, FloatArray]:
    """What is known of each one's resistance where the last was not fitted."""
    if part.chain >= 0:
        return dict(anchor.grids)
    grid = np.zeros(COLUMNS)
    grid[part.column] = 1.0
    return {**anchor.grids, part.where: grid}


def _fitted(
    look: EvidenceLookup, parts: tuple[FaultHypothesis, ...], twins: Twins
) -> FaultCombination | None:
    """Joints among some faults, their resistances fitted to each other.

    How well other resistances do is taken from the slope of the readings; without readings they
    are weighed in full.

    None where one of them cuts another off, so that it has no current to show itself by.
    """
    if look(()).likelihood is None or all(part.chain >= 0 for part in parts):
        return _in_full(look, parts)
    starts = tuple(
        part.at(GRID - 1) if part.kind == "open" and part.where not in twins.fuses else part
        for part in parts
    )
    return _best_open(look, _all_at_once(look, starts))


def _refitted(look: EvidenceLookup, one: FaultCombination) -> list[FaultCombination]:
    """Return a combination fitted one joint after the other, each at every resistance.

    A slope leads nowhere where nodes collapse. Empty where that changes nothing.
    """
    try:
        moved = _one_by_one(look, one.parts)
        if moved is None or moved == one.parts:
            return []
        made = _best_open(look, _all_at_once(look, moved))
    except BudgetSpent:
        return []
    return [] if made is None else [made]


def _best_open(look: EvidenceLookup, parts: tuple[FaultHypothesis, ...]) -> FaultCombination | None:
    """Return a combination, or the same with its largest resistances open where that is better.

    None where one of them cuts another off.
    """
    found: FaultCombination | None = None
    for tried in _maybe_open(parts):
        if not _carry_current(look, tried):
            continue
        made = _by_slope(look, tried)
        if found is None or made.log_weight > found.log_weight:
            found = made
    return found


def _maybe_open(parts: tuple[FaultHypothesis, ...]) -> list[tuple[FaultHypothesis, ...]]:
    """Return a combination, and those with one or all of its largest resistances open instead."""
    large = [
        place
        for place, part in enumerate(parts)
        if part.chain < 0 and GRID - NEAR_OPEN <= part.column < GRID
    ]
    ways = [[place] for place in large] + ([large] if len(large) > 1 else [])
    return [
        parts,
        *(
            tuple(part.at(GRID) if place in way else part for place, part in enumerate(parts))
            for way in ways
        ),
    ]


def _carry_current(look: EvidenceLookup, parts: tuple[FaultHypothesis, ...]) -> bool:
    """Return whether no open joint of a combination cuts off another one of it."""
    is_open = [part for part in parts if part.kind == "open"]
    if not is_open:
        return True
    joints = [part for part in parts if part.chain < 0]
    return all(_others(look, parts, part).carries_current(part.where) for part in joints)


def _by_slope(look: EvidenceLookup, parts: tuple[FaultHypothesis, ...]) -> FaultCombination:
    """Return the weight of a combination, with what its resistances may be by Laplace's rule."""
    view, plain = look(parts), look((), forced=True)
    precision, _ = _normal_equations(view, parts)
    names = _resistive(parts)
    inverse = np.linalg.inv(precision) if names else precision
    room = (len(parts) - 1) * ONE_MORE_LOG + sum(plain.odds_at(part) for part in parts)
    room += float(_widths(np.diag(precision)).sum()) + _slant(precision)
    variance = dict(zip(names, np.diag(inverse).tolist(), strict=True))
    grids = {
        part.where: _grid_about(part.column, variance.get(part.where, 0.0))
        for part in parts
        if part.chain < 0
    }
    return FaultCombination(parts, room, room + view.healthy, grids)


def _widths(precision: FloatArray) -> FloatArray:
    """Return the logarithm of how many steps of the grid do as well as the best, (joints,)."""
    steps = np.sqrt(2.0 * np.pi / precision) / STEP_LOG
    return np.asarray(np.log(np.clip(steps, 1.0, GRID)))


def _grid_about(column: int, variance: float) -> FloatArray:
    """Return shares of the grid for a logarithm with a mean and variance, shape (COLUMNS,)."""
    grid = np.zeros(COLUMNS)
    grid[column] = 1.0
    return grid if column == GRID else _blurred(grid, variance)


def _in_full(look: EvidenceLookup, parts: tuple[FaultHypothesis, ...]) -> FaultCombination | None:
    """Weigh a combination at every resistance of each of its joints.

    None where one of them cuts another off, so that it has no current to show itself by.
    """
    found = _one_by_one(look, parts)
    if found is None:
        return None
    found = _all_at_once(look, found)
    if look(found).healthy < look(parts).healthy:
        found = parts  # between the resistances that were solved a row is an estimate
    rows: dict[str, FloatArray] = {}
    for part in found:
        if part.chain < 0:
            rows[part.where] = _row(look, found, part)
    plain = look((), forced=True)
    room = (len(found) - 1) * ONE_MORE_LOG + sum(plain.odds_at(part) for part in found)
    precision, _ = _normal_equations(look(found), found)
    room += sum(_width(row) for row in rows.values()) + _slant(precision)
    names = _resistive(found) if len(precision) else []  # marks alone say little of either
    wider = dict(zip(names, _hidden_variance(precision), strict=True))
    grids = {w: _blurred(shares_of(row), wider.get(w, 0.0)) for w, row in rows.items()}
    return FaultCombination(found, room, room + look(found).healthy, grids)


def _row(
    look: EvidenceLookup, parts: tuple[FaultHypothesis, ...], part: FaultHypothesis
) -> FloatArray:
    """Return the row of one of several faults, with what is known at its own resistance."""
    view = _others(look, parts, part)
    row = view.row(part.where).copy()
    row[part.column] = look(parts).healthy + view.odds_at(part)
    return row


def _others(
    look: EvidenceLookup, parts: tuple[FaultHypothesis, ...], part: FaultHypothesis
) -> ConditionalEvidence:
    return look(tuple(other for other in parts if other.where != part.where))


def _one_by_one(
    look: EvidenceLookup, parts: tuple[FaultHypothesis, ...]
) -> tuple[FaultHypothesis, ...] | None:
    """Each joint's resistance fitted while the others stay."""
    fitted = parts
    for _ in range(ROUNDS):
        before = fitted
        for part in before:
            if part.chain >= 0:
                continue
            view = _others(look, fitted, part)
            if not view.carries_current(part.where):
                return None
            best = part.at(int(_row(look, fitted, part).argmax()))
            fitted = tuple(best if other.where == part.where else other for other in fitted)
        if fitted == before:
            break
    return fitted


def _all_at_once(
    look: EvidenceLookup, parts: tuple[FaultHypothesis, ...]
) -> tuple[FaultHypothesis, ...]:
    """Gauss and Newton's steps on all resistances: one by one they creep along a valley.

    Two joints are known by their ratio far better than each by itself, for the node current that
    runs through both is not known well.
    """
    best = parts
    if not _resistive(parts):
        return best
    with suppress(BudgetSpent):  # then it is as near as the budget reaches
        for _ in range(STEPS):
            view = look.read(best)
            if view.likelihood is None:
                return best
            precision, pull = _normal_equations(view, best)
            now = view.likelihood.healthy()
            step = np.clip(np.linalg.solve(precision, pull), -1.0, 1.0) / STEP_LOG
            for share in STEP_SHARES:
                tried = _moved(best, share * step)
                if tried != best and _read_log(look, tried) > now:
                    break
            else:
                return best
            best = tried
    return best


def _read_log(look: EvidenceLookup, parts: tuple[FaultHypothesis, ...]) -> float:
    """Return the logarithm of the readings' likelihood with some faults and nothing more."""
    likelihood = look.read(parts).likelihood
    assert likelihood is not None
    return likelihood.healthy()


def _moved(parts: tuple[FaultHypothesis, ...], steps: FloatArray) -> tuple[FaultHypothesis, ...]:
    """Resistive joints moved along the grid."""
    left = iter(steps.tolist())
    return tuple(
        part.at(int(np.clip(round(part.column + next(left)), 0, GRID - 1)))
        if part.kind == "resistive"
        else part
        for part in parts
    )


def _normal_equations(
    view: ConditionalEvidence, parts: tuple[FaultHypothesis, ...]
) -> tuple[FloatArray, FloatArray]:
    """Precision of the logarithms of the resistive joints' resistances, and the pull on them."""
    names = _resistive(parts)
    likelihood = view.likelihood
    if likelihood is None or not names:
        return np.zeros((0, 0)), np.zeros(0)
    per_log_ohm = likelihood.per_log_ohm(names)
    inverse = np.linalg.inv(likelihood.healthy_covariance)
    off = likelihood.values - likelihood.healthy_mean()
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


def _resistive(parts: tuple[FaultHypothesis, ...]) -> list[str]:
    return [part.where for part in parts if part.kind == "resistive"]


def _width(row: FloatArray) -> float:
    """Logarithm of how many steps of the grid do as well as the best."""
    return float(np.logaddexp.reduce(row) - row.max())


def shares_of(row: FloatArray) -> FloatArray:
    """Return the share of a joint's weight at each resistance, shape (COLUMNS,)."""
    return np.asarray(np.exp(row - np.logaddexp.reduce(row)))


def several_posterior(
    single: Posterior, space: FaultSpace, several: list[FaultCombination]
) -> Posterior:
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


def sure_parts(
    several: list[FaultCombination], found: Posterior, space: FaultSpace
) -> tuple[FaultHypothesis, ...]:
    """Faults to take for given in choosing what to read next.

    None while a single fault may explain everything; of several, those that are sure, or the
    likeliest of them.
    """
    weights = [one.log_weight for one in several]
    if not several or np.logaddexp.reduce(weights) < found.log_total - np.log(2.0):
        return ()
    place_of = {joint.name: place for place, joint in enumerate(space.joints)}

    def probability(part: FaultHypothesis) -> float:
        if part.chain >= 0:
            return float(found.chain[part.chain])
        return float(found.joints[place_of[part.where]].sum())

    ranked = sorted(several[0].parts, key=lambda part: (-probability(part), part.where))
    sure = tuple(part for part in ranked if probability(part) >= SURE)
    return sure or tuple(ranked[:1])
