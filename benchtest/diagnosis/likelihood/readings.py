"""How well each fault explains the readings: Gaussian, with every shared cause kept shared.

Under a joint fault the readings are Gaussian around the circuit's answer. Node current, wire,
copper, supplies and the meter's gain are single unknowns that all readings share; healthy joints
and nodes have their own. All are integrated out exactly, and the joint's resistance is summed
over a fine grid rather than fitted.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from functools import cached_property

import numpy as np
from numpy.typing import NDArray

from benchtest.circuit.netlist import FloatArray, IndexArray
from benchtest.diagnosis.likelihood.linear import (
    linear_means,
    linear_predictions,
    linear_predictions_of_many,
)
from benchtest.diagnosis.likelihood.nonlinear import (
    HOPELESS_LOG,
    estimate,
    estimated_rows,
    nonlinear_rows,
    rules_out_more,
    solve_at,
)
from benchtest.diagnosis.likelihood.rail_shorts import RailShort
from benchtest.diagnosis.likelihood.reading_model import ReadingModel
from benchtest.diagnosis.model.fault_response import COLUMNS, GRID
from benchtest.diagnosis.model.wiring_faults import DeadCopper
from benchtest.diagnosis.solve_budget import likelihood_units
from benchtest.prop.design import FeedName

THIN = 6
"""Steps of the grid between two resistances that a joint is first weighed at. Near the best of
them, and where a reading fits by itself, each step is."""
FITTED_SD = 3.0
"""Standard deviations by which a joint moves a reading that is looked for so. Ours."""
KNOWN_COLUMNS = 3 * COLUMNS // THIN
"""Resistances that a joint is weighed at, about."""
AT_ONCE_OCTETS = 4_000_000
"""Covariances worked out together: more than that leaves a processor's own memory."""


@dataclass(frozen=True)
class JointLikelihoods:
    """Every power joint's faults, given the readings.

    Attributes:
        joints: logarithm of likelihood of each joint at each resistance, open last,
            shape (joints, COLUMNS).
        joint_mean: readings under each of `joints`, shape (joints, COLUMNS, readings).
    """

    joints: FloatArray
    joint_mean: FloatArray


@dataclass(frozen=True)
class Row:
    """One power joint at all resistances.

    Attributes:
        mean: readings, shape (COLUMNS, readings).
        weight: logarithm of their likelihood, shape (COLUMNS,).
        starved: places in the grid that starve nodes and that no resistance below rules out.
    """

    mean: FloatArray
    weight: FloatArray
    starved: IndexArray


class _LinearRows:
    """Joints at the resistances that starve no node.

    Likelihoods are worked out at every few resistances, then at those around the best of them and
    around each that some reading fits by itself, and interpolated between.

    Attributes:
        joints: places in the fault space.
        bent: where nodes are starved, shape (joints, COLUMNS).
        mean: readings, shape (joints, COLUMNS, readings); of bent places without meaning.
        weight: logarithm of their likelihood, shape (joints, COLUMNS); likewise.
        last_covariance: at the last resistance that starves no node, by place.
    """

    def __init__(
        self,
        likelihood: ReadingLikelihood,
        joints: list[int],
        nonlinear: NDArray[np.bool_],
        alone: bool = False,
    ) -> None:
        self.joints = joints
        self.nonlinear = nonlinear
        self._likelihood = likelihood
        self._alone = alone
        every = np.arange(COLUMNS)
        self.mean = np.array(
            [linear_means(likelihood, joint, every, alone=alone) for joint in joints]
        )
        self.weight = np.zeros((len(joints), COLUMNS))
        self.last_covariance: dict[int, FloatArray] = {}
        known = np.zeros_like(nonlinear)
        for place, row in enumerate(~nonlinear):
            straight = np.flatnonzero(row)
            thin = len(straight) > 3 * THIN
            known[place, straight[:: THIN if thin else 1]] = True
            known[place, straight[-1:]] = True
        self._work_out(known)
        more = np.zeros_like(nonlinear)
        for place, row in enumerate(~nonlinear):
            if known[place].sum() < row.sum():
                more[place] = self._near(place, known[place]) & row & ~known[place]
        self._work_out(more)
        known |= more
        for place, row in enumerate(~nonlinear):
            if known[place].sum() < row.sum():
                at, straight = np.flatnonzero(known[place]), np.flatnonzero(row)
                self.weight[place, straight] = np.interp(straight, at, self.weight[place, at])

    def _near(self, place: int, known: NDArray[np.bool_]) -> NDArray[np.bool_]:
        """Return the resistances near the best one, and near each that a reading fits."""
        every, at = np.arange(COLUMNS), np.flatnonzero(known)
        best = int(at[self.weight[place, at].argmax()])
        found = np.abs(every - best) < THIN
        off = self._likelihood.values - self.mean[place]
        moved = np.ptp(self.mean[place], axis=0) > FITTED_SD * self._likelihood.healthy_sd
        record_best = (off[1:, moved] > 0.0) != (off[:-1, moved] > 0.0)
        meets = record_best.any(axis=1)
        found[1:] |= meets
        found[:-1] |= meets
        return found

    def _work_out(self, wanted: NDArray[np.bool_]) -> None:
        """Fill in the likelihood at some places, shape (joints, COLUMNS)."""
        place, column = np.nonzero(wanted)
        if not len(place):
            return
        likelihood, joints = self._likelihood, np.array(self.joints, dtype=np.intp)
        if self._alone:
            mean, covariance = linear_predictions(likelihood, self.joints[0], column, alone=True)
        else:
            mean, covariance = linear_predictions_of_many(likelihood, joints[place], column)
        self.weight[place, column] = likelihood.density_of_many(mean, covariance, joints[place])
        last = np.flatnonzero(np.append(place[1:] != place[:-1], True))
        for row in last.tolist():
            if not (~self.nonlinear[place[row], column[row] + 1 :]).any():
                self.last_covariance[int(place[row])] = covariance[row]


