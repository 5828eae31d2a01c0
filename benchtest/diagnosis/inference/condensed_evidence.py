"""Evidence of one earlier time as a table of every single fault, corrected for given faults.

Without given faults the table is exact. With some it is a low-order correction: the shifts of the
readings by single faults add up; node current and the grid's cell scale each shift; one typing
error is allowed as in `robust_gaussian`. The shift by a fault that causes undervoltage is known to
`ESTIMATE_SHARE`. The error of this approximation for each fault alone is subtracted, limited to
`MAX_CORRECTION_LOG`. Of marks, given faults and a further one explain what each explains alone, and
contradict what each contradicts alone.
"""

from __future__ import annotations

from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass
from functools import cached_property

import numpy as np
from numpy.typing import NDArray

from benchtest.circuit.netlist import FloatArray
from benchtest.diagnosis.inference.conditional import ConditionalEvidence
from benchtest.diagnosis.inference.posterior import FaultHypothesis
from benchtest.diagnosis.likelihood.marks import (
    StrandLook,
    strand_looks,
)
from benchtest.diagnosis.likelihood.nonlinear import ESTIMATE_SHARE
from benchtest.diagnosis.likelihood.robust_gaussian import shifted_log_likelihood
from benchtest.diagnosis.likelihood.unit_marks import UnitMarkLikelihood
from benchtest.diagnosis.model.fault_response import CELL_SD, COLUMNS
from benchtest.diagnosis.model.faults import ChainFault, FaultSpace
from benchtest.diagnosis.thresholds import (
    MAX_CORRECTION_LOG,
    MAX_EARLIER_GAIN_LOG,
    MIN_SHIFT_SD,
)

BLOCK_OCTETS = 4_000_000
"""Memory of the shifts evaluated together, to stay in the processor's cache."""


@dataclass(frozen=True)
class ReadingTable:
    """Readings of one time and their likelihood under every single fault.

    Attributes:
        values: readings, shape (readings,). [V, or A]
        healthy_mean: expected readings with no further fault, shape (readings,). [V, or A]
        covariance: covariance of the readings then, shape (readings, readings).
        current_sd: standard deviation of node current, as a share; it scales every shift.
        slip_per_v: see `robust_gaussian.log_likelihood`. [1/V]
        across_joint: index of the joint that each reading is taken across, -1 for none or for one
            of `high_joints`, shape (readings,).
        high_joints: effect of each joint in the upper tail beyond that of a usual one, by index,
            shape (readings,); see `ReadingModel.high_joint_effects`. [V]
        healthy: log likelihood with no further fault.
        joints: log likelihood with each joint at fault, shape (joints, COLUMNS).
        chain: log likelihood of each chain fault, shape (chain faults,).
        joint_shift: expected readings under each joint's fault less `healthy_mean`, float32,
            shape (joints, COLUMNS, readings).
        chain_shift: distinct shifts of the readings by chain faults, shape (shifts, readings).
        chain_shift_row: row of `chain_shift` for each chain fault, shape (chain faults,).
        undervoltage: True for resistances that cause undervoltage, shape (joints, COLUMNS).
        estimated: True for joints of which those resistances were not solved, shape (joints,).
    """

    values: FloatArray
    healthy_mean: FloatArray
    covariance: FloatArray
    current_sd: float
    slip_per_v: float
    across_joint: NDArray[np.intp]
    high_joints: Mapping[int, FloatArray]
    healthy: float
    joints: FloatArray
    chain: FloatArray
    joint_shift: NDArray[np.float32]
    chain_shift: FloatArray
    chain_shift_row: NDArray[np.intp]
    undervoltage: NDArray[np.bool_]
    estimated: NDArray[np.bool_]

    def scale_sd(self, joint: int, columns: slice | int = slice(None)) -> FloatArray:
        """Return the standard deviation of the shift by a joint's fault, as a share of it."""
        guess = np.where(self.undervoltage[joint, columns], ESTIMATE_SHARE, CELL_SD)
        return np.asarray(np.hypot(self.current_sd, guess))

    def shift_of(self, index: _TableIndex) -> tuple[FloatArray, float]:
        """Return the shift of the readings by one fault, and its standard deviation as a share."""
        if index.joint >= 0:
            shift = self.joint_shift[index.joint, index.column].astype(np.float64)
            return shift, float(self.scale_sd(index.joint, index.column))
        return self.chain_shift[self.chain_shift_row[index.chain]], self.current_sd

    @cached_property
    def alone(self) -> _ConditionalReadings:
        """The readings with no fault given."""
        return _ConditionalReadings(self, ())

    @cached_property
    def moves(self) -> NDArray[np.bool_]:
        """True for joints whose faults move some reading noticeably, shape (joints,)."""
        sd = np.sqrt(np.diag(self.covariance))
        most = [np.abs(shift / sd).max(initial=0.0) for shift in self.joint_shift]
        return np.array(most, dtype=np.float64) >= MIN_SHIFT_SD

    def shifts_of(
        self, joints: NDArray[np.intp]
    ) -> tuple[FloatArray, FloatArray, NDArray[np.intp]]:
        """Return the shifts by some joints at all resistances, with their scale and their joint.

        Args:
            joints: indices of the joints, shape (n,).

        Returns:
            Shapes (n * COLUMNS, readings), (n * COLUMNS,) and (n * COLUMNS,).
        """
        shift = self.joint_shift[joints].astype(np.float64).reshape(-1, len(self.values))
        scale = np.hypot(
            self.current_sd, np.where(self.undervoltage[joints], ESTIMATE_SHARE, CELL_SD)
        )
        return shift, scale.reshape(-1), np.repeat(joints, COLUMNS)

    @cached_property
    def joints_alone(self) -> FloatArray:
        """Approximate log likelihood of each joint's fault alone, shape (joints, COLUMNS).

        Only joints of `moves` have one; it is 0 for all others.
        """
        found = np.zeros_like(self.joints)
        for joint in np.flatnonzero(self.moves).tolist():
            found[joint] = self.alone.log_likelihood_under(*self.shifts_of(np.array([joint])))
        return found

    def log_likelihood_of(self, index: _TableIndex) -> float:
        """Return the log likelihood of one fault alone."""
        if index.joint >= 0:
            return float(self.joints[index.joint, index.column])
        return float(self.chain[index.chain])


