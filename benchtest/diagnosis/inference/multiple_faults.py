"""Combinations of several faults, tried where no single fault explains the evidence.

All pairs at all resistances would be a million circuits. Instead the likeliest single faults become
anchors: each is given in turn, every further fault is ranked, and the resistances of the most
promising combinations are fitted jointly. A fit costs a few circuits; only the best combinations
are evaluated at every resistance of each of their joints.

Two joints are twins if no reading separates them, such as the + and - joint of a strand end when
all readings are taken between the rails. Twins are tried once, and each combination then represents
those with one twin in place of the other.
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
from benchtest.diagnosis.inference.posterior import FaultHypothesis, Posterior
from benchtest.diagnosis.likelihood.nonlinear import KNOT_STEP, means_at
from benchtest.diagnosis.likelihood.readings import ReadingLikelihood
from benchtest.diagnosis.model.fault_response import COLUMNS, GRID_SIZE, GRID_STEP_LOG, OPEN_COLUMN
from benchtest.diagnosis.model.faults import FaultSpace
from benchtest.diagnosis.solve_budget import BudgetSpent, SolveBudget
from benchtest.diagnosis.thresholds import (
    FURTHER_FAULT_LOG,
    MAX_COMBINATION_DEFICIT_LOG,
    MAX_EVALUATION_DEFICIT_LOG,
    MAX_FIT_DEFICIT_LOG,
    MAX_TWIN_DIFFERENCE_V,
    MIN_SURE_PROBABILITY,
    PARTIAL_MISS_SHARE,
)


class EvidenceLookup(Protocol):
    """Evidence on one unit for any given faults.

    Attributes:
        budget: budget of the finding.
    """

    budget: SolveBudget

    def __call__(
        self, given: tuple[FaultHypothesis, ...], *, forced: bool = False
    ) -> ConditionalEvidence:
        """Return the evidence with some faults given.

        Args:
            given: faults assumed to be present.
            forced: True to ignore the budget.

        Raises:
            BudgetSpent: not forced, and the request does not fit the budget.
        """
        ...

    def read(self, given: tuple[FaultHypothesis, ...]) -> ConditionalEvidence:
        """Return the same for its readings only, which costs less."""


MAX_PARTIAL_CANDIDATES, MAX_PARTIAL_EXPLANATIONS = 3, 2
"""Number of joints that are solved as partial explanations, and number that is returned."""
MIN_MARKS_GAIN_LOG = 4.0
"""Gain of the marks' log likelihood over the likeliest single fault from which the joint that
explains the marks best is tried."""
PARTIAL_BUDGET_SHARE = 0.3
"""Share of the remaining budget that solving one of them may use. Ours."""
MAX_FAULTS = 3
"""Number of faults in one combination."""
MAX_ANCHORS = 3
"""Number of likeliest explanations on top of which further faults are ranked."""
MAX_FITS_PER_ANCHOR = 2
"""Number of further faults on each anchor whose resistances are fitted."""
RESERVED_BUDGET_SHARE = 0.3
"""Share of the remaining budget that is reserved for one more fault, as long as no combination
explains the evidence.
"""
EXCHANGE_BUDGET_SHARE = 0.4
"""Share of that reserve which stays while single faults of the best combination are replaced."""
MAX_FULL_EVALUATIONS = 3
"""Number of combinations that are evaluated at every resistance of each of their joints."""
MAX_COORDINATE_ROUNDS, MAX_NEWTON_STEPS = 2, 8
"""Number of rounds of fitting resistances one by one, and of Gauss-Newton steps on all of them."""
NEWTON_STEP_SHARES = (1.0, 0.5, 0.2)
"""Shares of a Gauss-Newton step that are tried in turn until one improves the fit."""
NEAR_OPEN_STEPS = 20
"""Number of largest resistances of the grid next to which open is tried: a factor of 3."""
PRIOR_PRECISION = 0.25
"""Prior precision of the logarithm of a resistance: standard deviation 2, somewhere in the grid."""


@dataclass(frozen=True)
class FaultCombination:
    """Several faults that explain the evidence together.

    Attributes:
        faults: the faults, joints at their likeliest resistance.
        log_prior: log prior odds of the faults, summed over all resistances that fit as well.
        log_weight: `log_prior` plus the log likelihood of the evidence.
        resistance_shares: share of the weight at each resistance, by joint, shape (COLUMNS,) each.
    """

    faults: tuple[FaultHypothesis, ...]
    log_prior: float
    log_weight: float
    resistance_shares: Mapping[str, FloatArray]


class _Twins:
    """Joints that the evidence does not separate.

    These are the + and - joint of one place, at every resistance; when open, also the + joint of a
    feed and its fuse.

    Attributes:
        fuses: names of all fuses.
    """

    def __init__(self, unconditional: ConditionalEvidence) -> None:
        """Compare the effects of the joints of each place on all readings.

        Args:
            unconditional: the evidence with no faults given.
        """
        self._unconditional = unconditional
        joints = unconditional.responses.space.joints
        self._place_of = {joint.name: place for place, joint in enumerate(joints)}
        self.fuses = {joint.name for joint in joints if joint.is_fuse}
        self._shown = (
            None if unconditional.likelihood is None else unconditional.likelihood.rough_means()
        )
        earlier = unconditional.earlier
        self._then = None if earlier is None else earlier.joints(unconditional.responses.space)
        self._twins: dict[str, tuple[str, ...]] = {}
        self._open_twins: dict[str, tuple[str, ...]] = {}
        names = set(self._place_of)
        for name in names - self.fuses:
            stem = name[:-1]
            other = f"{stem}{'-' if name.endswith('+') else '+'}"
            found = [other] if self._is_twin(name, other, slice(0, GRID_SIZE)) else []
            self._twins[name] = tuple(found)
            if stem in self.fuses and self._is_twin(f"{stem}+", stem, slice(OPEN_COLUMN, None)):
                found.append(stem)
            self._open_twins[name] = tuple(found)
            if stem in self.fuses and stem in found:
                self._open_twins[stem] = tuple(sorted({name, *found} - {stem}))

    def _is_twin(self, name: str, other: str, columns: slice) -> bool:
        """Return True if two joints have the same effect on all readings, also before repairs."""
        one, two = self._place_of.get(name), self._place_of.get(other)
        if one is None or two is None:
            return False
        shown, then = self._shown, self._then
        if shown is not None:
            apart_v = np.abs(shown[one, columns] - shown[two, columns])
            if apart_v.max(initial=0.0) > MAX_TWIN_DIFFERENCE_V:
                return False
        return then is None or bool(np.allclose(then[one, columns], then[two, columns]))

    def key(self, faults: Iterable[FaultHypothesis]) -> tuple[tuple[str, str], ...]:
        """Return a key that is equal for combinations that differ only in twins and in order."""
        return tuple(sorted(self._twin_key(hypothesis) for hypothesis in faults))

    def distinct(self, faults: Iterable[FaultHypothesis]) -> list[FaultHypothesis]:
        """Return faults without those that are a twin of an earlier one."""
        found: dict[tuple[str, str], FaultHypothesis] = {}
        for hypothesis in faults:
            found.setdefault(self._twin_key(hypothesis), hypothesis)
        return list(found.values())

    def variants(self, faults: tuple[FaultHypothesis, ...]) -> list[tuple[FaultHypothesis, ...]]:
        """Return a combination, and all that have twins in place of its joints."""
        choices = [
            [hypothesis, *(replace(hypothesis, where=twin) for twin in self._of(hypothesis))]
            for hypothesis in faults
        ]
        found: dict[frozenset[tuple[str, int]], tuple[FaultHypothesis, ...]] = {}
        for variant in product(*choices):
            if len({(hypothesis.where, hypothesis.chain) for hypothesis in variant}) == len(
                variant
            ):
                key = frozenset(
                    (
                        hypothesis.where,
                        hypothesis.column if hypothesis.chain < 0 else hypothesis.chain,
                    )
                    for hypothesis in variant
                )
                found.setdefault(key, tuple(variant))
        return list(found.values())

    def _of(self, hypothesis: FaultHypothesis) -> tuple[str, ...]:
        """Return the names of the twins of a fault."""
        if hypothesis.chain >= 0:
            return ()
        twins = self._open_twins if hypothesis.kind == "open" else self._twins
        return twins.get(hypothesis.where, ())

    def _twin_key(self, hypothesis: FaultHypothesis) -> tuple[str, str]:
        """Return a key that twins share."""
        if hypothesis.chain >= 0:
            return hypothesis.where, hypothesis.kind
        return min(hypothesis.where, *self._of(hypothesis)) if self._of(
            hypothesis
        ) else hypothesis.where, "joint"


class _CombinationSet:
    """Combinations found so far; of those that differ only in twins, the likelier one."""

    def __init__(self, twins: _Twins) -> None:
        self._twins = twins
        self.rows: dict[tuple[tuple[str, str], ...], FaultCombination] = {}

    def add(self, more: Iterable[FaultCombination]) -> None:
        """Keep combinations."""
        for one in more:
            key = self._twins.key(one.faults)
            if key not in self.rows or one.log_weight > self.rows[key].log_weight:
                self.rows[key] = one

    @property
    def best(self) -> FaultCombination | None:
        """Return the likeliest combination; None without any."""
        ranked = _ranked(list(self.rows.values()))
        return ranked[0] if ranked else None


def fault_combinations(lookup: EvidenceLookup) -> list[FaultCombination]:
    """Return explanations by two or more faults, likeliest first.

    The remaining budget of the stage is spent on ranking what each of the likeliest single faults
    leaves unexplained, on fitting the best combinations, on one fault more, and on evaluating the
    best combinations at every resistance.

    Args:
        lookup: the evidence for any given faults.
    """
    unconditional = lookup((), forced=True)
    twins = _Twins(unconditional)
    ranked = twins.distinct(
        hypothesis
        for _, hypothesis in unconditional.likeliest
        if unconditional.allows_further(hypothesis)
    )
    marked = mark_explanation(unconditional)
    starts = twins.distinct(
        [*ranked[: MAX_ANCHORS - len(marked)], *marked, *partial_explanations(unconditional)]
    )
    anchors = [
        one for hypothesis in starts if (one := _single_fault(lookup, hypothesis)) is not None
    ]
    found = _CombinationSet(twins)
    for count in range(2, MAX_FAULTS + 1):
        reserved_units = 0.0 if count == MAX_FAULTS else RESERVED_BUDGET_SHARE * lookup.budget.left
        more = _CombinationSet(twins)
        more.add(_with_one_more_fault(lookup, anchors, twins, reserved_units))
        if (best := more.best) is not None and not _is_explained(lookup, best.faults):
            more.add(
                _with_each_fault_replaced(
                    lookup, best, twins, EXCHANGE_BUDGET_SHARE * reserved_units
                )
            )
        best = more.best
        if lookup.budget.left > reserved_units and best and not _is_explained(lookup, best.faults):
            more.add(_refit(lookup, best))
        found.add(more.rows.values())
        anchors = _ranked(list(more.rows.values()))[:MAX_ANCHORS]
        if not anchors or _is_explained(lookup, anchors[0].faults):
            break
    rows = _evaluate_best(lookup, _ranked(list(found.rows.values())))
    return _ranked(_with_twins(lookup, twins, rows))


def _evaluate_best(lookup: EvidenceLookup, rows: list[FaultCombination]) -> list[FaultCombination]:
    """Return combinations, the best of them evaluated at every resistance of each of their joints.

    The remaining budget limits it; the others stay as they were fitted.
    """
    found = list(rows)
    for place, one in enumerate(rows[:MAX_FULL_EVALUATIONS]):
        if one.log_weight < rows[0].log_weight - MAX_EVALUATION_DEFICIT_LOG:
            break
        try:
            better = _evaluate_full_grid(lookup, one.faults)
        except BudgetSpent:
            break
        found[place] = one if better is None else better
    return found


def _with_twins(
    lookup: EvidenceLookup, twins: _Twins, rows: Sequence[FaultCombination]
) -> list[FaultCombination]:
    """Return combinations, and all that have twins in place of their joints."""
    found = []
    for one in rows:
        for faults in twins.variants(one.faults):
            found.append(
                one if faults == one.faults else _with_twins_exchanged(lookup, one, faults)
            )
    return found


def _with_twins_exchanged(
    lookup: EvidenceLookup, one: FaultCombination, faults: tuple[FaultHypothesis, ...]
) -> FaultCombination:
    """Return a combination with twins in place of some joints.

    If one of them is open, data lines feed its copper differently through each rail, so the
    likelihood is computed again.
    """
    resistance_shares, more = {}, 0.0
    for old, hypothesis in zip(one.faults, faults, strict=True):
        if old.where in one.resistance_shares:
            resistance_shares[hypothesis.where] = one.resistance_shares[old.where]
        if old != hypothesis:
            more += lookup(()).prior_log_odds_of(hypothesis) - lookup(()).prior_log_odds_of(old)
    log_weight = one.log_weight + more
    if any(hypothesis.kind == "open" for hypothesis in faults):
        with suppress(BudgetSpent):
            # an estimated weight may be far above the true likelihood
            likelihood = max(lookup(one.faults).healthy, one.log_weight - one.log_prior)
            log_weight += lookup(faults).healthy - likelihood
    return FaultCombination(faults, one.log_prior + more, log_weight, resistance_shares)


def _is_explained(lookup: EvidenceLookup, faults: tuple[FaultHypothesis, ...]) -> bool:
    """Return True if some faults explain the evidence, or the budget allows no further attempt."""
    try:
        return not lookup(faults).is_misfit(None)
    except BudgetSpent:
        return True


def _ranked(rows: list[FaultCombination]) -> list[FaultCombination]:
    """Return combinations, likeliest first, without those that are far less likely."""
    ranked = sorted(
        rows, key=lambda row: -round(row.log_weight, 9)
    )  # stable: ties keep their order
    return [
        row for row in ranked if row.log_weight > ranked[0].log_weight - MAX_COMBINATION_DEFICIT_LOG
    ]


def _single_fault(lookup: EvidenceLookup, hypothesis: FaultHypothesis) -> FaultCombination | None:
    """Return one fault as an anchor; None if the budget is spent."""
    unconditional = lookup((), forced=True)
    try:
        likelihood = lookup((hypothesis,)).healthy
    except BudgetSpent:
        return None
    if hypothesis.chain >= 0:
        log_prior = float(unconditional.prior_log_odds[1][hypothesis.chain])
        return FaultCombination((hypothesis,), log_prior, log_prior + likelihood, {})
    row = unconditional.row(hypothesis.where)
    log_prior = _width_log(row) + unconditional.prior_log_odds_of(hypothesis)
    return FaultCombination(
        (hypothesis,), log_prior, log_prior + likelihood, {hypothesis.where: shares_of(row)}
    )


def _with_one_more_fault(
    lookup: EvidenceLookup, anchors: list[FaultCombination], twins: _Twins, reserved_units: float
) -> list[FaultCombination]:
    """Return combinations with every further fault on each anchor; the best of each are fitted.

    Combinations are fitted in the order of their estimated weight, as the budget may not suffice
    for all of them.

    Args:
        lookup: the evidence for any given faults.
        anchors: combinations that are given in turn.
        twins: joints that the evidence does not separate.
        reserved_units: budget units to leave while no fitted combination explains the evidence.
    """
    unconditional = lookup((), forced=True)
    estimates: list[list[FaultCombination]] = []
    asked: list[tuple[float, int, int]] = []
    for anchor_number, anchor in enumerate(anchors):
        if lookup.budget.left <= reserved_units:
            break
        try:
            ranking = lookup(anchor.faults).estimated_ranking
        except BudgetSpent:
            break
        log_prior = anchor.log_prior + FURTHER_FAULT_LOG
        rows: list[FaultCombination] = []
        several = set(twins.distinct(hypothesis for *_, hypothesis in ranking))
        for estimate_log, weight, hypothesis in ranking:
            if hypothesis not in several:
                continue
            faults = (*anchor.faults, hypothesis)
            if len(rows) < MAX_FITS_PER_ANCHOR:
                asked.append((-round(estimate_log + log_prior, 9), anchor_number, len(rows)))
            rows.append(
                FaultCombination(
                    faults,
                    log_prior + unconditional.prior_log_odds_of(hypothesis),
                    weight + log_prior,
                    _shares_of_estimate(anchor, hypothesis),
                )
            )
        estimates.append(rows)
    fitted = _fit_most_promising(lookup, estimates, asked, twins, reserved_units)
    found: list[FaultCombination] = []
    for anchor_number, rows in enumerate(estimates):
        best_fits = [
            one
            for place in range(MAX_FITS_PER_ANCHOR)
            if (one := fitted.get((anchor_number, place))) is not None
        ]
        tried = any((anchor_number, place) in fitted for place in range(MAX_FITS_PER_ANCHOR))
        rest = [one for rank, one in enumerate(rows) if fitted.get((anchor_number, rank)) is None]
        if best_fits:
            # keep an estimate only if it scores below every fitted combination
            best_log_weight = max(one.log_weight for one in best_fits)
            found += _ranked(
                [*best_fits, *(one for one in rest if one.log_weight < best_log_weight)]
            )
        elif rows and not tried:
            found += _ranked(rows)  # beyond the budget: keep the estimates
    return found


def _with_each_fault_replaced(
    lookup: EvidenceLookup, best: FaultCombination, twins: _Twins, reserved_units: float
) -> list[FaultCombination]:
    """Return combinations with another fault in place of each fault of the best combination.

    A single fault is fitted to the effects of two; with one of two fitted well, the other one ranks
    better.

    Args:
        lookup: the evidence for any given faults.
        best: the best combination.
        twins: joints that the evidence does not separate.
        reserved_units: see `_with_one_more_fault`.
    """
    found: list[FaultCombination] = []
    for hypothesis in best.faults:
        others = tuple(other for other in best.faults if other.where != hypothesis.where)
        log_prior = sum(lookup(()).prior_log_odds_of(other) for other in others)
        anchor = FaultCombination(
            others, log_prior + (len(others) - 1) * FURTHER_FAULT_LOG, 0.0, best.resistance_shares
        )
        found += _with_one_more_fault(lookup, [anchor], twins, reserved_units)
    return found


def _fit_most_promising(
    lookup: EvidenceLookup,
    estimates: Sequence[Sequence[FaultCombination]],
    asked: Sequence[tuple[float, int, int]],
    twins: _Twins,
    reserved_units: float,
) -> dict[tuple[int, int], FaultCombination | None]:
    """Return fitted combinations by anchor and rank, as far as the budget allows.

    The same faults on another anchor are fitted once. Faults that cannot occur together give None.

    Args:
        lookup: the evidence for any given faults.
        estimates: combinations to fit, by anchor and rank.
        asked: negative log weight, anchor and rank of each one to fit.
        twins: joints that the evidence does not separate.
        reserved_units: see `_with_one_more_fault`.
    """
    fitted: dict[tuple[int, int], FaultCombination | None] = {}
    by_key: dict[tuple[tuple[str, str], ...], FaultCombination | None] = {}
    is_explained, best_log_weight = False, -np.inf
    for estimate_log, anchor_number, rank in sorted(asked):
        faults = estimates[anchor_number][rank].faults
        key = twins.key(faults)
        if key not in by_key:
            if -estimate_log < best_log_weight - MAX_FIT_DEFICIT_LOG:
                break
            if lookup.budget.left <= reserved_units and not is_explained:
                break
            try:
                combination = by_key[key] = _fit(lookup, faults, twins)
            except BudgetSpent:
                break
            if combination is not None:
                is_explained |= _is_explained(lookup, combination.faults)
                best_log_weight = max(best_log_weight, combination.log_weight)
        fitted[anchor_number, rank] = by_key[key]
    return fitted


def _shares_of_estimate(
    anchor: FaultCombination, hypothesis: FaultHypothesis
) -> dict[str, FloatArray]:
    """Return the resistance shares of a combination whose last fault was not fitted."""
    if hypothesis.chain >= 0:
        return dict(anchor.resistance_shares)
    grid = np.zeros(COLUMNS)
    grid[hypothesis.column] = 1.0
    return {**anchor.resistance_shares, hypothesis.where: grid}


def _fit(
    lookup: EvidenceLookup, faults: tuple[FaultHypothesis, ...], twins: _Twins
) -> FaultCombination | None:
    """Return a combination of faults with their resistances fitted to each other.

    The weight of other resistances is taken from the slope of the readings; without readings, from
    an evaluation at every resistance. None if one fault cuts another off, so that it has no effect.
    """
    if lookup(()).likelihood is None or all(hypothesis.chain >= 0 for hypothesis in faults):
        return _evaluate_full_grid(lookup, faults)
    starts = tuple(
        hypothesis.at(GRID_SIZE - 1)
        if hypothesis.kind == "open" and hypothesis.where not in twins.fuses
        else hypothesis
        for hypothesis in faults
    )
    return _fit_resistive_and_open(lookup, _fit_jointly(lookup, starts))


def _refit(lookup: EvidenceLookup, one: FaultCombination) -> list[FaultCombination]:
    """Return a combination fitted one joint at a time, each at every resistance.

    Gauss-Newton steps fail where nodes are undervoltage. Empty if nothing changes.
    """
    try:
        moved = _fit_one_by_one(lookup, one.faults)
        if moved is None or moved == one.faults:
            return []
        combination = _fit_resistive_and_open(lookup, _fit_jointly(lookup, moved))
    except BudgetSpent:
        return []
    return [] if combination is None else [combination]


def _fit_resistive_and_open(
    lookup: EvidenceLookup, faults: tuple[FaultHypothesis, ...]
) -> FaultCombination | None:
    """Return the likelier of a combination and its variants with large resistances open.

    None if one fault cuts another off.
    """
    found: FaultCombination | None = None
    for tried in _open_variants(faults):
        if not _all_carry_current(lookup, tried):
            continue
        combination = _laplace_combination(lookup, tried)
        if found is None or combination.log_weight > found.log_weight:
            found = combination
    return found


def _open_variants(faults: tuple[FaultHypothesis, ...]) -> list[tuple[FaultHypothesis, ...]]:
    """Return a combination, and variants with one or all of its largest resistances open."""
    large = [
        place
        for place, hypothesis in enumerate(faults)
        if hypothesis.chain < 0 and GRID_SIZE - NEAR_OPEN_STEPS <= hypothesis.column < OPEN_COLUMN
    ]
    choices = [[place] for place in large] + ([large] if len(large) > 1 else [])
    return [
        faults,
        *(
            tuple(
                hypothesis.at(OPEN_COLUMN) if place in variant else hypothesis
                for place, hypothesis in enumerate(faults)
            )
            for variant in choices
        ),
    ]


def _all_carry_current(lookup: EvidenceLookup, faults: tuple[FaultHypothesis, ...]) -> bool:
    """Return True if no open joint of a combination cuts off another joint of it."""
    is_open = [hypothesis for hypothesis in faults if hypothesis.kind == "open"]
    if not is_open:
        return True
    joints = [hypothesis for hypothesis in faults if hypothesis.chain < 0]
    return all(
        _conditional_without(lookup, faults, hypothesis).carries_current(hypothesis.where)
        for hypothesis in joints
    )


def _laplace_combination(
    lookup: EvidenceLookup, faults: tuple[FaultHypothesis, ...]
) -> FaultCombination:
    """Return a combination with its weight and resistance shares by Laplace's approximation.

    log weight = log likelihood + log prior odds + log of the number of grid cells that fit, with
    the Gaussian of precision Jᵀ C⁻¹ J around the fitted resistances.

    Source: Laplace's approximation, as in MacKay, Information Theory, Inference, and Learning
    Algorithms, ch. 27 (from memory).
    """
    conditional, unconditional = lookup(faults), lookup((), forced=True)
    precision, _ = _normal_equations(conditional, faults)
    names = _resistive(faults)
    inverse = np.linalg.inv(precision) if names else precision
    log_prior = (len(faults) - 1) * FURTHER_FAULT_LOG + sum(
        unconditional.prior_log_odds_of(hypothesis) for hypothesis in faults
    )
    log_prior += float(_laplace_widths_log(np.diag(precision)).sum()) + _correlation_log(precision)
    variance = dict(zip(names, np.diag(inverse).tolist(), strict=True))
    resistance_shares = {
        hypothesis.where: _shares_near(hypothesis.column, variance.get(hypothesis.where, 0.0))
        for hypothesis in faults
        if hypothesis.chain < 0
    }
    return FaultCombination(faults, log_prior, log_prior + conditional.healthy, resistance_shares)


def _laplace_widths_log(precision: FloatArray) -> FloatArray:
    """Return the logarithm of the number of grid cells that fit as well, shape (joints,)."""
    steps = np.sqrt(2.0 * np.pi / precision) / GRID_STEP_LOG
    return np.asarray(np.log(np.clip(steps, 1.0, GRID_SIZE)))


def _shares_near(column: int, variance: float) -> FloatArray:
    """Return shares of the grid for a mean and a variance of the logarithm, shape (COLUMNS,)."""
    grid = np.zeros(COLUMNS)
    grid[column] = 1.0
    return grid if column == OPEN_COLUMN else _blurred(grid, variance)


def _evaluate_full_grid(
    lookup: EvidenceLookup, faults: tuple[FaultHypothesis, ...]
) -> FaultCombination | None:
    """Return a combination evaluated at every resistance of each of its joints.

    None if one fault cuts another off, so that it has no effect.
    """
    found = _fit_one_by_one(lookup, faults)
    if found is None:
        return None
    found = _fit_jointly(lookup, found)
    if lookup(found).healthy < lookup(faults).healthy:
        found = faults  # between solved resistances a row is interpolated
    rows: dict[str, FloatArray] = {}
    for hypothesis in found:
        if hypothesis.chain < 0:
            rows[hypothesis.where] = _conditional_row(lookup, found, hypothesis)
    unconditional = lookup((), forced=True)
    log_prior = (len(found) - 1) * FURTHER_FAULT_LOG + sum(
        unconditional.prior_log_odds_of(hypothesis) for hypothesis in found
    )
    precision, _ = _normal_equations(lookup(found), found)
    log_prior += sum(_width_log(row) for row in rows.values()) + _correlation_log(precision)
    names = _resistive(found) if len(precision) else []  # marks alone constrain neither
    wider = dict(zip(names, _correlated_variance(precision), strict=True))
    resistance_shares = {w: _blurred(shares_of(row), wider.get(w, 0.0)) for w, row in rows.items()}
    return FaultCombination(found, log_prior, log_prior + lookup(found).healthy, resistance_shares)


def _conditional_row(
    lookup: EvidenceLookup, faults: tuple[FaultHypothesis, ...], hypothesis: FaultHypothesis
) -> FloatArray:
    """Return one joint's log weights with the other faults given, shape (COLUMNS,).

    The weight at the joint's own resistance is taken from the circuit with all faults.
    """
    conditional = _conditional_without(lookup, faults, hypothesis)
    row = conditional.row(hypothesis.where).copy()
    row[hypothesis.column] = lookup(faults).healthy + conditional.prior_log_odds_of(hypothesis)
    return row


def _conditional_without(
    lookup: EvidenceLookup, faults: tuple[FaultHypothesis, ...], hypothesis: FaultHypothesis
) -> ConditionalEvidence:
    """Return the evidence with all faults of a combination given but one."""
    return lookup(tuple(other for other in faults if other.where != hypothesis.where))


def _fit_one_by_one(
    lookup: EvidenceLookup, faults: tuple[FaultHypothesis, ...]
) -> tuple[FaultHypothesis, ...] | None:
    """Return faults with resistances fitted one at a time; None if one joint is cut off."""
    fitted = faults
    for _ in range(MAX_COORDINATE_ROUNDS):
        before = fitted
        for hypothesis in before:
            if hypothesis.chain >= 0:
                continue
            conditional = _conditional_without(lookup, fitted, hypothesis)
            if not conditional.carries_current(hypothesis.where):
                return None
            best = hypothesis.at(int(_conditional_row(lookup, fitted, hypothesis).argmax()))
            fitted = tuple(best if other.where == hypothesis.where else other for other in fitted)
        if fitted == before:
            break
    return fitted


def _fit_jointly(
    lookup: EvidenceLookup, faults: tuple[FaultHypothesis, ...]
) -> tuple[FaultHypothesis, ...]:
    """Return faults with all resistances fitted by Gauss-Newton steps.

    One by one they would converge slowly along a valley: the ratio of two resistances is known far
    better than each, as the node current through both is not known well.
    """
    best = faults
    if not _resistive(faults):
        return best
    with suppress(BudgetSpent):  # then return the best so far
        for _ in range(MAX_NEWTON_STEPS):
            conditional = lookup.read(best)
            if conditional.likelihood is None:
                return best
            precision, pull = _normal_equations(conditional, best)
            now = conditional.likelihood.healthy()
            step = np.clip(np.linalg.solve(precision, pull), -1.0, 1.0) / GRID_STEP_LOG
            for share in NEWTON_STEP_SHARES:
                tried = _moved_along_grid(best, share * step)
                if tried != best and _readings_log_likelihood(lookup, tried) > now:
                    break
            else:
                return best
            best = tried
    return best


def _readings_log_likelihood(lookup: EvidenceLookup, faults: tuple[FaultHypothesis, ...]) -> float:
    """Return the log likelihood of the readings with some faults and no further one."""
    likelihood = lookup.read(faults).likelihood
    assert likelihood is not None
    return likelihood.healthy()


def _moved_along_grid(
    faults: tuple[FaultHypothesis, ...], steps: FloatArray
) -> tuple[FaultHypothesis, ...]:
    """Return faults with the resistive joints moved by numbers of grid steps."""
    left = iter(steps.tolist())
    return tuple(
        hypothesis.at(int(np.clip(round(hypothesis.column + next(left)), 0, GRID_SIZE - 1)))
        if hypothesis.kind == "resistive"
        else hypothesis
        for hypothesis in faults
    )


def _normal_equations(
    conditional: ConditionalEvidence, faults: tuple[FaultHypothesis, ...]
) -> tuple[FloatArray, FloatArray]:
    """Return the normal equations for the logarithms of the resistive joints' resistances.

    Returns:
        Precision Jᵀ C⁻¹ J + `PRIOR_PRECISION`, shape (joints, joints), and gradient Jᵀ C⁻¹ r,
        shape (joints,), for sensitivities J, covariance C and residuals r of the readings.
    """
    names = _resistive(faults)
    likelihood = conditional.likelihood
    if likelihood is None or not names:  # nothing but the prior is known
        return PRIOR_PRECISION * np.eye(len(names)), np.zeros(len(names))
    per_log_ohm = likelihood.per_log_ohm(names)
    inverse = np.linalg.inv(likelihood.healthy_covariance)
    off = likelihood.values - likelihood.healthy_mean()
    precision = per_log_ohm.T @ inverse @ per_log_ohm + PRIOR_PRECISION * np.eye(len(names))
    return precision, per_log_ohm.T @ inverse @ off


def _correlation_log(precision: FloatArray) -> float:
    """Return the correction of the summed log widths for correlated resistances.

    It is (Σ log Pᵢᵢ − log |P|) / 2 for the precision P.
    """
    if len(precision) < 2:
        return 0.0
    return float(np.log(np.diag(precision)).sum() - np.linalg.slogdet(precision)[1]) / 2.0


def _correlated_variance(precision: FloatArray) -> list[float]:
    """Return the variance of each log resistance that stays hidden while the others are fixed."""
    if not len(precision):
        return []
    hidden = np.diag(np.linalg.inv(precision)) - 1.0 / np.diag(precision)
    return [float(one) for one in np.maximum(hidden, 0.0)]


def _blurred(shares: FloatArray, variance: float) -> FloatArray:
    """Return shares of the grid convolved with a variance of the logarithm; open stays as it is."""
    if variance < GRID_STEP_LOG**2 / 12.0 or not (shares[:GRID_SIZE] > 0.0).any():
        return shares
    apart = (np.arange(GRID_SIZE)[:, None] - np.arange(GRID_SIZE)) * GRID_STEP_LOG
    spread = np.exp(-0.5 * apart**2 / variance)
    total = shares[:GRID_SIZE].sum()
    blurred = spread @ (shares[:GRID_SIZE] / spread.sum(axis=0))
    return np.append(blurred * (total / blurred.sum()), shares[OPEN_COLUMN])


def _resistive(faults: tuple[FaultHypothesis, ...]) -> list[str]:
    """Return the names of resistive joints."""
    return [hypothesis.where for hypothesis in faults if hypothesis.kind == "resistive"]


def _width_log(row: FloatArray) -> float:
    """Return the logarithm of the number of grid cells that fit as well as the best."""
    return float(np.logaddexp.reduce(row) - row.max())


def shares_of(row: FloatArray) -> FloatArray:
    """Return the share of a joint's weight at each resistance, shape (COLUMNS,).

    Args:
        row: log weight at each resistance, shape (COLUMNS,).
    """
    return np.asarray(np.exp(row - np.logaddexp.reduce(row)))


def with_combinations(
    single: Posterior, space: FaultSpace, several: list[FaultCombination]
) -> Posterior:
    """Return probabilities of each fault with combinations included.

    Args:
        single: probabilities of no fault and of every single fault.
        space: every single fault.
        several: combinations of several faults.

    Returns:
        Marginal probabilities, which need not sum to 1: two simultaneous faults may both be
        certain.
    """
    if not several:
        return single
    log_total = float(np.logaddexp.reduce([single.log_total, *(t.log_weight for t in several)]))
    share = float(np.exp(single.log_total - log_total))
    joints, chain = single.joints * share, single.chain * share
    place_of = {joint.name: place for place, joint in enumerate(space.joints)}
    for one in several:
        share = float(np.exp(one.log_weight - log_total))
        for hypothesis in one.faults:
            if hypothesis.chain >= 0:
                chain[hypothesis.chain] += share
            else:
                joints[place_of[hypothesis.where]] += (
                    share * one.resistance_shares[hypothesis.where]
                )
    return Posterior(
        single.healthy * float(np.exp(single.log_total - log_total)), joints, chain, log_total
    )


def sure_faults(
    several: list[FaultCombination], found: Posterior, space: FaultSpace
) -> tuple[FaultHypothesis, ...]:
    """Return the faults to give when the next reading is chosen.

    None while a single fault is likelier than all combinations; else those with a probability of
    at least `MIN_SURE_PROBABILITY`, or the likeliest fault of the best combination.

    Args:
        several: combinations of several faults, likeliest first.
        found: probabilities with those combinations included.
        space: every single fault.
    """
    weights = [one.log_weight for one in several]
    if not several or np.logaddexp.reduce(weights) < found.log_total - np.log(2.0):
        return ()
    place_of = {joint.name: place for place, joint in enumerate(space.joints)}

    def probability(hypothesis: FaultHypothesis) -> float:
        if hypothesis.chain >= 0:
            return float(found.chain[hypothesis.chain])
        return float(found.joints[place_of[hypothesis.where]].sum())

    ranked = sorted(
        several[0].faults, key=lambda hypothesis: (-probability(hypothesis), hypothesis.where)
    )
    sure = tuple(
        hypothesis for hypothesis in ranked if probability(hypothesis) >= MIN_SURE_PROBABILITY
    )
    return sure or tuple(ranked[:1])


def mark_explanation(conditional: ConditionalEvidence) -> list[FaultHypothesis]:
    """Return the joint that explains the marks best without the readings; empty if they need none.

    With several faults the readings may contradict each single fault that explains the marks.

    Args:
        conditional: the evidence with any faults given.
    """
    looks = conditional.marks_joints
    _, likeliest = conditional.likeliest[0]
    explained = conditional.marks_log(likeliest)
    if (
        conditional.likelihood is None
        or looks.max(initial=-np.inf) < explained + MIN_MARKS_GAIN_LOG
    ):
        return []
    score = looks + conditional.prior_log_odds[0]
    place = int(np.round(score.max(axis=1), 6).argmax())
    name = conditional.responses.space.joints[place].name
    return [FaultHypothesis(name, "resistive").at(int(score[place].argmax()))]


def partial_explanations(conditional: ConditionalEvidence) -> list[FaultHypothesis]:
    """Return joints at the resistance that explains most readings, even if not all; best first.

    By the likelihood of all readings, a fault that explains all but one is no better than one that
    explains nothing. Here the contribution of each reading is limited:
    −Σ log(1 + (value − mean)² / variance), a Cauchy likelihood.

    Args:
        conditional: the evidence with any faults given.
    """
    likelihood = conditional.likelihood
    if likelihood is None:
        return []
    score = _partial_score(likelihood, likelihood.rough_means()) + conditional.prior_log_odds[0]
    order = np.argsort(-np.round(score.max(axis=1), 6), kind="stable")[:MAX_PARTIAL_CANDIDATES]
    found = []
    for joint in order.tolist():
        best, column = float(score[joint].max()), int(score[joint].argmax())
        if any(effect.base.nonlinear[joint, column] for effect in likelihood.effects):
            best, column = _solved_partial(conditional, likelihood, joint) or (best, column)
        hypothesis = FaultHypothesis(
            conditional.responses.space.joints[joint].name, "resistive"
        ).at(column)
        found.append((best, hypothesis))
    found.sort(key=lambda row: -round(row[0], 6))
    return [hypothesis for _, hypothesis in found[:MAX_PARTIAL_EXPLANATIONS]]


def _solved_partial(
    conditional: ConditionalEvidence, likelihood: ReadingLikelihood, joint: int
) -> tuple[float, int] | None:
    """Return score and column of a joint that causes undervoltage, from solved circuits.

    An estimate is right about volts, not about ohms. None if the budget does not allow it.
    """
    nonlinear = np.logical_or.reduce(
        [effect.base.nonlinear[joint] for effect in likelihood.effects]
    )
    first = int(np.flatnonzero(nonlinear)[0])
    columns = sorted({*range(first, GRID_SIZE, KNOT_STEP), OPEN_COLUMN})
    units = (len(columns) + 2) * likelihood.solve_units
    if units > PARTIAL_BUDGET_SHARE * likelihood.budget.left:
        return None
    score = _partial_scores_at(conditional, likelihood, joint, columns)
    best = columns[int(score.argmax())]
    half = KNOT_STEP // 2
    near = [column for column in (best - half, best + half) if first <= column < OPEN_COLUMN]
    columns += near
    score = np.append(score, _partial_scores_at(conditional, likelihood, joint, near))
    return float(score.max()), columns[int(score.argmax())]


def _partial_scores_at(
    conditional: ConditionalEvidence, likelihood: ReadingLikelihood, joint: int, columns: list[int]
) -> FloatArray:
    """Return the scores of a joint solved at some resistances, shape (columns,)."""
    for column in columns:
        likelihood.charge(joint, column)
    if not columns:
        return np.zeros(0)
    means = np.array([means_at(likelihood, joint, column) for column in columns])
    return _partial_score(likelihood, means) + conditional.prior_log_odds[0][joint, columns]


def _partial_score(likelihood: ReadingLikelihood, mean: FloatArray) -> FloatArray:
    """Return the score of means, shape (...,) for means of shape (..., readings)."""
    moved = likelihood.values - likelihood.healthy_mean()
    variance = np.diag(likelihood.healthy_covariance) + (PARTIAL_MISS_SHARE * moved) ** 2
    return -np.asarray(np.log1p((likelihood.values - mean) ** 2 / variance).sum(axis=-1))
