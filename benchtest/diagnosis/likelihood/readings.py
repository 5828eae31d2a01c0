"""Likelihood of every single fault, given one set of readings.

A joint's resistance is summed over a fine grid rather than fitted. The Gaussian model of the
readings, with its shared causes, is that of `reading_model`. Under a fault that keeps every node on
the linear part of its I-V curve no new solution is needed: a joint's change is a rank-one change of
the circuit, readings change by `γ · change_per_v`, and derivatives by causes as in
`covariance_terms`.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from functools import cached_property

import numpy as np
from numpy.typing import NDArray

from benchtest.circuit.netlist import FloatArray, IndexArray
from benchtest.diagnosis.likelihood.covariance_terms import CovarianceTerms
from benchtest.diagnosis.likelihood.nonlinear import (
    estimate,
    estimated_rows,
    nonlinear_rows,
    rules_out_more,
    solve_at,
)
from benchtest.diagnosis.likelihood.rail_shorts import RailShort
from benchtest.diagnosis.likelihood.reading_model import ReadingModel
from benchtest.diagnosis.model.fault_response import COLUMNS, OPEN_COLUMN
from benchtest.diagnosis.model.wiring_faults import DeadCopper
from benchtest.diagnosis.solve_budget import likelihood_units
from benchtest.diagnosis.thresholds import MAX_BELOW_BEST_LOG, MIN_FITTED_SD
from benchtest.prop.design import FeedName


def linear_predictions(
    model: ReadingModel, joint: int, columns: NDArray[np.intp], *, separately: bool = False
) -> tuple[FloatArray, FloatArray]:
    """Return the readings under one joint's fault, and their covariance.

    Args:
        model: readings and circuit.
        joint: index of the joint in the fault space.
        columns: its resistances, as columns of the grid at which no node is nonlinear.
        separately: True to form the sums for this joint only, not for all joints.

    Returns:
        Shapes (columns, readings) and (columns, readings, readings). [V, V²]
    """
    joints = np.full(len(columns), joint, dtype=np.intp)
    if not separately:
        return linear_predictions_of_many(model, joints, columns)
    terms = CovarianceTerms(model.responses, model.effects, model.tolerances, joint)
    return _predictions(model, terms, joints, columns, separately=True)


def linear_predictions_of_many(
    model: ReadingModel, joints: NDArray[np.intp], columns: NDArray[np.intp]
) -> tuple[FloatArray, FloatArray]:
    """Return the readings under faults of many joints, and their covariance.

    Args:
        model: readings and circuit.
        joints: index of each row's joint in the fault space, shape (rows,).
        columns: its resistance, as a column of the grid, shape (rows,).

    Returns:
        Shapes (rows, readings) and (rows, readings, readings). [V, V²]
    """
    return _predictions(model, model.covariance_terms, joints, columns, separately=False)


def _predictions(
    model: ReadingModel,
    terms: CovarianceTerms,
    joints: NDArray[np.intp],
    columns: NDArray[np.intp],
    *,
    separately: bool,
) -> tuple[FloatArray, FloatArray]:
    """Return readings and covariance; with `separately`, `terms` are of the only joint."""
    tried, of = np.unique(joints, return_inverse=True)
    of = of.reshape(-1)
    rows = np.zeros_like(tried) if separately else tried
    change_per_v, lit_of = terms.change_per_v[rows[of]], terms.lit_of
    bases = [effect.base for effect in model.effects]
    compensating_a = np.array([base.compensating_a[joints, columns] for base in bases]).T[:, lit_of]
    phi = np.array([base.factor_phi[joints, columns] for base in bases]).T[:, lit_of]
    mean = model.healthy_mean() + compensating_a * change_per_v
    covariance = terms.covariances(rows, of, -phi * change_per_v, compensating_a)
    # the tried joint's resistance is known up to its position in the grid cell
    cell_a = np.array([base.cell_compensating_a[joints, columns] for base in bases]).T[:, lit_of]
    cell = cell_a * change_per_v
    covariance += cell[:, :, None] * cell[:, None, :]
    return mean, covariance + model.reading_errors(mean)


def linear_means(
    model: ReadingModel, joint: int, columns: NDArray[np.intp], *, separately: bool = False
) -> FloatArray:
    """Return the readings under one joint's fault, shape (columns, readings). [V, or A]

    Args:
        model: readings and circuit.
        joint: index of the joint in the fault space.
        columns: its resistances, as columns of the grid.
        separately: True to form nothing for the other joints.
    """
    if separately:
        rows = model.responses.joint_columns[joint : joint + 1]
        changes = [effect.branch[rows] for effect in model.effects]
        change_per_v = model.in_reading_order(changes, axis=1)[0]
    else:
        change_per_v = model.covariance_terms.change_per_v[joint]
    compensating_a = np.array(
        [effect.base.compensating_a[joint, columns] for effect in model.effects]
    ).T
    return np.asarray(model.healthy_mean() + compensating_a[:, model.lit_of] * change_per_v)


COARSE_STEP = 6
"""Grid steps between the resistances at which a joint is tried first. Near the best of them, and
where a single reading fits, every step is tried."""
EXPECTED_COLUMNS = 3 * COLUMNS // COARSE_STEP
"""Approximate number of resistances at which a joint's likelihood is computed."""
BATCH_OCTETS = 4_000_000
"""Memory of the covariances computed together, to stay in the processor's cache."""


