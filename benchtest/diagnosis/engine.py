"""The diagnosis engine: faults from readings and marks, and the next reading or look."""

from __future__ import annotations

from collections.abc import Callable, Collection, Hashable, Iterator, Mapping, Sequence
from dataclasses import replace
from functools import cached_property
from weakref import WeakKeyDictionary

import numpy as np

from benchtest.circuit.feed_limits import PermittedLitSets
from benchtest.circuit.netlist import FloatArray
from benchtest.circuit.tolerance import FROM_MANY_REELS, Tolerances
from benchtest.diagnosis.batch.learn import BatchKnowledge
from benchtest.diagnosis.finding import Finding, JointBand, JudgedReading, NearFault, Suspect
from benchtest.diagnosis.inference.cache import CachedLookup, ConditionalCache
from benchtest.diagnosis.inference.conditional import ConditionalEvidence, EvidenceSet
from benchtest.diagnosis.inference.masked_pairs import find_masked_pairs, with_masked_pairs
from benchtest.diagnosis.inference.multiple_faults import (
    EvidenceLookup,
    FaultCombination,
    fault_combinations,
    sure_faults,
    with_combinations,
)
from benchtest.diagnosis.inference.posterior import (
    FaultHypothesis,
    Posterior,
    cleared_ohm,
    likeliest_hypothesis,
    log_odds,
    named_suspects,
)
from benchtest.diagnosis.inference.pre_repair import PreRepairEvidence
from benchtest.diagnosis.inference.unit_conditions import (
    clad_wire_log_odds,
    high_joint_log_odds,
    high_joint_tolerances,
    may_be_clad_wire,
    measured_supply_volts,
    needs_clad_wire,
    supply_log_prior,
    two_reel_tolerances,
    two_reels_log_odds,
)
from benchtest.diagnosis.inference.unsteady_joints import (
    UnsteadyJoints,
    find_unsteady_joints,
    with_unsteady,
)
from benchtest.diagnosis.likelihood.readings import ReadingLikelihood, with_best_values
from benchtest.diagnosis.likelihood.selection import drop_duplicates, most_informative
from benchtest.diagnosis.model.fault_response import DesignResponse
from benchtest.diagnosis.model.faults import Priors, fault_space
from benchtest.diagnosis.model.node_variation import OTHER_BIN, tolerances_of
from benchtest.diagnosis.planning.decision import (
    merge_ties,
    outside_model_probability,
    scale_posterior,
    tied_explanations,
    unexplained_marks,
    unexplained_readings,
)
from benchtest.diagnosis.planning.forecast import ForecasterCache, max_forecast_octets
from benchtest.diagnosis.planning.next_look import choose_look
from benchtest.diagnosis.planning.request_rules import Situation, next_request
from benchtest.diagnosis.solve_budget import SolveBudget, Stage
from benchtest.diagnosis.stages import (
    EvaluatedEvidence,
    GatheredEvidence,
    Inference,
    Plan,
    ToleranceAssumption,
)
from benchtest.diagnosis.suspect_evidence import suspect_evidence, unsteady_evidence
from benchtest.diagnosis.thresholds import (
    ATYPICAL_UNIT_PROBABILITY,
    MAX_TIE_LOG,
    MIN_EXPLAINED_PROBABILITY,
    MIN_LISTED_PROBABILITY,
    MIN_OTHER_BIN_ODDS,
    MIN_REPAIR_PROBABILITY,
    MIN_TIED_PROBABILITY,
)
from benchtest.evidence.marks import Mark
from benchtest.evidence.meter import DEFAULT_METER, Meter
from benchtest.evidence.readings import Reading
from benchtest.evidence.rounding import infer_rounding_steps
from benchtest.prop.design import Design, Probe

JUDGED_PER_BLOCK = 200
"""Readings that are compared with a healthy unit in one block, if more were taken than evaluated.
"""
MAX_CACHED_ASSUMPTIONS = 2
"""Cached assumptions of two reels, of supplies as read, of wire and of joints, of each kind."""


