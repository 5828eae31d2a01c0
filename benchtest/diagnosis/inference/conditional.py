"""All the evidence weighed on one footing: nothing wrong, or some faults taken for given."""

from __future__ import annotations

import math
from collections.abc import Collection, Sequence
from dataclasses import dataclass, field
from functools import cached_property
from typing import Protocol

import numpy as np
from numpy.typing import NDArray

from benchtest.circuit.netlist import FloatArray
from benchtest.circuit.tolerance import Tolerances
from benchtest.diagnosis.inference.hypothesis import FaultHypothesis
from benchtest.diagnosis.inference.posterior import Posterior, cleared_by_joint, log_odds, posterior
from benchtest.diagnosis.likelihood.duplicates import without_duplicates
from benchtest.diagnosis.likelihood.marks import (
    UNLIT,
    Appearance,
    MarkLikelihood,
    best_explained,
    strand_looks,
)
from benchtest.diagnosis.likelihood.measurement import noise_of, taps_of, values_of
from benchtest.diagnosis.likelihood.nonlinear import FEW_KNOTS, KNOTS
from benchtest.diagnosis.likelihood.readings import JointLikelihoods, ReadingLikelihood, Row
from benchtest.diagnosis.model.fault_response import COLUMNS, DesignResponse
from benchtest.diagnosis.model.faults import FaultSpace
from benchtest.diagnosis.solve_budget import SolveBudget, rank_units
from benchtest.evidence.marks import Mark
from benchtest.evidence.meter import Meter
from benchtest.evidence.readings import Reading
from benchtest.prop.design import Design
from benchtest.prop.lit_set import LitSet

MISFIT_CHANCE = 1e-3
"""Readings that would be so far off less often than this are not explained. Ours."""
MISFIT_LOOKS = 4.0
"""Marks whose logarithm of likelihood is so far below the best there is are not explained. Ours."""
MIN_CONDITIONAL_SHARE = 0.6
"""Share of what a stage may still use, for the joints that starve nodes on one footing."""
ROW_SHARE = 0.1
"""Likewise for one joint that is asked for by itself."""


@dataclass(frozen=True)
class EvidenceSet:
    """Everything seen and measured on one unit."""

    readings: Sequence[Reading]
    marks: Sequence[Mark]
    meter: Meter
    repaired: Collection[str]
    budget: SolveBudget = field(default_factory=SolveBudget, compare=False)
    unshorted: Sequence[str] = ()
    """Feeds between whose rails an ohmmeter showed no short, once for each measurement."""

    @classmethod
    def of(
        cls,
        readings: Sequence[Reading],
        marks: Sequence[Mark],
        meter: Meter,
        repaired: Collection[str],
        budget: SolveBudget,
    ) -> EvidenceSet:
        """The same without readings that only say again what others said."""
        return cls(without_duplicates(readings), marks, meter, repaired, budget)


class Memory(Protocol):
    """What was seen and read before something was mended, on one footing of the unit as it is.

    Logarithms of likelihood; see `ConditionalEvidence`.
    """

    @property
    def healthy(self) -> float: ...

    @property
    def views(self) -> Sequence[tuple[str, ConditionalEvidence]]: ...

    def joints(self, space: FaultSpace) -> FloatArray: ...

    def row(self, where: str) -> FloatArray | float: ...

    def chain(self, space: FaultSpace) -> FloatArray: ...

    def is_misfit(self, further: FaultHypothesis | None) -> bool: ...