@dataclass(frozen=True)
class JointLikelihoods:
    """Likelihood of every power joint's faults, given the readings.

    Attributes:
        joints: log likelihood of each joint at each resistance, open last, shape (joints, COLUMNS).
        joint_mean: readings under each of them, shape (joints, COLUMNS, readings). [V, or A]
    """

    joints: FloatArray
    joint_mean: FloatArray


@dataclass(frozen=True)
class Row:
    """Likelihood of one power joint at all resistances.

    Attributes:
        mean: predicted readings, shape (COLUMNS, readings). [V, or A]
        weight: log likelihood, shape (COLUMNS,).
        nonlinear: columns at which some node is nonlinear and that no lower resistance rules out.
    """

    mean: FloatArray
    weight: FloatArray
    nonlinear: IndexArray


class _LinearRows:
    """Likelihood of joints at the resistances that keep all nodes linear.

    It is computed at every few resistances, then at those around the best of them and around each
    that fits a single reading, and interpolated between.

    Attributes:
        joints: indices in the fault space.
        nonlinear: True where some node is nonlinear, shape (joints, COLUMNS).
        mean: predicted readings, shape (joints, COLUMNS, readings); invalid where nonlinear.
        weight: log likelihood, shape (joints, COLUMNS); invalid where nonlinear.
        last_covariance: covariance at each row's last linear resistance, by index in `joints`.
    """

    def __init__(
        self,
        likelihood: ReadingLikelihood,
        joints: list[int],
        nonlinear: NDArray[np.bool_],
        separately: bool = False,
    ) -> None:
        self.joints = joints
        self.nonlinear = nonlinear
        self._likelihood = likelihood
        self._separately = separately
        columns = np.arange(COLUMNS)
        self.mean = np.array(
            [linear_means(likelihood, joint, columns, separately=separately) for joint in joints]
        )
        self.weight = np.zeros((len(joints), COLUMNS))
        self.last_covariance: dict[int, FloatArray] = {}
        known = np.zeros_like(nonlinear)
        for place, row in enumerate(~nonlinear):
            linear = np.flatnonzero(row)
            is_coarse = len(linear) > 3 * COARSE_STEP
            known[place, linear[:: COARSE_STEP if is_coarse else 1]] = True
            known[place, linear[-1:]] = True
        self._compute(known)
        refined = np.zeros_like(nonlinear)
        for place, row in enumerate(~nonlinear):
            if known[place].sum() < row.sum():
                refined[place] = self._near(place, known[place]) & row & ~known[place]
        self._compute(refined)
        known |= refined
        for place, row in enumerate(~nonlinear):
            if known[place].sum() < row.sum():
                at, linear = np.flatnonzero(known[place]), np.flatnonzero(row)
                self.weight[place, linear] = np.interp(linear, at, self.weight[place, at])

    def _near(self, place: int, known: NDArray[np.bool_]) -> NDArray[np.bool_]:
        """Return the resistances near the best one, and near each that fits a reading."""
        columns, at = np.arange(COLUMNS), np.flatnonzero(known)
        best = int(at[self.weight[place, at].argmax()])
        found = np.abs(columns - best) < COARSE_STEP
        off = self._likelihood.residuals(self.mean[place])
        moved = np.ptp(self.mean[place], axis=0) > MIN_FITTED_SD * self._likelihood.healthy_sd
        crosses = ((off[1:, moved] > 0.0) != (off[:-1, moved] > 0.0)).any(axis=1)
        found[1:] |= crosses
        found[:-1] |= crosses
        return found

    def _compute(self, wanted: NDArray[np.bool_]) -> None:
        """Compute the likelihood at some places, shape (joints, COLUMNS)."""
        place, column = np.nonzero(wanted)
        if not len(place):
            return
        likelihood, joints = self._likelihood, np.array(self.joints, dtype=np.intp)
        if self._separately:
            mean, covariance = linear_predictions(
                likelihood, self.joints[0], column, separately=True
            )
        else:
            mean, covariance = linear_predictions_of_many(likelihood, joints[place], column)
        self.weight[place, column] = likelihood.log_density_of_rows(mean, covariance, joints[place])
        last = np.flatnonzero(np.append(place[1:] != place[:-1], True))
        for row in last.tolist():
            if not (~self.nonlinear[place[row], column[row] + 1 :]).any():
                self.last_covariance[int(place[row])] = covariance[row]