class _AssumptionCache:
    """Alternative assumptions by what they assume; the oldest are dropped."""

    def __init__(self) -> None:
        self._kept: dict[Hashable, ToleranceAssumption] = {}

    def get(self, key: Hashable, make: Callable[[], ConditionalCache]) -> ToleranceAssumption:
        """Return the assumption of a key; make its circuits if it is not kept."""
        if key not in self._kept:
            for oldest in list(self._kept)[: 1 - MAX_CACHED_ASSUMPTIONS]:
                del self._kept[oldest]
            self._kept[key] = ToleranceAssumption(make())
        return self._kept[key]

    def __iter__(self) -> Iterator[ToleranceAssumption]:
        return iter(self._kept.values())


def _likelier(
    usual: tuple[ToleranceAssumption, ConditionalEvidence],
    other: tuple[ToleranceAssumption, ConditionalEvidence],
    log_odds: float,
) -> tuple[ToleranceAssumption, ConditionalEvidence]:
    """Return the other assumption with its evidence if it is likelier, prior odds included."""
    likelier = other[1].posterior.log_total + log_odds > usual[1].posterior.log_total
    return other if likelier else usual


class Engine:
    """Diagnosis of one design, with its factored circuits cached between calls.

    Attributes:
        design: the prop.
        tolerances: deviation of a unit from the design.
        space: every single fault.
        work_units: units that the last finding was charged; see `SolveBudget`.
        usual: circuits and evidence under these tolerances.
    """

    def __init__(
        self,
        design: Design,
        priors: Priors | None = None,
        tolerances: Tolerances | None = None,
        rate_factors: Mapping[str, float] | None = None,
        fallback: Engine | None = None,
    ) -> None:
        """Store the design; no circuit is factored yet.

        Args:
            design: the prop.
            priors: odds of each kind of fault.
            tolerances: deviation of a unit from the design; None for that of its node kind.
            rate_factors: factor on the fault rate of some joints, by name; see `batch.learn`.
            fallback: engine for a unit whose readings show that it differs from those that the
                design and tolerances were learned from.
        """
        self.design = design
        self._fallback = fallback
        self.tolerances = tolerances or FROM_MANY_REELS
        self.space = fault_space(design, priors, rate_factors)
        self.work_units = 0
        self.usual = ToleranceAssumption(ConditionalCache(design, self.space, self.tolerances))
        self._reeled, self._supplied = _AssumptionCache(), _AssumptionCache()
        self._clad, self._high = _AssumptionCache(), _AssumptionCache()
        self._all_bins: ToleranceAssumption | None = None
        self._latest = self.usual
        if tolerances is None and (wide := tolerances_of(design)) != self.tolerances:
            self._all_bins = ToleranceAssumption(self.usual.cache.with_tolerances(wide))
        # weak: forecasts are dropped together with their assumption
        self._forecasters: WeakKeyDictionary[ToleranceAssumption, ForecasterCache] = (
            WeakKeyDictionary()
        )

    @cached_property
    def responses(self) -> DesignResponse:
        """The design's circuit under every single fault."""
        return self.usual.cache.responses()

    @cached_property
    def permitted(self) -> PermittedLitSets:
        """Lit sets that fuses and supplies carry."""
        return PermittedLitSets(self.responses.circuit)

    def forecasters(self, assumption: ToleranceAssumption) -> ForecasterCache:
        """Return the cached forecasters under a tolerance assumption."""
        if assumption not in self._forecasters:
            self._forecasters[assumption] = ForecasterCache(assumption.cache.tolerances)
        return self._forecasters[assumption]

    def diagnose(
        self,
        readings: Sequence[Reading] = (),
        marks: Sequence[Mark] = (),
        meter: Meter = DEFAULT_METER,
        repaired: Collection[str] = (),
        before: Sequence[PreRepairEvidence] = (),
        *,
        share: float = 1.0,
        unreachable: Collection[Probe] = (),
        unshorted: Sequence[str] = (),
        controller_look: Sequence[str] | None = None,
    ) -> Finding:
        """Return the faults that the evidence supports, and the next reading and look.

        The result depends on the arguments alone: no random number and no clock is used.

        Args:
            readings: volts at probes, or a feed's amperes, each with its lit set.
            marks: looks of nodes as seen.
            meter: of readings without one, and of the next one.
            repaired: joints and nodes that were repaired before this evidence was taken.
            before: evidence from before each of these repairs, in order of time.
            share: of the solve budget of one finding, for several findings in one answer.
            unreachable: probes that leads cannot reach; no joint drop is requested there.
            unshorted: feeds between whose rails an ohmmeter showed no short, once for each such
                measurement since the last repair.
            controller_look: settings of the controller that show what was seen in the look at it;
                empty if it agrees with the prop file, None without such a look.

        Raises:
            CircuitFault: the design's circuit has no solution.
        """
        self.forget()
        if any(one.beyond for one in readings):
            valued = self._with_best_values(readings, meter, repaired)
            found = self.diagnose(
                valued, marks, meter, repaired, before, share=share, unreachable=unreachable,
                unshorted=unshorted, controller_look=controller_look,
            )  # fmt: skip
            judged = zip(found.readings, readings, strict=True)
            as_read = tuple(replace(row, reading=reading) for row, reading in judged)
            return replace(found, readings=as_read)
        evidence = self._gather(
            readings, marks, meter, repaired, before, share, unshorted, controller_look
        )
        evaluated = self._evaluate(evidence)
        if evaluated is None:
            assert self._fallback is not None
            return self._fallback.diagnose(
                readings,
                marks,
                meter,
                repaired,
                before,
                share=share,
                unreachable=unreachable,
                unshorted=unshorted,
                controller_look=controller_look,
            )
        self._latest = evaluated.assumption
        inference = self._infer(evidence, evaluated)
        plan = self._plan(evidence, evaluated, inference, unreachable)
        self.work_units = evidence.case.budget.spent
        return self._finding(evidence, evaluated, inference, plan)

    def _with_best_values(
        self, readings: Sequence[Reading], meter: Meter, repaired: Collection[str]
    ) -> list[Reading]:
        """Return readings with the likeliest value in place of each that is the end of a range."""
        likelihood = ReadingLikelihood(self.responses, readings, meter, self.tolerances)
        values = with_best_values(likelihood, log_odds(self.space, repaired)[0])
        return [
            replace(one, volts=float(value), beyond=False) if one.beyond else one
            for one, value in zip(readings, values, strict=True)
        ]

    def forget(self) -> None:
        """Limit what caches keep from one finding to the next."""
        made = [*self._reeled, *self._supplied, *self._clad, *self._high]
        every = [one for one in (self.usual, self._all_bins, *made) if one is not None]
        every.sort(key=lambda one: one is not self._latest)
        octets = max_forecast_octets(self.responses)
        for assumption in every:
            assumption.forget()
            octets -= self.forecasters(assumption).forget(octets)

    def _gather(
        self,
        readings: Sequence[Reading],
        marks: Sequence[Mark],
        meter: Meter,
        repaired: Collection[str],
        before: Sequence[PreRepairEvidence],
        share: float,
        unshorted: Sequence[str],
        controller_look: Sequence[str] | None,
    ) -> GatheredEvidence:
        """Run stage 1: select the readings to evaluate, without a circuit solution."""
        steps = infer_rounding_steps(readings, meter)
        meter = steps.as_read(meter)
        kept, distinct_place = drop_duplicates(readings)
        budget = SolveBudget.of(self.design, share)
        distinct = [readings[place] for place in kept]
        chosen = most_informative(self.responses, distinct, meter)
        case = EvidenceSet([distinct[place] for place in chosen], marks, meter, repaired, budget)
        look = None if controller_look is None else tuple(controller_look)
        case = replace(case, unshorted=tuple(unshorted), controller_look=look)
        return GatheredEvidence(
            readings=tuple(readings),
            distinct=distinct,
            distinct_place=distinct_place,
            numbers=[kept[place] + 1 for place in chosen],
            rounded_v=max(steps.by_range.values(), default=None),
            case=case,
            before=tuple(before),
        )

    def _evaluate(self, evidence: GatheredEvidence) -> EvaluatedEvidence | None:
        """Run stage 2: choose the tolerance assumption and evaluate every single fault.

        Returns:
            None if the unit differs from those that the tolerances were learned from.
        """
        case, before = evidence.case, evidence.before
        case.budget.begin(Stage.EVIDENCE)
        assumption, unconditional = self._choose_bin(case, before)
        if self._fallback is not None and self._is_atypical(unconditional, self._fallback, before):
            return None
        as_designed = unconditional
        assumption, unconditional = self._with_read_supplies(assumption, unconditional, before)
        assumption, unconditional = self._with_clad_wire(assumption, unconditional, before)
        assumption, unconditional = self._with_two_reels(assumption, unconditional, before)
        assumption, unconditional = self._with_high_joints(assumption, unconditional, before)
        history = assumption.history(before, case.meter)
        lookup = CachedLookup(assumption.cache, case, history, unconditional)
        unsteady = find_unsteady_joints(unconditional)
        if unsteady is not None and unsteady.log_total < unconditional.posterior.log_total:
            unsteady = None  # a slip, or a steady fault, explains the repeats better
        return EvaluatedEvidence(assumption, unconditional, as_designed, lookup, unsteady)

    def _infer(self, evidence: GatheredEvidence, evaluated: EvaluatedEvidence) -> Inference:
        """Run stage 3: the posterior of no fault, one, several, and a fault outside the model."""
        case, lookup = evidence.case, evaluated.lookup
        unconditional, unsteady = evaluated.unconditional, evaluated.unsteady
        case.budget.begin(Stage.SEVERAL)
        is_open = not unsteady and _is_unexplained(unconditional, case.repaired)
        combinations = fault_combinations(lookup) if is_open else []
        posterior = with_combinations(unconditional.posterior, self.space, combinations)
        case.budget.begin(Stage.PLAN)
        conditional = lookup(sure_faults(combinations, posterior, self.space), forced=True)
        if unsteady is not None:
            posterior = with_unsteady(posterior, unsteady)
        best = _best_explanation(lookup, combinations)
        outside = _outside_model_probability(*best, unsteady)
        posterior = scale_posterior(posterior, 1.0 - outside)
        is_sure = _is_sure(posterior)
        # near health only: a large effect of one fault is not a sum of small ones
        is_far = bool(combinations) or is_sure or unsteady is not None
        pairs = None if is_far else find_masked_pairs(conditional)
        if pairs is not None:
            posterior = with_masked_pairs(posterior, pairs)
        wrong_readings = [] if unsteady else unexplained_readings(*best)
        wrong_marks = unexplained_marks(*best)
        tied = tied_explanations(combinations, unconditional.posterior.log_total)
        return Inference(
            posterior=posterior,
            conditional=conditional,
            combinations=combinations,
            pairs=pairs,
            is_sure=is_sure,
            unexplained_readings=wrong_readings,
            unexplained_marks=wrong_marks,
            is_explained=not wrong_readings and not wrong_marks and outside < 0.5,
            nearest=_faults_of(*best) if outside >= 0.5 else (),
            tied=tied,
            alike=() if unsteady else merge_ties(_alike(conditional), tied),
        )

    def _plan(
        self,
        evidence: GatheredEvidence,
        evaluated: EvaluatedEvidence,
        inference: Inference,
        unreachable: Collection[Probe],
    ) -> Plan:
        """Run stage 4: choose the next reading and the next look."""
        evidence.case.budget.begin(Stage.PLAN)
        conditional = inference.conditional
        situation = Situation(
            evidence,
            evaluated,
            inference,
            self.forecasters(evaluated.assumption),
            self.permitted,
            unreachable,
        )
        reading, alike = next_request(situation)
        look = choose_look(
            conditional.responses,
            conditional.posterior,
            evidence.case.marks,
            reading,
            self.permitted,
        )
        return Plan(reading, alike, look)

    def _finding(
        self,
        evidence: GatheredEvidence,
        evaluated: EvaluatedEvidence,
        inference: Inference,
        plan: Plan,
    ) -> Finding:
        """Return the finding that contains the results of all stages."""
        posterior, conditional = inference.posterior, inference.conditional
        unexplained, unsteady = inference.unexplained_readings, evaluated.unsteady
        soldered = conditional.cleared[: conditional.responses.space.soldered]
        return Finding(
            healthy=posterior.healthy,
            suspects=self._suspects(posterior, conditional.given, evaluated.lookup, unsteady),
            alike=plan.alike,
            next=plan.reading,
            readings=self._judged_readings(evidence, evaluated.as_designed),
            cleared_ohm=None if unsteady else cleared_ohm(soldered),
            strange=evidence.numbers[unexplained[0]] if unexplained else None,
            joints=self._bands(posterior, conditional),
            look=plan.look,
            rounded_v=evidence.rounded_v,
            unexplained=inference.unexplained_marks,
            explained=inference.is_explained,
            nearest=tuple(
                NearFault(part.where, part.kind, part.ohm if part.kind == "resistive" else None)
                for part in inference.nearest
            ),
        )

    def _with_read_supplies(
        self,
        assumption: ToleranceAssumption,
        unconditional: ConditionalEvidence,
        before: tuple[PreRepairEvidence, ...],
    ) -> tuple[ToleranceAssumption, ConditionalEvidence]:
        """Return the assumption of supplies as their feeds were read if it is likelier."""
        volts = measured_supply_volts(unconditional)
        if not volts:
            return assumption, unconditional
        cache = assumption.cache
        supplied = self._supplied.get(
            (tuple(sorted(volts.items())), cache.tolerances),
            lambda: ConditionalCache(
                cache.design.with_supply_volts(volts), self.space, cache.tolerances
            ),
        )
        log_odds = supply_log_prior(unconditional, volts)
        found = supplied.unconditional(unconditional.case, before)
        return _likelier((assumption, unconditional), (supplied, found), log_odds)

    def _with_clad_wire(
        self,
        assumption: ToleranceAssumption,
        unconditional: ConditionalEvidence,
        before: tuple[PreRepairEvidence, ...],
    ) -> tuple[ToleranceAssumption, ConditionalEvidence]:
        """Return the assumption of strand wire that is not copper if it is likelier."""
        cache = assumption.cache
        design = cache.design.with_clad_strands()
        is_learned = self._fallback is not None
        if is_learned or design is cache.design or not needs_clad_wire(unconditional):
            return assumption, unconditional
        clad = self._clad.get(
            (design.feeds, cache.tolerances),
            lambda: ConditionalCache(design, self.space, cache.tolerances),
        )
        found = clad.unconditional(unconditional.case, before)
        if not may_be_clad_wire(unconditional, found):
            return assumption, unconditional
        return _likelier((assumption, unconditional), (clad, found), clad_wire_log_odds())

    def _with_two_reels(
        self,
        assumption: ToleranceAssumption,
        unconditional: ConditionalEvidence,
        before: tuple[PreRepairEvidence, ...],
    ) -> tuple[ToleranceAssumption, ConditionalEvidence]:
        """Return the assumption of strands from two reels if the readings make it likelier."""
        tolerances = two_reel_tolerances(unconditional)
        if tolerances is None:
            return assumption, unconditional
        log_odds = two_reels_log_odds(len(self.design.strands), len(tolerances.reels))
        usual = assumption, unconditional
        return self._with_tolerances(usual, tolerances, log_odds, self._reeled, before)

    def _with_high_joints(
        self,
        assumption: ToleranceAssumption,
        unconditional: ConditionalEvidence,
        before: tuple[PreRepairEvidence, ...],
    ) -> tuple[ToleranceAssumption, ConditionalEvidence]:
        """Return the assumption of healthy joints with a high drop if it is likelier."""
        tolerances = high_joint_tolerances(unconditional)
        if tolerances is None:
            return assumption, unconditional
        log_odds = high_joint_log_odds(len(tolerances.high_joints))
        usual = assumption, unconditional
        return self._with_tolerances(usual, tolerances, log_odds, self._high, before)

    def _with_tolerances(
        self,
        usual: tuple[ToleranceAssumption, ConditionalEvidence],
        tolerances: Tolerances,
        log_odds: float,
        kept: _AssumptionCache,
        before: tuple[PreRepairEvidence, ...],
    ) -> tuple[ToleranceAssumption, ConditionalEvidence]:
        """Return an assumption of other tolerances with its evidence if it is likelier."""
        cache, case = usual[0].cache, usual[1].case
        other = kept.get(
            (cache.design.feeds, cache.design.strands, tolerances),
            lambda: cache.with_tolerances(tolerances),
        )
        return _likelier(usual, (other, other.unconditional(case, before)), log_odds)

    def _choose_bin(
        self, case: EvidenceSet, before: tuple[PreRepairEvidence, ...]
    ) -> tuple[ToleranceAssumption, ConditionalEvidence]:
        """Return the usual bin of node current, or all bins, and the evidence under it."""
        unconditional = self.usual.unconditional(case, before)
        if self._all_bins is None or not case.readings:
            return self.usual, unconditional
        if not is_other_bin(unconditional, self._all_bins.cache.tolerances.current):
            return self.usual, unconditional
        return self._all_bins, self._all_bins.unconditional(case, before)

    def _is_atypical(
        self,
        unconditional: ConditionalEvidence,
        fallback: Engine,
        before: tuple[PreRepairEvidence, ...],
    ) -> bool:
        """Return True if the unit may differ from its batch instead of having a fault."""
        if not unconditional.case.readings or unconditional.posterior.healthy >= 0.5:
            return False
        usual = fallback._choose_bin(unconditional.case, before)[1].posterior.log_total
        prior = ATYPICAL_UNIT_PROBABILITY / (1.0 - ATYPICAL_UNIT_PROBABILITY)
        odds = np.log(prior) - np.log(MIN_OTHER_BIN_ODDS)
        return bool(usual + odds > unconditional.posterior.log_total)

    def _judged_readings(
        self, evidence: GatheredEvidence, as_designed: ConditionalEvidence
    ) -> tuple[JudgedReading, ...]:
        """Return each reading with that of a healthy unit, also those that were not evaluated."""
        readings, distinct = evidence.readings, evidence.distinct
        if len(distinct) == len(as_designed.case.readings):
            return _judge(readings, evidence.distinct_place, as_designed.likelihood)
        found: list[JudgedReading] = []
        for start in range(0, len(distinct), JUDGED_PER_BLOCK):
            some = distinct[start : start + JUDGED_PER_BLOCK]
            likelihood = ReadingLikelihood(
                as_designed.responses, some, as_designed.case.meter, as_designed.tolerances
            )
            found += _judge(some, range(len(some)), likelihood)
        return tuple(
            replace(found[row], reading=reading)
            for reading, row in zip(readings, evidence.distinct_place, strict=True)
        )

    def _suspects(
        self,
        posterior: Posterior,
        sure: tuple[FaultHypothesis, ...],
        look: EvidenceLookup,
        unsteady: UnsteadyJoints | None,
    ) -> tuple[Suspect, ...]:
        rows = []
        for where, kind, probability, joint in named_suspects(self.space, posterior):
            if probability < MIN_LISTED_PROBABILITY:
                break
            suspect = Suspect(where, kind, probability)
            if joint is not None and kind == "resistive":
                suspect = replace(suspect, ohms=posterior.ohms(joint))
            if unsteady is not None and joint is not None:
                grows = unsteady.course(joint) == "growing"
                evidence = unsteady_evidence(look((), forced=True), unsteady)
                suspect = replace(suspect, evidence=evidence, intermittent=not grows, growing=grows)
            elif probability >= MIN_EXPLAINED_PROBABILITY:
                others = look(tuple(part for part in sure if part.where != where), forced=True)
                hypothesis = likeliest_hypothesis(self.space, posterior, where, kind, joint)
                evidence, after = suspect_evidence(others, hypothesis)
                suspect = replace(suspect, evidence=evidence, after=after)
                if kind == "short":
                    near = nearest_short_places(look((), forced=True), where)
                    suspect = replace(suspect, near=tuple(near))
            rows.append(suspect)
        return tuple(rows)

    def _bands(
        self, posterior: Posterior, conditional: ConditionalEvidence
    ) -> tuple[JointBand, ...]:
        """Return the estimate of each joint, with the sure faults given."""
        limits = conditional.cleared.tolist()
        # a given joint is not in the fault space
        names = [joint.name for joint in conditional.responses.space.joints]
        cleared = dict(zip(names, limits, strict=True))
        rows = []
        for number, joint in enumerate(self.space.joints[: self.space.soldered]):
            resistive, open_ = float(posterior.resistive[number]), float(posterior.open[number])
            ohms = posterior.ohms(number) if resistive > MIN_LISTED_PROBABILITY else None
            limit = cleared.get(joint.name, np.inf)
            known = limit if np.isfinite(limit) else None
            rows.append(JointBand(joint.name, resistive + open_, open_, ohms, known))
        return tuple(rows)


