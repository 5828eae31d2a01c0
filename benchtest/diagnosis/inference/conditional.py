"""Evidence on one unit, conditional on given faults: likelihoods of one further fault."""

from __future__ import annotations

import math
from collections.abc import Collection, Sequence
from dataclasses import dataclass, field
from functools import cached_property, partial
from typing import Protocol

import numpy as np
from numpy.typing import NDArray

from benchtest.circuit.netlist import FloatArray
from benchtest.circuit.tolerance import Tolerances
from benchtest.diagnosis.inference.posterior import (
    FaultHypothesis,
    Posterior,
    cleared_by_joint,
    compute_posterior,
    log_odds,
)
from benchtest.diagnosis.likelihood.marks import (
    UNLIT,
    Appearance,
    strand_looks,
)
from benchtest.diagnosis.likelihood.nonlinear import FEW_KNOTS, KNOTS
from benchtest.diagnosis.likelihood.rail_shorts import RailShort
from benchtest.diagnosis.likelihood.readings import JointLikelihoods, ReadingLikelihood, Row
from benchtest.diagnosis.likelihood.selection import without_duplicates
from benchtest.diagnosis.likelihood.unit_marks import UnitMarkLikelihood
from benchtest.diagnosis.model.fault_response import COLUMNS, DesignResponse
from benchtest.diagnosis.model.faults import FaultSpace
from benchtest.diagnosis.solve_budget import SolveBudget, earlier_units, rank_units
from benchtest.diagnosis.thresholds import (
    MAX_COMBINATION_DEFICIT_LOG,
    MAX_FIT_DEFICIT_LOG,
    MAX_MARK_DEFICIT_LOG,
    MIN_EXPLAINED_CHANCE,
)
from benchtest.evidence.marks import Mark
from benchtest.evidence.meter import Meter
from benchtest.evidence.readings import Reading
from benchtest.prop.design import Design
from benchtest.prop.lit_set import LitSet

REFINEMENT_BUDGET_SHARE = 0.6
"""Share of the stage's remaining budget for solving all joints that cause undervoltage of nodes."""
MAX_ALWAYS_SOLVED = 3
"""Number of joints that are solved beyond the budget if nothing explains the readings. Ours."""
ROW_BUDGET_SHARE = 0.1
"""Share of the stage's remaining budget for solving one such joint that is requested alone."""


@dataclass(frozen=True)
class EvidenceSet:
    """All readings and marks of one unit that a finding uses.

    Attributes:
        readings: in the order they were taken.
        marks: what a person saw, by lit set.
        meter: of readings that name none.
        repaired: names of joints and nodes that were repaired before this evidence.
        budget: budget of the finding.
        unshorted: feeds where an ohmmeter showed no short between the rails, once for each
            measurement.
        controller_look: settings of the controller that show what was seen in the look at it; empty
            if it agrees with the prop file, None without such a look.
    """

    readings: Sequence[Reading]
    marks: Sequence[Mark]
    meter: Meter
    repaired: Collection[str]
    budget: SolveBudget = field(default_factory=SolveBudget, compare=False)
    unshorted: Sequence[str] = ()
    controller_look: Sequence[str] | None = None

    @classmethod
    def of(
        cls,
        readings: Sequence[Reading],
        marks: Sequence[Mark],
        meter: Meter,
        repaired: Collection[str],
        budget: SolveBudget,
    ) -> EvidenceSet:
        """Return the evidence without readings that repeat others."""
        return cls(without_duplicates(readings), marks, meter, repaired, budget)


class EarlierEvidence(Protocol):
    """Evidence from before repairs, with some faults of the present unit given.

    Log likelihoods, as in `ConditionalEvidence`.
    """

    @property
    def healthy(self) -> float:
        """Return the log likelihood with no further fault."""
        ...

    @property
    def by_repair(self) -> Sequence[tuple[str, ConditionalEvidence]]:
        """Return each repaired place and the evidence before its repair, in order of time."""
        ...

    @property
    def readings_by_table(self) -> Sequence[int]:
        """Return the number of readings of each table that a fault is compared with."""
        ...

    def joints(self, space: FaultSpace) -> FloatArray:
        """Return the log likelihood with one further joint at fault, shape (joints, COLUMNS)."""
        ...

    def row(self, where: str) -> FloatArray | float:
        """Return one row of `joints`, shape (COLUMNS,)."""
        ...

    def chain(self, space: FaultSpace) -> FloatArray:
        """Return the log likelihood with one further chain fault, shape (chain faults,)."""
        ...