class ReadingLikelihood(ReadingModel):
    """Likelihood of every single fault of a prop, given one set of readings."""

    @cached_property
    def _rail_shorts(self) -> dict[frozenset[int], RailShort]:
        return {}

    def healthy(self) -> float:
        """Return the log likelihood of the readings without further faults."""
        found = float(self.log_density(self.healthy_mean(), self.healthy_covariance))
        self.record_best(found)
        return found

    def chain(self) -> FloatArray:
        """Return the log likelihood under each fault of `FaultSpace.chain`, (chain faults,)."""
        chain = self.log_density(self.chain_mean, self.healthy_covariance)
        for place, fault in enumerate(self.responses.space.chain):
            if fault.shorted is not None:
                chain[place] = self.dead_log_likelihood(fault.shorted)
                if (resistive := self.rail_short(fault.shorted)) is not None:
                    both = np.logaddexp(chain[place], resistive.log_likelihood)
                    chain[place] = both - np.log(2.0)
        return chain

    def rail_short(self, shorted: DeadCopper) -> RailShort | None:
        """Return the likelihood of a short with resistance on some copper.

        None with a blown fuse or other given faults: then only a short without voltage is tried.
        """
        if not shorted.amps_sd or not self.responses.is_fault_free:
            return None
        if shorted.strands not in self._rail_shorts:
            self._rail_shorts[shorted.strands] = RailShort(self, shorted)
        return self._rail_shorts[shorted.strands]

    def resistive_short(self, number: int) -> RailShort | None:
        """Return the short with resistance on the dead copper of one fault of `chain`."""
        copper = self.responses.space.chain[number].shorted
        every = [fault.shorted for fault in self.responses.space.chain if fault.shorted is not None]
        same = [one for one in every if copper is not None and one.strands == copper.strands]
        found = [short for one in same if (short := self.rail_short(one)) is not None]
        return found[0] if found else None

    def resistive_short_shares(self, number: int) -> FloatArray:
        """Return the share of a chain fault's likelihood for each trial of `RailShort.likeliest`.

        The rest is that of copper without voltage. Shape (trials,); empty if none is tried.
        """
        shorted, short = self.responses.space.chain[number].shorted, self.resistive_short(number)
        if shorted is None or short is None or np.isneginf(short.log_likelihood):
            return np.zeros(0)
        both = np.logaddexp(short.log_likelihood, self.dead_log_likelihood(shorted))
        return np.asarray(short.likeliest[1] * np.exp(short.log_likelihood - both))

    def under_chain(self, place: int) -> tuple[FloatArray, FloatArray]:
        """Return the readings and their covariance under one fault of `FaultSpace.chain`."""
        if (shorted := self.responses.space.chain[place].shorted) is not None:
            resistive = self.rail_short(shorted)
            if resistive is not None and resistive.is_likely:
                return resistive.best()
            modes = [self.dead_short(shorted, is_steady=steady) for steady in (True, False)]
            return max(modes, key=lambda mode: float(self.log_density(*mode)))
        return self.chain_mean[place], self.healthy_covariance

    def under(self, joint: int, column: int) -> tuple[FloatArray, FloatArray]:
        """Return the readings and their covariance under one joint's fault.

        Args:
            joint: index in the fault space; -1 for the healthy prop.
            column: its resistance, as a column of the grid.

        Returns:
            Shapes (readings,) and (readings, readings).
        """
        if joint < 0:
            return self.healthy_mean(), self.healthy_covariance
        mean, covariance = self._under(joint, column)
        fault = self.responses.space.joints[joint]
        if fault.is_fuse and (dead := self._clamped(fault.name)).any():
            # a clamp reads the current of the cable that the blown fuse opens
            mean = np.where(dead, 0.0, mean)
            covariance = np.where(dead[:, None] | dead, 0.0, covariance)
            covariance[dead, dead] = self.noise.own[dead] ** 2
        return mean, covariance

    def _clamped(self, feed: str) -> NDArray[np.bool_]:
        """Return the readings by a clamp around the cable of one feed, shape (readings,)."""
        readings = [reading for effect in self.effects for reading in effect.taps.readings]
        is_clamp = [r.volts is None and r.probe.red.place == FeedName(feed) for r in readings]
        return np.array(is_clamp, dtype=bool)[np.argsort(self.rows)]

    def _under(self, joint: int, column: int) -> tuple[FloatArray, FloatArray]:
        separately = self.responses.is_large
        if self._nonlinear(joint, separately)[column]:
            is_solved = column == OPEN_COLUMN and joint in self.open_solved
            is_refused = joint in self.estimated or not self.may_solve(joint, [column])
            if is_refused and not is_solved:
                means, covariances = estimate(self, joint, np.array([column]))
                return means[0], covariances[0]
            return solve_at(self, joint, column)
        if column == OPEN_COLUMN and self._parts_supplies(joint):
            return solve_at(self, joint, column)
        columns = np.array([column])
        means, covariances = linear_predictions(self, joint, columns, separately=separately)
        return means[0], covariances[0]

    def rough_means(self) -> FloatArray:
        """Return estimated readings under every joint's fault, (joints, COLUMNS, readings)."""
        compensating_a = np.array([effect.capped_compensating_a for effect in self.effects])[
            self.covariance_terms.lit_of
        ]
        return np.asarray(
            self.healthy_mean()
            + np.moveaxis(compensating_a, 0, -1) * self.covariance_terms.change_per_v[:, None, :]
        )

    def _nonlinear(self, joint: int, separately: bool) -> NDArray[np.bool_]:
        """Return where one joint makes some node nonlinear under any lit set, shape (COLUMNS,)."""
        bases = [effect.base for effect in self.effects]
        rows = [
            base.nonlinear_row(joint) if separately else base.nonlinear[joint] for base in bases
        ]
        return np.asarray(np.logical_or.reduce(rows))

    @property
    def row_units(self) -> int:
        """Cost of one joint's likelihood at all resistances."""
        return likelihood_units(len(self.values), EXPECTED_COLUMNS)

    def _fuse(self, joint: int) -> Row:
        """Return the row of a blown fuse, the same in every column; see `rough`."""
        mean, covariance = self.under(joint, OPEN_COLUMN)
        weight = float(self.log_density(mean, covariance, joint))
        nonlinear = np.zeros(0, dtype=np.intp)
        return Row(np.tile(mean, (COLUMNS, 1)), np.full(COLUMNS, weight), nonlinear)

    def rough(self, joint: int, *, separately: bool = False) -> Row:
        """Return one joint at all resistances, with estimates where it is nonlinear.

        Args:
            joint: its index in the fault space.
            separately: True to form nothing for other joints of a large prop.
        """
        if not self.responses.is_large:
            return self.rough_rows([joint])[joint]
        if self.responses.space.joints[joint].is_fuse:
            return self._fuse(joint)
        return self._rough_of(
            _LinearRows(self, [joint], self._nonlinear(joint, separately)[None], separately)
        )

    def rough_rows(self, joints: Sequence[int]) -> dict[int, Row]:
        """Return `rough` of many joints, computed together."""
        fuses = {joint for joint in joints if self.responses.space.joints[joint].is_fuse}
        found = {joint: self._fuse(joint) for joint in joints if joint in fuses}
        rest = [joint for joint in joints if joint not in fuses]
        step = max(1, BATCH_OCTETS // (8 * EXPECTED_COLUMNS * len(self.values) ** 2))
        nonlinear = np.logical_or.reduce([effect.base.nonlinear for effect in self.effects])
        for start in range(0, len(rest), step):
            batch = rest[start : start + step]
            rows = _LinearRows(self, batch, nonlinear[batch])
            found |= {joint: self._rough_of(rows, place) for place, joint in enumerate(batch)}
        return found

    def _rough_of(self, rows: _LinearRows, place: int = 0) -> Row:
        """Return one joint's row: exact where linear, estimated elsewhere."""
        joint, mean, weight = rows.joints[place], rows.mean[place], rows.weight[place]
        is_nonlinear = rows.nonlinear[place]
        nonlinear = np.flatnonzero(is_nonlinear)
        if not is_nonlinear.all():
            self.record_best(float(weight[~is_nonlinear].max()))
            last = int(np.flatnonzero(~is_nonlinear)[-1])
            if len(nonlinear) and rules_out_more(self, mean[last], rows.last_covariance[place]):
                mean[nonlinear], weight[nonlinear] = mean[last], weight[last]
                return Row(mean, weight, nonlinear[:0])
        if len(nonlinear):
            mean[nonlinear], weight[nonlinear] = estimated_rows(self, joint, nonlinear)
        elif self._parts_supplies(joint):
            self._solve_open(joint, mean, weight)
        return Row(mean, weight, nonlinear)

    def _solve_open(self, joint: int, mean: FloatArray, weight: FloatArray) -> None:
        """Replace the values of an open joint by solved ones, shapes as in `Row`."""
        mean[OPEN_COLUMN], covariance = solve_at(self, joint, OPEN_COLUMN)
        weight[OPEN_COLUMN] = self.log_density(mean[OPEN_COLUMN], covariance, joint)

    def _parts_supplies(self, joint: int) -> bool:
        """Return True for a joint of a feed that must be solved when open, and may be.

        By the linear spread, the current that circulates between unequal supplies would still flow.
        """
        is_of_feed = not self.responses.space.joints[joint].strands
        if not is_of_feed or len(self.responses.circuit.supply_v) < 2:
            return False
        return self.may_solve(joint, [OPEN_COLUMN])

    def is_plausible(self, row: Row) -> bool:
        """Return True if a joint's nonlinear resistances may matter, by estimate."""
        return bool(
            len(row.nonlinear) and row.weight[row.nonlinear].max() > self.best - MAX_BELOW_BEST_LOG
        )

    def limited(self, rough: Row) -> Row:
        """Return a row that is not solved, with its estimates no likelier than the best exact one.

        An estimate with a large enough variance fits any reading.
        """
        weight = rough.weight.copy()
        weight[rough.nonlinear] = np.minimum(weight[rough.nonlinear], self.best_here)
        return Row(rough.mean, weight, rough.nonlinear)

    def with_open_solved(self, joint: int, rough: Row) -> Row:
        """Return a row with the open joint solved, without regard to the budget.

        Args:
            joint: its index in the fault space.
            rough: its row by estimate, nonlinear when open.
        """
        mean, weight = rough.mean.copy(), rough.weight.copy()
        self._solve_open(joint, mean, weight)
        self.record_best(float(weight[OPEN_COLUMN]))
        self.open_solved.add(joint)
        return Row(mean, weight, rough.nonlinear)

    def refined(self, joint: int, rough: Row, max_units: float, *, is_forced: bool = False) -> Row:
        """Return a row with nonlinear resistances solved as far as the budget allows.

        Args:
            joint: its index in the fault space.
            rough: its row by estimate.
            max_units: budget that this joint may use.
            is_forced: True to solve it at a few resistances without regard to the budget.
        """
        mean, weight = rough.mean.copy(), rough.weight.copy()
        nonlinear_rows(self, joint, rough.nonlinear, mean, weight, max_units, is_forced=is_forced)
        if joint in self.estimated:
            return rough
        self.record_best(float(weight[rough.nonlinear].max()))
        return Row(mean, weight, rough.nonlinear)


def with_best_values(likelihood: ReadingLikelihood, log_odds: FloatArray) -> FloatArray:
    """Return the readings, with the end of a range replaced by the likeliest value beyond it.

    That value is the prediction of the single fault, or of no fault, that fits all readings best;
    several faults are then evaluated with it. The end itself where the best prediction does not
    exceed it.

    Args:
        likelihood: the readings without given faults.
        log_odds: logarithm of each joint fault's prior odds against no fault, (joints, COLUMNS).

    Returns:
        Shape (readings,). [V, or A]
    """
    best, mean = likelihood.healthy(), likelihood.healthy_mean()
    joints = range(len(likelihood.responses.space.joints))
    rows = {} if likelihood.responses.is_large else likelihood.rough_rows(joints)
    for joint, row in rows.items():
        weight = row.weight + log_odds[joint]
        column = int(weight.argmax())
        if weight[column] > best:
            best, mean = float(weight[column]), row.mean[column]
    return mean + likelihood.residuals(mean)