def engine_for(design: Design, learned: BatchKnowledge) -> Engine:
    """Return an engine for the next unit that uses the figures of its batch.

    It falls back to the usual figures if the readings show that the unit differs from the batch.

    Args:
        design: design of the prop file.
        learned: figures of the batch.
    """
    usual = Engine(design, learned.priors, rate_factors=learned.rate_factors)
    if not learned.learned_from:
        return usual
    return Engine(learned.design, learned.priors, learned.tolerances, learned.rate_factors, usual)


def nearest_short_places(unconditional: ConditionalEvidence, feed: str) -> list[str]:
    """Return the places near which a feed's rails are probably joined by some resistance.

    Args:
        unconditional: evidence with no fault given.
        feed: name of the feed.
    """
    if unconditional.likelihood is None:
        return []
    for fault in unconditional.space.chain:
        if fault.where == feed and fault.shorted is not None:
            soft = unconditional.likelihood.rail_short(fault.shorted)
            if soft is not None and soft.is_likely:
                return soft.likely_places()
    return []


def _best_explanation(
    lookup: EvidenceLookup, combinations: Sequence[FaultCombination]
) -> tuple[ConditionalEvidence, FaultHypothesis | None]:
    """Return the likeliest explanation: evidence with some faults given, and one further fault."""
    unconditional = lookup((), forced=True)
    weight = max(unconditional.healthy, unconditional.likeliest[0][0])
    if combinations and combinations[0].log_weight > weight:
        return lookup(combinations[0].faults, forced=True), None
    return unconditional, unconditional.likeliest_fault