@dataclass(frozen=True)
class MarkTable:
    """Marks of one time: log likelihoods as in `ReadingTable`.

    Attributes:
        healthy: with no further fault.
        joints: with each joint at fault, shape (joints, COLUMNS).
        chain: of each chain fault, shape (chain faults,).
        best: of the best explanation that the marks could have.
    """

    healthy: float
    joints: FloatArray
    chain: FloatArray
    best: float

    def gain_and_loss(self, given: Sequence[_TableIndex]) -> tuple[float, float]:
        """Return the largest gain of log likelihood by a given fault, and the sum of all losses."""
        gains = [
            (float(self.joints[p.joint, p.column]) if p.joint >= 0 else float(self.chain[p.chain]))
            - self.healthy
            for p in given
        ]
        return max([0.0, *gains]), sum(min(0.0, gain) for gain in gains)

    def under(self, given: tuple[float, float], single: FloatArray) -> FloatArray:
        """Return the log likelihood with given faults and one further fault.

        Args:
            given: gain and loss by the given faults, see `gain_and_loss`.
            single: log likelihood of each further fault alone, any shape.

        Returns:
            Same shape as `single`.
        """
        gain = single - self.healthy
        both = np.maximum(given[0], gain) + given[1] + np.minimum(gain, 0.0)
        return np.asarray(np.minimum(self.healthy + both, self.best))


@dataclass(frozen=True)
class _TableIndex:
    """Indices of one fault in a table; -1 where they do not apply."""

    joint: int = -1
    column: int = -1
    chain: int = -1