@dataclass
class ConditionalEvidence:
    """Evidence on one unit with some faults given, and what one further fault would explain.

    "Log likelihood" is the natural logarithm of the likelihood of readings, marks and evidence from
    before repairs. Results are computed on first use and kept.

    Attributes:
        design: the prop.
        space: every single fault of it.
        case: readings and marks.
        tolerances: deviations of a healthy unit from its design.
        given: faults assumed to be present.
        responses: circuit with the given faults, shared by all evidence of one design.
        best: log likelihood of the readings under the best explanation known before.
        earlier: evidence from before repairs with the same faults given; None without any.
    """

    design: Design
    space: FaultSpace
    case: EvidenceSet
    tolerances: Tolerances
    given: tuple[FaultHypothesis, ...]
    responses: DesignResponse
    best: float = -np.inf
    earlier: EarlierEvidence | None = None
    _rows: dict[int, Row] = field(default_factory=dict)
    _rough: dict[tuple[int, bool], Row] = field(default_factory=dict)

    @cached_property
    def likelihood(self) -> ReadingLikelihood | None:
        """Return the likelihood of the readings; None without readings."""
        readings = self.case.readings
        if not readings:
            return None
        likelihood = ReadingLikelihood(self.responses, readings, self.case.meter, self.tolerances)
        likelihood.best = self.best
        likelihood.budget, likelihood.conditional = self.case.budget, self.given
        return likelihood

    @property
    def best_so_far(self) -> float:
        """Return the log likelihood of the readings under the best explanation found so far."""
        return -np.inf if self.likelihood is None else self.likelihood.best

    @cached_property
    def _mark_likelihood(self) -> UnitMarkLikelihood:
        looks = strand_looks(self.design, self.case.marks)
        return UnitMarkLikelihood(
            self.responses, looks, self.case.budget, self.given, self.tolerances
        )

    @cached_property
    def _marks_healthy(self) -> float:
        return self._mark_likelihood.healthy()

    @cached_property
    def _marks_chain(self) -> FloatArray:
        return self._mark_likelihood.chain()

    def share_marks(self, other: ConditionalEvidence) -> None:
        """Use the marks' likelihood of other evidence with the same marks and given faults.

        Within one finding both have the same budget, so that nothing changes but the time.
        """
        self._mark_likelihood = other._mark_likelihood
        self._marks_healthy, self._marks_chain = other._marks_healthy, other._marks_chain
        self.marks_joints = other.marks_joints

    @cached_property
    def healthy(self) -> float:
        """Return the log likelihood with no further fault."""
        read = 0.0 if self.likelihood is None else self.likelihood.healthy()
        then = 0.0 if self.earlier is None else self.earlier.healthy
        return read + self._marks_healthy + then

    @cached_property
    def posterior(self) -> Posterior:
        """Return probabilities of no further fault and of each single further fault."""
        return compute_posterior(self.healthy, self.joints, self.chain, self.prior_log_odds)

    @cached_property
    def likelihoods(self) -> JointLikelihoods | None:
        """Return the readings' likelihood with each joint at fault; None without readings."""
        if self.likelihood is None:
            return None
        self._refine()
        rows = [self._reading_row(joint) for joint in range(len(self.responses.space.joints))]
        unsolved = self.likelihood.estimated
        rows = [
            self.likelihood.limited(row) if n in unsolved else row for n, row in enumerate(rows)
        ]
        count = len(self.case.readings)
        return JointLikelihoods(
            np.array([row.weight for row in rows]).reshape(-1, COLUMNS),
            np.array([row.mean for row in rows]).reshape(-1, COLUMNS, count),
        )

    def _refine(self) -> None:
        """Solve joints that cause undervoltage, likeliest first, as far as the budget allows."""
        likelihood = self.likelihood
        assert likelihood is not None
        _ = self.healthy  # records the best likelihood first: hopeless faults are not solved
        rough = self._rough_rows()
        plausible = [n for n, row in enumerate(rough) if likelihood.is_plausible(row)]
        plausible.sort(key=lambda n: -round(float(rough[n].weight[rough[n].nonlinear].max()), 9))
        likely = [] if self.given else self._likeliest_unsolved(rough)
        # the likeliest one matters most, even if the budget is spent
        first = likely[:1]
        plausible = [*first, *(n for n in plausible if n not in first)]
        left = REFINEMENT_BUDGET_SHARE * self.case.budget.left
        if len(plausible) * KNOTS * likelihood.solve_units <= left:
            each = left
        else:
            each = FEW_KNOTS * likelihood.solve_units
            affordable = max(int(left // each), len(first))
            likelihood.estimated.update(plausible[affordable:])
            plausible = plausible[:affordable]
        for joint in (n for n in likely if n not in plausible):
            rough[joint] = likelihood.with_open_solved(joint, rough[joint])
            self._rough[joint, False] = rough[joint]
        for joint in plausible:
            self._solve_row(joint, rough[joint], each, is_forced=joint in first)

    def _likeliest_unsolved(self, rough: Sequence[Row]) -> list[int]:
        """Return the joints to solve in any case, by their estimates with marks and odds.

        Several if no estimate explains the readings: those of copper that a joint cuts off are far
        from its exact readings.

        Args:
            rough: rows of all joints.
        """
        likelihood = self.likelihood
        assert likelihood is not None
        rest = self.marks_joints + self.prior_log_odds[0]
        score = {
            place: float((row.weight + rest[place])[row.nonlinear].max())
            for place, row in enumerate(rough)
            if len(row.nonlinear)
        }
        ranked = sorted(score, key=lambda place: (-round(score[place], 9), place))
        fitted = likelihood.log_density(likelihood.values, likelihood.healthy_covariance)
        is_explained = likelihood.best > float(fitted) - MAX_FIT_DEFICIT_LOG
        return ranked[: 1 if is_explained else MAX_ALWAYS_SOLVED]

    def _rough_rows(self) -> list[Row]:
        """Return the rows of all joints, estimated where nodes are undervoltage."""
        assert self.likelihood is not None
        every = range(len(self.responses.space.joints))
        if not self.responses.is_large:
            missing = [joint for joint in every if (joint, False) not in self._rough]
            for joint in missing:
                self.case.budget.charge(("row", self.given, joint), self.likelihood.row_units)
            for joint, row in self.likelihood.rough_rows(missing).items():
                self._rough[joint, False] = row
        return [self._rough_row(joint) for joint in every]

    def _rough_row(self, joint: int, *, alone: bool = False) -> Row:
        """Return one joint's row, estimated where nodes are undervoltage.

        Args:
            joint: index of the joint.
            alone: True if other joints are not needed: a large design then computes less.
        """
        assert self.likelihood is not None
        key = (joint, alone and self.responses.is_large)
        if key not in self._rough:
            self.case.budget.charge(("row", self.given, joint), self.likelihood.row_units)
            self._rough[key] = self.likelihood.rough(joint, separately=alone)
        return self._rough[key]

    def _solve_row(
        self, joint: int, rough: Row, most_units: float, *, is_forced: bool = False
    ) -> None:
        """Keep one joint's row; solve it if forced, or where undervoltage makes it plausible."""
        likelihood = self.likelihood
        assert likelihood is not None
        is_likely = joint not in likelihood.estimated and likelihood.is_plausible(rough)
        if is_likely or is_forced:
            rough = likelihood.refined(joint, rough, most_units, is_forced=is_forced)
        self._rows[joint] = rough

    def _reading_row(self, joint: int, *, alone: bool = False) -> Row:
        """Return one joint's row, solved as far as the budget for one joint allows."""
        if joint not in self._rows:
            _ = self.healthy
            alone = alone and bool(self.given)  # with no given faults all joints follow anyway
            rough = self._rough_row(joint, alone=alone)
            self._solve_row(joint, rough, ROW_BUDGET_SHARE * self.case.budget.left)
        return self._rows[joint]

    @cached_property
    def marks_joints(self) -> FloatArray:
        """Return the marks' log likelihood with one further joint at fault, (joints, COLUMNS)."""
        return self._mark_likelihood.joints()

    @cached_property
    def joints(self) -> FloatArray:
        """Return the log likelihood with one further joint at fault, shape (joints, COLUMNS)."""
        rows = self.marks_joints
        if self.likelihoods is not None:
            rows = rows + self.likelihoods.joints
        return rows if self.earlier is None else rows + self.earlier.joints(self.responses.space)

    def _estimated_readings(self, *, limited: bool) -> FloatArray:
        """Return the readings' part of `joints` without solving a circuit, shape (joints, COLUMNS).

        Args:
            limited: True to limit estimates by solved rows; see `ReadingLikelihood.limited`.
        """
        likelihood, count = self.likelihood, len(self.responses.space.joints)
        if likelihood is None:
            return np.zeros((count, COLUMNS))
        _ = self.healthy
        rough = self._rough_rows()
        rough = [likelihood.limited(row) for row in rough] if limited else rough
        return np.array([row.weight for row in rough]).reshape(count, COLUMNS)

    @cached_property
    def chain(self) -> FloatArray:
        """Return the log likelihood with one further chain fault, shape (chain faults,)."""
        rows = self._marks_chain
        if self.likelihood is not None:
            rows = rows + self.likelihood.chain()
            self._insert_shorts(rows, self.likelihood)
        return rows if self.earlier is None else rows + self.earlier.chain(self.responses.space)

    def _insert_shorts(self, rows: FloatArray, likelihood: ReadingLikelihood) -> None:
        """Replace the likelihood of shorts with that of readings and marks together.

        Both depend on the resistance: a short that leaves the voltages read leaves no node dark.

        Args:
            rows: log likelihood of each chain fault, shape (chain faults,); changed.
            likelihood: of the readings.
        """
        marks = self._mark_likelihood
        if not marks.looks:
            return
        other = [rows[n] for n, one in enumerate(self.responses.space.chain) if not one.shorted]
        least = max(self.healthy, *other) - MAX_COMBINATION_DEFICIT_LOG
        for number, fault in enumerate(self.responses.space.chain):
            shorted = fault.shorted
            if shorted is None or not shorted.amps_sd:
                continue
            soft, short = -np.inf, likelihood.rail_short(shorted)
            # negligible if it is so even at the voltage that explains the marks best
            if short is not None and short.log_likelihood + self._marks_chain[number] > least:
                seen_log = marks.at_voltages(partial(self._short_voltages, short))
                soft = short.log_likelihood_with(seen_log)
            dead = likelihood.dead_log_likelihood(shorted) + marks.dead_shorts()[number]
            rows[number] = np.logaddexp(soft, dead) - np.log(2.0)

    def _short_voltages(self, short: RailShort, lit: LitSet) -> tuple[FloatArray, FloatArray]:
        return short.node_voltages(self.responses.solution(lit))

    @cached_property
    def prior_log_odds(self) -> tuple[FloatArray, FloatArray]:
        """Return the log prior odds of `joints` and of `chain`, same shapes."""
        case = self.case
        return log_odds(
            self.responses.space,
            case.repaired,
            case.unshorted,
            is_seen_amiss=any(mark.seen != "ok" for mark in case.marks),
            controller_look=case.controller_look,
        )

    def prior_log_odds_of(self, hypothesis: FaultHypothesis) -> float:
        """Return the log prior odds of one fault, of a joint at its resistance."""
        if hypothesis.chain >= 0:
            return float(self.prior_log_odds[1][self._chain_index(hypothesis)])
        return float(self.prior_log_odds[0][self._joint_index(hypothesis.where), hypothesis.column])

    def is_possible(self, hypothesis: FaultHypothesis) -> bool:
        """Return True for a fault that can occur in addition to the given ones."""
        return (
            self.carries_current(hypothesis.where)
            if hypothesis.chain < 0
            else not self._is_given(hypothesis.chain)
        )

    def carries_current(self, where: str) -> bool:
        """Return True for a joint that is not given and carries current: its fault has effects."""
        return any(joint.name == where for joint in self.responses.space.joints)

    def row(self, where: str) -> FloatArray:
        """Return one joint's log likelihood plus log prior odds, shape (COLUMNS,).

        Other joints are not computed.
        """
        return np.asarray(
            self.likelihood_row(where) + self.prior_log_odds[0][self._joint_index(where)]
        )

    def likelihood_row(self, where: str) -> FloatArray:
        """Return one row of `joints`, shape (COLUMNS,); other joints are not computed."""
        joint = self._joint_index(where)
        total = self._mark_likelihood.joints([joint])[joint]
        if self.likelihood is not None:
            total = total + self._reading_row(joint, alone=True).weight
        return np.asarray(total if self.earlier is None else total + self.earlier.row(where))

    @cached_property
    def likeliest(self) -> list[tuple[float, FaultHypothesis]]:
        """Return further faults, likeliest first, each with its log weight.

        The weight is the likelihood times the prior odds.
        """
        return self._ranked(self.joints)

    @cached_property
    def estimated_ranking(self) -> list[tuple[float, float, FaultHypothesis]]:
        """Return further faults ranked by estimated weight, without solving a circuit.

        Returns:
            Of each fault the estimated log weight, by which the list is sorted, the same limited by
            solved rows, and the fault. Faults next to which no other fault shows are left out.
        """
        space, looks = self.responses.space, len(self._mark_likelihood.looks)
        units = rank_units(len(space.joints), len(space.chain), looks)
        if self.earlier is not None:
            tables = self.earlier.readings_by_table
            units += sum(earlier_units(len(space.joints), count) for count in tables)
        self.case.budget.charge(("ranked", self.given), units)
        rest = self._mark_likelihood.joints(by_estimate=True)
        if self.earlier is not None:
            rest = rest + self.earlier.joints(self.responses.space)
        ranked = self._ranked(rest + self._estimated_readings(limited=False))
        limited = rest + self._estimated_readings(limited=True) + self.prior_log_odds[0]
        names = [joint.name for joint in self.responses.space.joints]
        held = dict(zip(names, np.logaddexp.reduce(limited, axis=1).tolist(), strict=True))
        return [
            (weight, weight if hypothesis.chain >= 0 else held[hypothesis.where], hypothesis)
            for weight, hypothesis in ranked
            if self.allows_further(hypothesis)
        ]

    @property
    def likeliest_fault(self) -> FaultHypothesis | None:
        """Return the further fault with the largest weight; None if no further fault has more."""
        weight, hypothesis = self.likeliest[0]
        return hypothesis if weight > self.healthy else None

    def allows_further(self, hypothesis: FaultHypothesis) -> bool:
        """Return True if other faults have effects next to this one; False for a short."""
        return hypothesis.chain < 0 or self.space.chain[hypothesis.chain].shorted is None

    def _ranked(self, joints: FloatArray) -> list[tuple[float, FaultHypothesis]]:
        """Return all further faults with their log weight, likeliest first.

        Args:
            joints: log likelihood with each joint at fault, shape (joints, COLUMNS).
        """
        joint_odds, chain_odds = self.prior_log_odds
        found = []
        for joint, row in zip(self.responses.space.joints, joints + joint_odds, strict=True):
            hypothesis = FaultHypothesis(joint.name, "resistive").at(int(row.argmax()))
            found.append((float(np.logaddexp.reduce(row)), hypothesis))
        places = [place for place in range(len(self.space.chain)) if not self._is_given(place)]
        for place, weight in zip(places, (self.chain + chain_odds).tolist(), strict=True):
            fault = self.space.chain[place]
            found.append((weight, FaultHypothesis(fault.where, fault.kind, chain=place)))
        # rounded, so that faults equal by symmetry keep the order of the prop file
        return sorted(found, key=lambda row: -round(row[0], 9))

    def _is_given(self, chain: int) -> bool:
        return any(hypothesis.chain == chain for hypothesis in self.given)

    def is_misfit(self, further: FaultHypothesis | None) -> bool:
        """Return True if given faults and at most one further fault leave evidence unexplained.

        Evidence from before repairs does not count: it is approximate with further faults. Marks
        must come within `MAX_MARK_DEFICIT_LOG` of their best explanation, and readings must have a
        chi-square tail probability of at least `MIN_EXPLAINED_CHANCE`.

        Args:
            further: the further fault; None for none.
        """
        if self._mark_likelihood.best() - self.marks_log(further) > MAX_MARK_DEFICIT_LOG:
            return True
        return self._misfit_chance(further) < MIN_EXPLAINED_CHANCE

    def marks_log(self, further: FaultHypothesis | None) -> float:
        """Return the log likelihood of the marks with one further fault; None for none."""
        if further is None:
            return self._marks_healthy
        if further.chain >= 0:
            return float(self._marks_chain[self._chain_index(further)])
        joint = self._joint_index(further.where)
        rows = self._mark_likelihood.joints([joint]) if self.given else self.marks_joints
        return float(rows[joint, further.column])

    def expected_looks(self, lit: LitSet, further: FaultHypothesis | None) -> NDArray[np.intp]:
        """Return all appearances that each node may have, lit or not.

        Args:
            lit: the lit set.
            further: one further fault; None for none.

        Returns:
            `Appearance` of each node in each variant, shape (variants, nodes).
        """
        if further is None or further.chain >= 0:
            fault = None if further is None else self.space.chain[further.chain]
            should = self._mark_likelihood.possible(lit, fault)
        else:
            solution = self.responses.exact(further.where, further.column, lit)
            should = self._mark_likelihood.expected_at(lit, self.responses.visible_v(lit, solution))
        lights = [lit.lights(strand.number) for strand in self.design.strands]
        lit_nodes = np.repeat(lights, [strand.nodes for strand in self.design.strands])
        return np.where(lit_nodes, should, UNLIT[should])

    @cached_property
    def seen_log_ratio(self) -> FloatArray:
        """Return the log likelihood ratio of each joint fault to none, shape (joints, COLUMNS).

        Readings and dark nodes count; colors without a mark clear nothing.
        """
        rows = self.joints
        healthy, joints = self._mark_likelihood.blind_difference(self.marks_joints)
        return np.asarray(rows + joints - (self.healthy + healthy))

    @cached_property
    def cleared(self) -> FloatArray:
        """Return the resistance above which each joint is cleared, shape (joints,). [Ω]

        See `cleared_by_joint`.
        """
        return cleared_by_joint(0.0, self.seen_log_ratio)

    def _misfit_chance(self, further: FaultHypothesis | None) -> float:
        """Return the probability of readings at least as far off as these."""
        likelihood = self.likelihood
        if likelihood is None:
            return 1.0
        mean, covariance = likelihood.under(-1, 0) if further is None else self.under(further)
        off = likelihood.values - mean
        square = float(off @ np.linalg.solve(covariance, off))
        return chi_square_tail(square, len(off))

    def under(self, hypothesis: FaultHypothesis) -> tuple[FloatArray, FloatArray]:
        """Return mean and covariance of the readings with one further fault.

        The evidence must contain readings.

        Returns:
            Mean, shape (readings,), and covariance, shape (readings, readings). [V, or A]
        """
        likelihood = self.likelihood
        assert likelihood is not None
        if hypothesis.chain < 0:
            return likelihood.under(self._joint_index(hypothesis.where), hypothesis.column)
        return likelihood.under_chain(self._chain_index(hypothesis))

    def floating_readings(self, hypothesis: FaultHypothesis | None) -> tuple[int, ...]:
        """Return indices of readings on copper that one further fault cuts off.

        Such a reading may show any value.
        """
        if hypothesis is None or hypothesis.chain >= 0 or self.likelihood is None:
            return ()
        return self.likelihood.floating.get(
            (self._joint_index(hypothesis.where), hypothesis.column), ()
        )

    def abnormal_nodes(self, hypothesis: FaultHypothesis, lit: LitSet) -> NDArray[np.bool_]:
        """Return True for nodes whose appearance one further fault changes, shape (nodes,)."""
        if hypothesis.chain >= 0:
            fault = self.space.chain[hypothesis.chain]
            if fault.remap is not None:
                asked = self.responses.received(lit)
                return np.asarray((fault.remap.received(asked) != asked).any(axis=1))
            dark = np.zeros(self.design.node_count, dtype=bool)
            dark[self.space.order[fault.start : fault.stop]] = True
            return dark
        solution = self.responses.exact(hypothesis.where, hypothesis.column, lit)
        should = self._mark_likelihood.middle.expected_at(
            lit, self.responses.visible_v(lit, solution)
        )[0]
        return np.asarray((should != int(Appearance.RIGHT)) | ~solution.duty.any(axis=1))

    def _joint_index(self, where: str) -> int:
        return [joint.name for joint in self.responses.space.joints].index(where)

    def _chain_index(self, hypothesis: FaultHypothesis) -> int:
        """Return the index of a chain fault among those that are not given."""
        return hypothesis.chain - sum(
            1 for given in self.given if 0 <= given.chain < hypothesis.chain
        )


def chi_square_tail(square: float, count: int) -> float:
    """Return the probability that a chi-square variable exceeds a value.

    Upper tail by its recurrence over degrees of freedom. Not SciPy:
    importing it costs a tenth of a second for this one function.

    Source: Abramowitz and Stegun, Handbook of Mathematical Functions, 26.4.4 to 26.4.8 (from
    memory).

    Args:
        square: the value, a sum of squares of standard normal numbers.
        count: degrees of freedom.

    >>> round(chi_square_tail(3.841, 1), 3)
    0.05
    """
    if square <= 0.0:
        return 1.0
    half, odd = square / 2.0, count % 2
    # in logarithms: with a thousand readings the factors overflow
    steps = np.arange(0.5 if odd else 0.0, count / 2.0).tolist()
    logs = [step * math.log(half) - half - math.lgamma(step + 1.0) for step in steps]
    return (math.erfc(math.sqrt(half)) if odd else 0.0) + float(np.exp(logs).sum())