def _faults_of(
    conditional: ConditionalEvidence, part: FaultHypothesis | None
) -> tuple[FaultHypothesis, ...]:
    """Return all faults of an explanation."""
    return conditional.given if part is None else (*conditional.given, part)


def _outside_model_probability(
    conditional: ConditionalEvidence,
    part: FaultHypothesis | None,
    unsteady: UnsteadyJoints | None,
) -> float:
    """Return the probability that no hypothesis describes the readings, from the best one."""
    likelihood = conditional.likelihood
    if likelihood is None:
        return 0.0
    if unsteady is not None:
        read = unsteady.log_total - (conditional.healthy - likelihood.healthy())
    else:
        mean, covariance = likelihood.under(-1, 0) if part is None else conditional.under(part)
        read = float(likelihood.log_density(mean, covariance))
    return outside_model_probability(read, len(likelihood.values), likelihood.slip_per_v)


def _is_unexplained(unconditional: ConditionalEvidence, repaired: Collection[str]) -> bool:
    """Return True if neither a healthy prop nor the likeliest single fault explains the evidence.

    An already repaired joint is the least likely suspect: it explains nothing.
    """
    best = unconditional.likeliest_fault
    return unconditional.is_misfit(best) or (best is not None and best.where in repaired)


def is_other_bin(usual: ConditionalEvidence, current: float) -> bool:
    """Return True if the readings support a node current outside the kind's usual bin.

    The wide assumption replaces the narrow one from `MIN_OTHER_BIN_ODDS`, before it is the likelier
    one: a narrow assumption that is wrong accuses good joints.

    Args:
        usual: the evidence, with the node current of the catalog.
        current: standard deviation of the node current over all bins, as a share.
    """
    likelihood, best = usual.likelihood, usual.likeliest_fault
    if likelihood is None:
        return False
    more = current**2 - usual.tolerances.current**2

    def with_any_bin(mean: FloatArray, covariance: FloatArray) -> float:
        loaded = mean - likelihood.unloaded_v
        return float(likelihood.log_density(mean, covariance + more * np.outer(loaded, loaded)))

    gain = with_any_bin(*likelihood.under(-1, 0)) + usual.healthy - likelihood.healthy()
    if best is not None and best.chain < 0:
        row = usual.row(best.where)
        mean, covariance = usual.under(best)
        less = float(likelihood.log_density(mean, covariance))
        gain = max(gain, float(np.logaddexp.reduce(row)) + with_any_bin(mean, covariance) - less)
    odds = np.log(OTHER_BIN / (1.0 - OTHER_BIN)) - np.log(MIN_OTHER_BIN_ODDS)
    return bool(gain + odds > usual.posterior.log_total)