class EvidenceTable:
    """Evidence of one time under one state of the unit, as tables of single further faults.

    Attributes:
        hypotheses: faults of that state, given in all tables.
        reading_tables: tables of readings, each with its sign.
        mark_tables: tables of marks, each with its sign.
    """

    def __init__(
        self,
        hypotheses: tuple[FaultHypothesis, ...],
        names: Sequence[str],
        chain_ids: Sequence[int],
        chain: Sequence[ChainFault],
        reading_tables: Sequence[tuple[float, ReadingTable]],
        mark_tables: Sequence[tuple[float, MarkTable]],
    ) -> None:
        """Keep signed tables: +1 for evidence of that time, -1 for its part that still counts now.

        Args:
            hypotheses: faults given in all tables.
            names: joints, in the order of the tables.
            chain_ids: index of each chain fault in the whole fault space.
            chain: the chain faults.
            reading_tables: tables of readings with their signs.
            mark_tables: tables of marks with their signs.
        """
        self.hypotheses = hypotheses
        self._joint_row_of = {name: index for index, name in enumerate(names)}
        self._chain_row_of = {index: n for n, index in enumerate(chain_ids)}
        self._row_of_fault = {id(fault): n for n, fault in enumerate(chain)}
        self.reading_tables = reading_tables
        self.mark_tables = mark_tables

    @property
    def healthy(self) -> float:
        """Return the log likelihood with no further fault."""
        total = sum(sign * one.healthy for sign, one in self.reading_tables)
        return total + sum(sign * one.healthy for sign, one in self.mark_tables)

    @cached_property
    def max_readings_log(self) -> float:
        """Limit of the readings' log likelihood when part of them still counts now.

        The difference of two tables is the log likelihood of the remaining readings given the kept
        ones. No fault raises it above the peak of that density. Without the limit, a fault that was
        solved for the kept part and only estimated for the whole would explain far too much.
        """
        if all(sign > 0.0 for sign, _ in self.reading_tables):
            return np.inf
        logs = [
            sign * float(np.linalg.slogdet(2.0 * np.pi * one.covariance)[1])
            for sign, one in self.reading_tables
        ]
        return MAX_CORRECTION_LOG - 0.5 * sum(logs)

    @cached_property
    def readings_none_log(self) -> float:
        """The readings' log likelihood with no further fault."""
        return sum(sign * one.healthy for sign, one in self.reading_tables)

    @cached_property
    def readings_best_log(self) -> float:
        """The readings' highest log likelihood with at most one further fault that was solved."""
        best = [self.readings_none_log]
        if self.reading_tables:
            guessed = np.logical_or.reduce(
                [one.estimated[:, None] & one.undervoltage for _, one in self.reading_tables]
            )
            joints = sum(sign * one.joints for sign, one in self.reading_tables)
            chain = sum(sign * one.chain for sign, one in self.reading_tables)
            best += [float(np.max(joints, initial=-np.inf, where=~guessed))]
            best += [float(np.max(chain, initial=-np.inf))]
        return min(max(best), self.max_readings_log)

    def with_given(
        self, faults: tuple[FaultHypothesis, ...], repaired: Collection[str]
    ) -> ConditionalTable:
        """Return the table with faults of the present unit given.

        Args:
            faults: the faults.
            repaired: names of all places repaired since; a fault there now was not present then.
        """
        places = [
            self.index_of(hypothesis) for hypothesis in faults if hypothesis.where not in repaired
        ]
        return ConditionalTable(self, [index for index in places if index is not None], repaired)

    def index_of(self, hypothesis: FaultHypothesis) -> _TableIndex | None:
        """Return the indices of a fault in the table; None if it had no effect then."""
        if hypothesis.chain >= 0:
            index = self._chain_row_of.get(hypothesis.chain)
            return None if index is None else _TableIndex(chain=index)
        index = self._joint_row_of.get(hypothesis.where)
        return None if index is None else _TableIndex(joint=index, column=hypothesis.column)

    @property
    def chain_count(self) -> int:
        """Return the number of chain faults in the table."""
        return len(self._row_of_fault)

    def chain_rows(
        self, chain: Sequence[ChainFault], repaired: Collection[str]
    ) -> NDArray[np.intp]:
        """Return rows of chain faults; -1 for given ones and for those repaired since."""
        rows = [-1 if f.where in repaired else self._row_of_fault.get(id(f), -1) for f in chain]
        return np.array(rows, dtype=np.intp)

    def joint_rows(self, names: Sequence[str], repaired: Collection[str]) -> NDArray[np.intp]:
        """Return rows of joints; -1 for joints repaired since and for those without effect then."""
        places = [-1 if n in repaired else self._joint_row_of.get(n, -1) for n in names]
        return np.array(places, dtype=np.intp)


@dataclass(frozen=True)
class ShortTable:
    """Evidence of one time that a short explains.

    On copper without volts no other fault has effects.

    Attributes:
        hypotheses: the short.
        healthy: log likelihood, with any other fault or none.
    """

    hypotheses: tuple[FaultHypothesis, ...]
    healthy: float

    def with_given(
        self, faults: tuple[FaultHypothesis, ...], repaired: Collection[str]
    ) -> ShortTable:
        """Return this table: given faults change nothing, see `EvidenceTable.with_given`."""
        return self

    def joints(self, names: Sequence[str]) -> FloatArray:
        """Return the same log likelihood for every joint; see `ConditionalTable.joints`."""
        return np.full((len(names), COLUMNS), self.healthy)

    def chain(self, space: FaultSpace) -> FloatArray:
        """Return the same log likelihood for every chain fault; see `ConditionalTable.chain`."""
        return np.full(len(space.chain), self.healthy)