class ReadingLikelihood(ReadingModel):
    """Weighs every single fault of a prop against one set of readings."""

    @cached_property
    def _rail_shorts(self) -> dict[frozenset[int], RailShort]:
        return {}

    def healthy(self) -> float:
        """Logarithm of the readings' likelihood with nothing more wrong."""
        found = float(self.density(self.healthy_mean(), self.healthy_covariance))
        self.record_best(found)
        return found

    def chain(self) -> FloatArray:
        """The same under each fault of the data line or a node, shape (chain faults,)."""
        # nodes that stay dark take current away, but change no path it takes
        chain = self.density(self.chain_mean, self.healthy_covariance)
        for place, fault in enumerate(self.responses.space.chain):
            if fault.shorted is not None:
                chain[place] = self.dead(fault.shorted)
                if (soft := self.rail_short(fault.shorted)) is not None:
                    both = np.logaddexp(chain[place], soft.log_likelihood)
                    chain[place] = both - np.log(2.0)
        return chain

    def rail_short(self, shorted: DeadCopper) -> RailShort | None:
        """The same copper's rails joined by a resistance.

        None where a fuse is gone, and where other faults are given: then it is the dead short alone
        that is weighed.
        """
        if not shorted.amps_sd or not self.responses.is_fault_free:
            return None
        if shorted.strands not in self._rail_shorts:
            self._rail_shorts[shorted.strands] = RailShort(self, shorted)
        return self._rail_shorts[shorted.strands]

    @property
    def soft_share(self) -> float:
        """Share of the likelihood of joined rails that leave some volts; 0 where none is tried."""
        for fault in self.responses.space.chain:
            if fault.shorted is not None and (soft := self.rail_short(fault.shorted)) is not None:
                dead = self.dead(fault.shorted)
                return float(np.exp(soft.log_likelihood - np.logaddexp(soft.log_likelihood, dead)))
        return 0.0

    def under_chain(self, place: int) -> tuple[FloatArray, FloatArray]:
        """Readings and their covariance under one fault of `chain`."""
        if (shorted := self.responses.space.chain[place].shorted) is not None:
            soft = self.rail_short(shorted)
            if soft is not None and soft.is_likely:
                return soft.best()
            ways = [self.dead_short(shorted, is_steady=steady) for steady in (True, False)]
            return max(ways, key=lambda way: float(self.density(*way)))
        return self.chain_mean[place], self.healthy_covariance

    def under(self, joint: int, column: int) -> tuple[FloatArray, FloatArray]:
        """Readings and their covariance under one fault; of the healthy prop where joint is -1."""
        if joint < 0:
            return self.healthy_mean(), self.healthy_covariance
        mean, covariance = self._under(joint, column)
        fault = self.responses.space.joints[joint]
        if fault.is_fuse and (dead := self._clamped(fault.name)).any():
            # a clamp reads its cable's conductance times volts, and that is what is open
            mean = np.where(dead, 0.0, mean)
            covariance = np.where(dead[:, None] | dead, 0.0, covariance)
            covariance[dead, dead] = self.noise.own[dead] ** 2
        return mean, covariance

    def _clamped(self, feed: str) -> NDArray[np.bool_]:
        """Readings by a clamp round the cable of one feed, shape (readings,)."""
        readings = [reading for effect in self.effects for reading in effect.taps.readings]
        mine = [r.volts is None and r.probe.red.place == FeedName(feed) for r in readings]
        return np.array(mine, dtype=bool)[np.argsort(self.rows)]

    def _under(self, joint: int, column: int) -> tuple[FloatArray, FloatArray]:
        alone = self.responses.is_large
        if self._nonlinear(joint, alone)[column]:
            if joint in self.estimated or not self.may_solve(joint, [column]):
                means, covariances = estimate(self, joint, np.array([column]))
                return means[0], covariances[0]
            return solve_at(self, joint, column)
        means, covariances = linear_predictions(self, joint, np.array([column]), alone=alone)
        return means[0], covariances[0]

    def rough_means(self) -> FloatArray:
        """Readings under every joint's fault by estimate, shape (joints, COLUMNS, readings)."""
        compensating_a = np.array([effect.capped_compensating_a for effect in self.effects])[
            self.covariance_terms.of
        ]
        return np.asarray(
            self.healthy_mean()
            + np.moveaxis(compensating_a, 0, -1) * self.covariance_terms.own[:, None, :]
        )

    def _nonlinear(self, joint: int, alone: bool) -> NDArray[np.bool_]:
        """Where one joint starves nodes under any lit set, shape (COLUMNS,)."""
        bases = [effect.base for effect in self.effects]
        rows = [base.nonlinear_row(joint) if alone else base.nonlinear[joint] for base in bases]
        return np.asarray(np.logical_or.reduce(rows))

    @property
    def row_units(self) -> int:
        """Cost of one joint's likelihood at all resistances."""
        return likelihood_units(len(self.values), KNOWN_COLUMNS)

    def _fuse(self, joint: int) -> Row:
        """A fuse that has blown, at whatever place in the grid; see `rough`."""
        mean, covariance = self.under(joint, GRID)
        weight = float(self.density(mean, covariance, joint))
        none = np.zeros(0, dtype=np.intp)
        return Row(np.tile(mean, (COLUMNS, 1)), np.full(COLUMNS, weight), none)

    def rough(self, joint: int, *, alone: bool = False) -> Row:
        """Return one joint at all resistances, by estimate where nodes are starved.

        Args:
            joint: its place in the fault space.
            alone: nothing is asked of other joints: of a large prop nothing is formed for them.
        """
        if not self.responses.is_large:
            return self.rough_rows([joint])[joint]
        if self.responses.space.joints[joint].is_fuse:
            return self._fuse(joint)
        return self._rough_of(
            _LinearRows(self, [joint], self._nonlinear(joint, alone)[None], alone)
        )

    def rough_rows(self, joints: Sequence[int]) -> dict[int, Row]:
        """Return `rough` of many joints, worked out together."""
        fuses = {joint for joint in joints if self.responses.space.joints[joint].is_fuse}
        found = {joint: self._fuse(joint) for joint in joints if joint in fuses}
        rest = [joint for joint in joints if joint not in fuses]
        step = max(1, AT_ONCE_OCTETS // (8 * KNOWN_COLUMNS * len(self.values) ** 2))
        nonlinear = np.logical_or.reduce([effect.base.nonlinear for effect in self.effects])
        for start in range(0, len(rest), step):
            some = rest[start : start + step]
            rows = _LinearRows(self, some, nonlinear[some])
            found |= {joint: self._rough_of(rows, place) for place, joint in enumerate(some)}
        return found

    def _rough_of(self, rows: _LinearRows, place: int = 0) -> Row:
        """Return one joint's row: straight ones as they are, the others estimated."""
        joint, mean, weight = rows.joints[place], rows.mean[place], rows.weight[place]
        nonlinear = rows.nonlinear[place]
        starved = np.flatnonzero(nonlinear)
        if not nonlinear.all():
            self.record_best(float(weight[~nonlinear].max()))
            last = int(np.flatnonzero(~nonlinear)[-1])
            if len(starved) and rules_out_more(self, mean[last], rows.last_covariance[place]):
                mean[starved], weight[starved] = mean[last], weight[last]
                return Row(mean, weight, starved[:0])
        if len(starved):
            mean[starved], weight[starved] = estimated_rows(self, joint, starved)
        return Row(mean, weight, starved)

    def is_plausible(self, row: Row) -> bool:
        """True where a joint's starving resistances may matter, by estimate."""
        return bool(len(row.starved) and row.weight[row.starved].max() > self.best - HOPELESS_LOG)

    def limited(self, rough: Row) -> Row:
        """One joint that is not solved: an estimate that is vague enough explains anything.

        So it is never likelier than the best that was worked out.
        """
        weight = rough.weight.copy()
        weight[rough.starved] = np.minimum(weight[rough.starved], self.best_here)
        return Row(rough.mean, weight, rough.starved)

    def refined(self, joint: int, rough: Row, most_units: float) -> Row:
        """Return one joint with nonlinear resistances solved as far as the budget allows."""
        mean, weight = rough.mean.copy(), rough.weight.copy()
        nonlinear_rows(self, joint, rough.starved, mean, weight, most_units)
        if joint in self.estimated:
            return rough
        self.record_best(float(weight[rough.starved].max()))
        return Row(mean, weight, rough.starved)