def _is_sure(posterior: Posterior) -> bool:
    """Return True if one fault is known by name."""
    joints = posterior.joints.sum(axis=1).max(initial=0.0)
    return max(float(joints), float(posterior.chain.max(initial=0.0))) >= MIN_REPAIR_PROBABILITY


def _alike(conditional: ConditionalEvidence) -> tuple[tuple[str, ...], ...]:
    """Return groups of likely suspects whose best explanations of the evidence are equally good."""
    posterior, space = conditional.posterior, conditional.responses.space
    rows = []
    for number, joint in enumerate(space.joints):
        if posterior.joints[number].sum() >= MIN_TIED_PROBABILITY:
            rows.append((joint.name, float(conditional.joints[number].max()), "power"))
    best: dict[str, tuple[float, float]] = {}
    for fault, part, weight in zip(space.chain, posterior.chain, conditional.chain, strict=True):
        before = best.get(fault.where, (0.0, -np.inf))
        best[fault.where] = (before[0] + float(part), max(before[1], float(weight)))
    rows += [(name, w, "chain") for name, (p, w) in best.items() if p >= MIN_TIED_PROBABILITY]
    return _group_ties(rows)


def _group_ties(rows: list[tuple[str, float, str]]) -> tuple[tuple[str, ...], ...]:
    """Return groups of names of one kind with weights within `MAX_TIE_LOG` of the best of them.

    Args:
        rows: name, logarithm of the weight, and kind.
    """
    groups: list[tuple[float, str, list[str]]] = []
    for name, weight, kind in sorted(rows, key=lambda row: (-row[1], row[0])):
        for top, group_kind, names in groups:
            if group_kind == kind and top - weight < MAX_TIE_LOG:
                names.append(name)
                break
        else:
            groups.append((weight, kind, [name]))
    return tuple(tuple(names) for _, _, names in groups if len(names) > 1)


def _judge(
    readings: Sequence[Reading],
    distinct_place: Sequence[int],
    likelihood: ReadingLikelihood | None,
) -> tuple[JudgedReading, ...]:
    """Return each reading with that of a healthy unit, error of the meter included.

    Args:
        readings: in any order.
        distinct_place: index of each in the likelihood's readings.
        likelihood: None without readings.
    """
    if likelihood is None:
        return ()
    mean = likelihood.healthy_mean()
    sd = np.sqrt(np.diag(likelihood.healthy_covariance))
    off = (likelihood.values - mean) / sd
    return tuple(
        JudgedReading(reading, float(mean[row]), float(sd[row]), float(off[row]))
        for reading, row in zip(readings, distinct_place, strict=True)
    )


def diagnose(
    design: Design,
    readings: Sequence[Reading] = (),
    marks: Sequence[Mark] = (),
    meter: Meter = DEFAULT_METER,
) -> Finding:
    """Return the finding of a design from a new engine; see `Engine.diagnose`."""
    return Engine(design).diagnose(readings, marks, meter)