class ConditionalTable:
    """A table with some faults of the present unit given."""

    def __init__(
        self, table: EvidenceTable, given: Sequence[_TableIndex], repaired: Collection[str]
    ) -> None:
        self._table = table
        self._repaired = repaired
        self._readings = [
            (sign, _ConditionalReadings(one, given)) for sign, one in table.reading_tables
        ]
        self._marks = [(sign, one, one.gain_and_loss(given)) for sign, one in table.mark_tables]

    @cached_property
    def healthy(self) -> float:
        """Return the log likelihood with no further fault."""
        total = float(self._trusted(np.array(self._readings_healthy)))
        for sign, marks, given in self._marks:
            total += sign * float(marks.under(given, np.array([marks.healthy]))[0])
        return total

    @cached_property
    def _readings_healthy(self) -> float:
        found = sum(sign * one.healthy for sign, one in self._readings)
        return min(found, self._table.max_readings_log)

    def _trusted(self, readings_log: FloatArray) -> FloatArray:
        """Return the readings' log likelihood as far as it is trusted, same shape.

        With further faults it is approximate, while the present readings are exact. So the
        likeliest single fault is favored over none by at most `MAX_EARLIER_GAIN_LOG`, and no
        combination over that fault.
        """
        none_log, best_log = self._table.readings_none_log, self._table.readings_best_log
        raised = max(best_log - MAX_EARLIER_GAIN_LOG - none_log, 0.0)
        least = np.minimum(readings_log, none_log) + raised
        most_log = max(none_log + MAX_EARLIER_GAIN_LOG, best_log)
        return np.minimum(np.maximum(readings_log, least), most_log)

    def _max_readings_log_of(self, places: NDArray[np.intp]) -> FloatArray:
        """Return the limit of the readings' log likelihood, shape (rows, COLUMNS).

        A fault that was only estimated explains no more than no further fault does.
        """
        found = np.full((len(places), COLUMNS), self._table.max_readings_log)
        for sign, one in self._table.reading_tables:
            guessed = one.estimated[places, None] & one.undervoltage[places]
            found[guessed & (sign > 0.0)] = self._readings_healthy
        return found

    def joints(self, names: Sequence[str]) -> FloatArray:
        """Return the log likelihood with one further joint at fault, shape (names, COLUMNS)."""
        places = self._table.joint_rows(names, self._repaired)
        known = np.flatnonzero(places >= 0)
        found = np.full((len(names), COLUMNS), self.healthy)
        if len(known):
            rows = np.zeros((len(known), COLUMNS))
            for sign, one in self._readings:
                rows += sign * one.joints(places[known])
            rows = self._trusted(np.minimum(rows, self._max_readings_log_of(places[known])))
            for sign, marks, given in self._marks:
                rows += sign * marks.under(given, marks.joints[places[known]])
            found[known] = rows
        return found

    def chain(self, space: FaultSpace) -> FloatArray:
        """Return the log likelihood with one further chain fault, shape (chain faults,)."""
        every = np.zeros(self._table.chain_count)
        for sign, one in self._readings:
            every += sign * one.chain()
        every = self._trusted(np.minimum(every, self._table.max_readings_log))
        for sign, marks, given in self._marks:
            every += sign * marks.under(given, marks.chain)
        rows = self._table.chain_rows(space.chain, self._repaired)
        return np.where(rows >= 0, every[rows], self.healthy)