@dataclass
class ConditionalEvidence:
    """One footing.

    Attributes:
        design: the prop.
        space: every single fault of it.
        case: the evidence.
        tolerances: how far a healthy unit may be from its design.
        parts: faults taken for given.
        responses: the circuit with them; shared by cases of one design.
        best: logarithm of the readings' likelihood under the best explanation known before.
        memory: what was seen and read before something was mended, on this footing.
    """

    design: Design
    space: FaultSpace
    case: EvidenceSet
    tolerances: Tolerances
    parts: tuple[FaultHypothesis, ...]
    responses: DesignResponse
    best: float = -np.inf
    memory: Memory | None = None
    _rows: dict[int, Row] = field(default_factory=dict)
    _rough: dict[tuple[int, bool], Row] = field(default_factory=dict)

    @cached_property
    def likelihood(self) -> ReadingLikelihood | None:
        """Of the readings; None without any."""
        readings = self.case.readings
        if not readings:
            return None
        groups = taps_of(self.responses.circuit, readings)
        noise = noise_of(readings, self.case.meter)
        likelihood = ReadingLikelihood(
            self.responses, groups, values_of(readings), noise, self.tolerances
        )
        likelihood.best = self.best
        likelihood.budget, likelihood.conditional = self.case.budget, self.parts
        return likelihood

    @property
    def best_so_far(self) -> float:
        """Logarithm of the readings' likelihood under the best explanation met here."""
        return -np.inf if self.likelihood is None else self.likelihood.best

    @cached_property
    def _looks(self) -> MarkLikelihood:
        looks = strand_looks(self.design, self.case.marks)
        return MarkLikelihood(self.responses, looks, self.case.budget, self.parts)

    @cached_property
    def _seen_healthy(self) -> float:
        return self._looks.healthy()

    @cached_property
    def _seen_chain(self) -> FloatArray:
        return self._looks.chain()

    @cached_property
    def healthy(self) -> float:
        """Logarithm of the evidence's likelihood with nothing wrong but what is given."""
        read = 0.0 if self.likelihood is None else self.likelihood.healthy()
        then = 0.0 if self.memory is None else self.memory.healthy
        return read + self._seen_healthy + then

    @cached_property
    def posterior(self) -> Posterior:
        """Probabilities of what is given and nothing or one fault more."""
        return posterior(self.healthy, self.joints, self.chain, self.odds)

    @cached_property
    def likelihoods(self) -> JointLikelihoods | None:
        """Readings under every further fault of a power joint."""
        if self.likelihood is None:
            return None
        self._refine()
        rows = [self._read_row(joint) for joint in range(len(self.responses.space.joints))]
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
        """Solve joints that starve nodes, the likeliest first, as far as the budget allows."""
        likelihood = self.likelihood
        assert likelihood is not None
        _ = self.healthy  # a fault far worse than none need not be known well
        rough = self._rough_rows()
        plausible = [n for n, row in enumerate(rough) if likelihood.is_plausible(row)]
        plausible.sort(key=lambda n: -round(float(rough[n].weight[rough[n].starved].max()), 9))
        left = MIN_CONDITIONAL_SHARE * self.case.budget.left
        if len(plausible) * KNOTS * likelihood.solve_units <= left:
            each = left
        else:
            each = FEW_KNOTS * likelihood.solve_units
            most = int(left // each)
            likelihood.estimated.update(plausible[most:])
            plausible = plausible[:most]
        for joint in plausible:
            self._solve_row(joint, rough[joint], each)

    def _rough_rows(self) -> list[Row]:
        """Return the rows of all joints, by estimate where nodes are starved."""
        assert self.likelihood is not None
        every = range(len(self.responses.space.joints))
        if not self.responses.is_large:
            missing = [joint for joint in every if (joint, False) not in self._rough]
            for joint in missing:
                self.case.budget.take(("row", self.parts, joint), self.likelihood.row_units)
            for joint, row in self.likelihood.rough_rows(missing).items():
                self._rough[joint, False] = row
        return [self._rough_row(joint) for joint in every]

    def _rough_row(self, joint: int, *, alone: bool = False) -> Row:
        assert self.likelihood is not None
        key = (joint, alone and self.responses.is_large)
        if key not in self._rough:
            self.case.budget.take(("row", self.parts, joint), self.likelihood.row_units)
            self._rough[key] = self.likelihood.rough(joint, alone=alone)
        return self._rough[key]

    def _solve_row(self, joint: int, rough: Row, most_units: float) -> None:
        """Keep one joint's row, solved where it starves nodes and that may matter."""
        likelihood = self.likelihood
        assert likelihood is not None
        if joint not in likelihood.estimated and likelihood.is_plausible(rough):
            rough = likelihood.refined(joint, rough, most_units)
        self._rows[joint] = rough

    def _read_row(self, joint: int, *, alone: bool = False) -> Row:
        if joint not in self._rows:
            _ = self.healthy
            alone = alone and bool(self.parts)  # with nothing given all joints are asked for anyway
            rough = self._rough_row(joint, alone=alone)
            self._solve_row(joint, rough, ROW_SHARE * self.case.budget.left)
        return self._rows[joint]

    @cached_property
    def _seen_joints(self) -> FloatArray:
        return self._looks.joints()

    @cached_property
    def joints(self) -> FloatArray:
        """Logarithm of likelihood with one more joint at fault, shape (joints, COLUMNS)."""
        rows = self._seen_joints
        if self.likelihoods is not None:
            rows = rows + self.likelihoods.joints
        return rows if self.memory is None else rows + self.memory.joints(self.responses.space)

    def _rough_reads(self, *, limited: bool) -> FloatArray:
        """Of the readings alone, by estimate where nodes are starved: no circuit is solved for it.

        Args:
            limited: True to limit estimates to solved rows; see `ReadingLikelihood.limited`.
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
        """The same of one more fault of the data line or a node, shape (chain faults,)."""
        rows = self._seen_chain
        if self.likelihood is not None:
            rows = rows + self.likelihood.chain()
        return rows if self.memory is None else rows + self.memory.chain(self.responses.space)

    @cached_property
    def odds(self) -> tuple[FloatArray, FloatArray]:
        """Logarithm of odds before evidence, of `joints` and `chain`."""
        case = self.case
        return log_odds(self.responses.space, case.repaired, case.unshorted)

    def odds_at(self, part: FaultHypothesis) -> float:
        """Logarithm of one fault's odds before evidence, at its resistance."""
        if part.chain >= 0:
            return float(self.odds[1][self._chain_place(part)])
        return float(self.odds[0][self._joint_place(part.where), part.column])

    def holds(self, part: FaultHypothesis) -> bool:
        """True for a fault that may come on top of what is given."""
        return self.carries_current(part.where) if part.chain < 0 else not self._has(part.chain)

    def carries_current(self, where: str) -> bool:
        """True for a joint that is not given and has current to show itself by."""
        return any(joint.name == where for joint in self.responses.space.joints)

    def row(self, where: str) -> FloatArray:
        """One row of `joints` with its odds, without the others, shape (COLUMNS,)."""
        return np.asarray(self.likelihood_row(where) + self.odds[0][self._joint_place(where)])

    def likelihood_row(self, where: str) -> FloatArray:
        """One row of `joints`, shape (COLUMNS,)."""
        joint = self._joint_place(where)
        total = self._looks.joints([joint])[joint]
        if self.likelihood is not None:
            total = total + self._read_row(joint, alone=True).weight
        return np.asarray(total if self.memory is None else total + self.memory.row(where))

    @cached_property
    def likeliest(self) -> list[tuple[float, FaultHypothesis]]:
        """Further faults by the logarithm of their weight, odds included; likeliest first."""
        return self._ranked(self.joints)

    @cached_property
    def promising(self) -> list[tuple[float, float, FaultHypothesis]]:
        """The same by estimate where nodes are starved: no circuit is solved for it.

        Each with the logarithm of its weight as estimated, which orders them, and held to what was
        worked out.
        """
        space, looks = self.responses.space, len(self._looks.looks)
        units = rank_units(len(space.joints), len(space.chain), looks)
        self.case.budget.take(("ranked", self.parts), units)
        rest = self._looks.joints(roughly=True)
        if self.memory is not None:
            rest = rest + self.memory.joints(self.responses.space)
        ranked = self._ranked(rest + self._rough_reads(limited=False))
        limited = rest + self._rough_reads(limited=True) + self.odds[0]
        names = [joint.name for joint in self.responses.space.joints]
        held = dict(zip(names, np.logaddexp.reduce(limited, axis=1).tolist(), strict=True))
        return [
            (weight, weight if part.chain >= 0 else held[part.where], part)
            for weight, part in ranked
            if self.allows_further(part)
        ]

    @property
    def best_part(self) -> FaultHypothesis | None:
        """The further fault that explains most; None where nothing more being wrong does."""
        weight, part = self.likeliest[0]
        return part if weight > self.healthy else None

    def allows_further(self, part: FaultHypothesis) -> bool:
        """True where other faults can show beside it: without volts none does."""
        return part.chain < 0 or self.space.chain[part.chain].shorted is None

    def _ranked(self, joints: FloatArray) -> list[tuple[float, FaultHypothesis]]:
        joint_odds, chain_odds = self.odds
        found = []
        for joint, row in zip(self.responses.space.joints, joints + joint_odds, strict=True):
            part = FaultHypothesis(joint.name, "resistive").at(int(row.argmax()))
            found.append((float(np.logaddexp.reduce(row)), part))
        places = [place for place in range(len(self.space.chain)) if not self._has(place)]
        for place, weight in zip(places, (self.chain + chain_odds).tolist(), strict=True):
            fault = self.space.chain[place]
            found.append((weight, FaultHypothesis(fault.where, fault.kind, chain=place)))
        # rounded: what is alike by symmetry stays in the file's order, whatever the last digit
        return sorted(found, key=lambda row: -round(row[0], 9))

    def _has(self, chain: int) -> bool:
        return any(part.chain == chain for part in self.parts)

    def is_misfit(self, further: FaultHypothesis | None) -> bool:
        """True where the evidence is not explained by what is given and one fault more, or none."""
        looks = self._seen_healthy
        if further is not None and further.chain >= 0:
            looks = float(self._seen_chain[self._chain_place(further)])
        elif further is not None:
            joint = self._joint_place(further.where)
            looks = float(self._looks.joints([joint])[joint, further.column])
        if best_explained(self._looks.looks) - looks > MISFIT_LOOKS:
            return True
        if self._chance(further) < MISFIT_CHANCE:
            return True
        return self.memory is not None and self.memory.is_misfit(further)

    def should_look(self, lit: LitSet, further: FaultHypothesis | None) -> NDArray[np.intp]:
        """Return the ways every node may look, lit or not, with one fault more, or none.

        Returns:
            `Appearance` of each node, shape (ways, nodes).
        """
        if further is None or further.chain >= 0:
            fault = None if further is None else self.space.chain[further.chain]
            should = self._looks.ways(lit, fault)
        else:
            solution = self.responses.exact(further.where, further.column, lit)
            should = self._looks.should_at(lit, self.responses.visible_v(lit, solution))
        lights = [lit.lights(strand.number) for strand in self.design.strands]
        lit_nodes = np.repeat(lights, [strand.nodes for strand in self.design.strands])
        return np.where(lit_nodes, should, UNLIT[should])

    @cached_property
    def cleared(self) -> FloatArray:
        """Resistance above which the evidence speaks against each joint; see `cleared_by_joint`.

        By readings, and by what is dark: shades that were not seen clear nothing. [Ω]
        """
        rows = self.joints
        healthy, joints = self._looks.blind_less(self._seen_joints)
        return cleared_by_joint(self.healthy + healthy, rows + joints)

    def _chance(self, further: FaultHypothesis | None) -> float:
        """How often readings would be as far off as they are, or farther."""
        likelihood = self.likelihood
        if likelihood is None:
            return 1.0
        mean, covariance = likelihood.under(-1, 0) if further is None else self.under(further)
        off = likelihood.values - mean
        square = float(off @ np.linalg.solve(covariance, off))
        return chance_beyond(square, len(off))

    def under(self, part: FaultHypothesis) -> tuple[FloatArray, FloatArray]:
        """Readings and their covariance with one fault more, (readings,) and (readings, readings).

        There must be readings.
        """
        likelihood = self.likelihood
        assert likelihood is not None
        if part.chain < 0:
            return likelihood.under(self._joint_place(part.where), part.column)
        return likelihood.under_chain(self._chain_place(part))

    def floating_readings(self, part: FaultHypothesis | None) -> tuple[int, ...]:
        """Readings on copper that one fault more cuts off: they may show anything."""
        if part is None or part.chain >= 0 or self.likelihood is None:
            return ()
        return self.likelihood.floating.get((self._joint_place(part.where), part.column), ())

    def abnormal_nodes(self, part: FaultHypothesis, lit: LitSet) -> NDArray[np.bool_]:
        """Nodes that one fault more leaves other than they should look, shape (nodes,)."""
        if part.chain >= 0:
            fault = self.space.chain[part.chain]
            if fault.remap is not None:
                asked = self.responses.received(lit)
                return np.asarray((fault.remap.received(asked) != asked).any(axis=1))
            dark = np.zeros(self.design.node_count, dtype=bool)
            dark[self.space.order[fault.start : fault.stop]] = True
            return dark
        solution = self.responses.exact(part.where, part.column, lit)
        should = self._looks.should_at(lit, self.responses.visible_v(lit, solution))[0]
        return np.asarray((should != int(Appearance.RIGHT)) | ~solution.duty.any(axis=1))

    def _joint_place(self, where: str) -> int:
        return [joint.name for joint in self.responses.space.joints].index(where)

    def _chain_place(self, part: FaultHypothesis) -> int:
        """Its place among the faults that are not given already."""
        return part.chain - sum(1 for given in self.parts if 0 <= given.chain < part.chain)


def chance_beyond(square: float, count: int) -> float:
    """Probability that `count` standard normal numbers have squares that add up to more.

    The chi-squared distribution's upper tail by its recurrence over degrees of freedom; one
    function is not worth the tenth of a second that its library takes to load.

    Source: Abramowitz and Stegun, Handbook of Mathematical Functions, 26.4.4 to 26.4.8 (from
    memory).

    >>> round(chance_beyond(3.841, 1), 3)
    0.05
    """
    if square <= 0.0:
        return 1.0
    half, odd = square / 2.0, count % 2
    # by logarithms: with a thousand readings every factor is beyond what a number can hold
    steps = np.arange(0.5 if odd else 0.0, count / 2.0).tolist()
    logs = [step * math.log(half) - half - math.lgamma(step + 1.0) for step in steps]
    return (math.erfc(math.sqrt(half)) if odd else 0.0) + float(np.exp(logs).sum())