class _ConditionalReadings:
    """Readings of one time with faults given."""

    def __init__(self, table: ReadingTable, given: Sequence[_TableIndex]) -> None:
        self._table = table
        self._given = given
        shift = np.zeros(len(table.values))
        covariance = table.covariance.copy()
        for index in given:
            moved, sd = table.shift_of(index)
            shift += moved
            covariance += sd**2 * np.outer(moved, moved)
            if (high_v := table.high_joints.get(index.joint)) is not None:
                covariance -= np.outer(high_v, high_v)  # its resistance is given
        self._off = table.values - table.healthy_mean - shift
        self._mean = table.healthy_mean + shift
        self._covariance = covariance
        self._given_joints = {index.joint for index in given}
        self._inverses: dict[int, tuple[FloatArray, float]] = {}

    def _inverse(self, tried: int) -> tuple[FloatArray, float]:
        """Return the inverse of the covariance, and the logarithm of its determinant.

        Args:
            tried: joint of `high_joints` that is tried at fault, and in no tail then; -1 for none.
        """
        if tried not in self._inverses:
            covariance = self._covariance
            if (high_v := self._table.high_joints.get(tried)) is not None:
                covariance = covariance - np.outer(high_v, high_v)
            log_det = float(np.linalg.slogdet(covariance)[1])
            self._inverses[tried] = np.asarray(np.linalg.inv(covariance)), log_det
        return self._inverses[tried]

    def log_likelihood_under(
        self, shift: FloatArray, scale_sd: FloatArray, joint: NDArray[np.intp]
    ) -> FloatArray:
        """Return the log likelihood of the readings under further shifts, shape (n,).

        Args:
            shift: shifts of the readings, shape (n, readings). [V, or A]
            scale_sd: standard deviation of each shift, as a share of it, shape (n,).
            joint: index of each shift's joint at fault; -1 for none, shape (n,).
        """
        across = self._table.across_joint
        healthy = (across >= 0) & ~np.isin(across, list(self._given_joints - {-1}))
        across_v = None
        if healthy.any():
            across_v = (self._mean + shift) * (healthy & (across != joint[:, None]))
        found = self._shifted(-1, shift, scale_sd, across_v)
        for tried in self._table.high_joints.keys() - self._given_joints:
            if (rows := joint == tried).any():
                mine_v = None if across_v is None else across_v[rows]
                found[rows] = self._shifted(tried, shift[rows], scale_sd[rows], mine_v)
        return found

    def _shifted(
        self, tried: int, shift: FloatArray, scale_sd: FloatArray, across_v: FloatArray | None
    ) -> FloatArray:
        """Return the log likelihood under shifts by one joint of `high_joints`; -1 for others."""
        precision, log_det = self._inverse(tried)
        slip_per_v = self._table.slip_per_v
        return shifted_log_likelihood(
            self._off, precision, log_det, shift, scale_sd, slip_per_v, across_v
        )

    @cached_property
    def healthy(self) -> float:
        """Return the log likelihood with no further fault."""
        table = self._table
        if not self._given:
            return table.healthy
        return self._approximation + self._correction

    @cached_property
    def _approximation(self) -> float:
        """The approximate log likelihood with no further fault."""
        none = np.zeros((1, len(self._table.values)))
        return float(self.log_likelihood_under(none, np.zeros(1), np.array([-1]))[0])

    @cached_property
    def _correction(self) -> float:
        """The correction of every approximation by those of the given faults alone."""
        if len(self._given) == 1:
            return self._table.log_likelihood_of(self._given[0]) - self._approximation
        each = [
            self._table.log_likelihood_of(i) - self._approximation_alone(i) for i in self._given
        ]
        return float(_clipped(np.array(each)).sum())

    def _approximation_alone(self, index: _TableIndex) -> float:
        """Return the approximate log likelihood of one fault alone."""
        shift, sd = self._table.shift_of(index)
        joint = np.array([index.joint])
        alone = self._table.alone
        return float(alone.log_likelihood_under(shift[None], np.array([sd]), joint)[0])

    def joints(self, places: NDArray[np.intp]) -> FloatArray:
        """Return the log likelihood with one further joint at fault, shape (rows, COLUMNS)."""
        table = self._table
        if not self._given:
            return table.joints[places]
        found = self.healthy + table.joints[places] - table.healthy
        moves = np.flatnonzero(table.moves[places])
        step = max(1, BLOCK_OCTETS // (8 * COLUMNS * max(1, len(table.values))))
        for start in range(0, len(moves), step):
            rows = moves[start : start + step]
            tried = places[rows]
            shifted = self.log_likelihood_under(*table.shifts_of(tried))
            correction = table.joints[tried] - table.joints_alone[tried]
            found[rows] = shifted.reshape(-1, COLUMNS) + self._correction + _clipped(correction)
        return found

    def chain(self) -> FloatArray:
        """Return the log likelihood with one further chain fault, shape (chain faults,)."""
        table = self._table
        if not self._given:
            return table.chain
        scale = np.full(len(table.chain_shift), table.current_sd)
        none = np.full(len(table.chain_shift), -1)
        more = self.log_likelihood_under(table.chain_shift, scale, none)
        more -= table.alone.log_likelihood_under(table.chain_shift, scale, none)
        return np.asarray(table.chain + self._correction + more[table.chain_shift_row])


def _clipped(correction: FloatArray | float) -> FloatArray:
    return np.asarray(np.clip(correction, -MAX_CORRECTION_LOG, MAX_CORRECTION_LOG))


def condense(conditional: ConditionalEvidence, kept: ConditionalEvidence | None) -> EvidenceTable:
    """Evaluate every single fault once, and return the tables that later corrections need.

    Args:
        conditional: all evidence of one time, with the faults of one state of the unit given.
        kept: its part that still counts as evidence now, with the same faults given; None without
            any.
    """
    signed = [(1.0, conditional)] + ([] if kept is None else [(-1.0, kept)])
    if kept is not None and len(kept.case.readings) == len(conditional.case.readings):
        # the kept readings are all of them: both tables would cancel
        signed_with_readings: list[tuple[float, ConditionalEvidence]] = []
    else:
        signed_with_readings = signed
    reading_tables = [
        (sign, _reading_table(one)) for sign, one in signed_with_readings if one.case.readings
    ]
    looks = strand_looks(conditional.design, conditional.case.marks)
    kept_looks = [] if kept is None else strand_looks(conditional.design, kept.case.marks)
    mark_tables = [
        (sign, _mark_table(conditional, those))
        for sign, those in ((1.0, _without(looks, kept_looks)), (-1.0, _without(kept_looks, looks)))
        if those
    ]
    given = {hypothesis.chain for hypothesis in conditional.given}
    chain_ids = [index for index in range(len(conditional.space.chain)) if index not in given]
    space = conditional.responses.space
    names = [joint.name for joint in space.joints]
    return EvidenceTable(
        conditional.given, names, chain_ids, space.chain, reading_tables, mark_tables
    )


def condense_short(
    conditional: ConditionalEvidence, kept: ConditionalEvidence | None, short: FaultHypothesis
) -> ShortTable:
    """Evaluate a short once.

    Args:
        conditional: all evidence of one time, with no faults given.
        kept: its part that still counts as evidence now, with no faults given; None without any.
        short: the short.
    """
    less = 0.0 if kept is None else float(kept.chain[short.chain])
    likelihood = float(conditional.chain[short.chain]) - less
    return ShortTable((short,), likelihood)


def _reading_table(conditional: ConditionalEvidence) -> ReadingTable:
    likelihood, joint_likelihoods = conditional.likelihood, conditional.likelihoods
    assert likelihood is not None
    assert joint_likelihoods is not None
    mean = likelihood.healthy_mean()
    shifts, row = np.unique(np.round(likelihood.chain_mean - mean, 6), axis=0, return_inverse=True)
    nonlinear = np.logical_or.reduce([effect.base.nonlinear for effect in likelihood.effects])
    return ReadingTable(
        likelihood.values,
        mean,
        likelihood.healthy_covariance,
        likelihood.tolerances.current,
        likelihood.slip_per_v,
        np.where(likelihood.across_usual, likelihood.across, -1),
        likelihood.high_joint_effects,
        likelihood.healthy(),
        joint_likelihoods.joints,
        likelihood.chain(),
        (joint_likelihoods.joint_mean - mean).astype(np.float32),
        shifts,
        row.reshape(-1),
        np.asarray(nonlinear),
        np.isin(np.arange(len(nonlinear)), list(likelihood.estimated)),
    )


def _without(looks: Sequence[StrandLook], others: Sequence[StrandLook]) -> list[StrandLook]:
    """Return the looks that are not among others; each strand under a lit set counts by itself."""
    known = {(one.lit, one.strand, one.seen.tobytes()) for one in others}
    return [one for one in looks if (one.lit, one.strand, one.seen.tobytes()) not in known]


def _mark_table(conditional: ConditionalEvidence, looks: Sequence[StrandLook]) -> MarkTable:
    mark_likelihood = UnitMarkLikelihood(
        conditional.responses,
        looks,
        conditional.case.budget,
        conditional.given,
        conditional.tolerances,
    )
    return MarkTable(
        mark_likelihood.healthy(),
        mark_likelihood.joints(),
        mark_likelihood.chain(),
        mark_likelihood.best(),
    )
