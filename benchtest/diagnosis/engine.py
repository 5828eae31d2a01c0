"""One question: given everything seen and measured, which faults, and what would tell more?"""

from __future__ import annotations

from collections.abc import Collection, Mapping, Sequence
from dataclasses import replace
from functools import cached_property

import numpy as np

from benchtest.circuit.feed_limits import PermittedLitSets
from benchtest.circuit.netlist import FloatArray
from benchtest.circuit.tolerance import FROM_MANY_REELS, Tolerances
from benchtest.diagnosis.batch.learn import BatchKnowledge
from benchtest.diagnosis.finding import Finding, JointBand, JudgedReading, NearFault, Suspect
from benchtest.diagnosis.inference.cache import CachedLookup, ConditionalCache
from benchtest.diagnosis.inference.conditional import ConditionalEvidence, EvidenceSet
from benchtest.diagnosis.inference.hypothesis import FaultHypothesis
from benchtest.diagnosis.inference.masked_pairs import find_masked_pairs, with_masked_pairs
from benchtest.diagnosis.inference.multiple_faults import (
    EvidenceLookup,
    FaultCombination,
    fault_combinations,
    sure_faults,
    with_combinations,
)
from benchtest.diagnosis.inference.posterior import (
    Posterior,
    cleared_ohm,
    likeliest_hypothesis,
    named_suspects,
)
from benchtest.diagnosis.inference.pre_repair import PreRepairEvidence
from benchtest.diagnosis.inference.reels import odds_log, with_reels
from benchtest.diagnosis.inference.supply_volts import supplies_as_read, supplies_log
from benchtest.diagnosis.inference.unsteady_joints import (
    UnsteadyJoints,
    find_unsteady_joints,
    with_unsteady,
)
from benchtest.diagnosis.likelihood.duplicates import drop_duplicates
from benchtest.diagnosis.likelihood.measurement import noise_of, taps_of, values_of
from benchtest.diagnosis.likelihood.readings import ReadingLikelihood
from benchtest.diagnosis.likelihood.selection import most_informative
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
from benchtest.diagnosis.thresholds import MIN_OTHER_BIN_ODDS
from benchtest.evidence.marks import Mark
from benchtest.evidence.meter import DEFAULT_METER, Meter
from benchtest.evidence.readings import Reading
from benchtest.evidence.rounding import infer_rounding_steps
from benchtest.prop.design import Design, Feed, Probe

MIN_LISTED_PROBABILITY = 1e-3
"""Suspects with less probability are not listed."""
MIN_EXPLAINED_PROBABILITY = 0.05
"""Suspects with this much probability are explained."""
MAX_TIE_LOG = 0.7
"""Suspects whose likelihoods are within a factor of two have not been told apart."""
MIN_REPAIR_PROBABILITY = 0.99
"""Probability from which a suspect is mended rather than read about once more."""
ATYPICAL_UNIT_PROBABILITY = 0.1
"""Chance that a unit is not like those that were learned from: another reel or supply. Ours."""
JUDGED_PER_BLOCK = 200
"""Readings that are compared with a healthy unit together, where more were taken than weighed."""
MAX_CACHED_ASSUMPTIONS = 2
"""Beliefs of strands from two reels, and of supplies as they were read, that are kept of each."""
MIN_TIED_PROBABILITY = 0.02
"""Only suspects with this much probability are worth telling apart."""


class Engine:
    """Diagnoses one design, and keeps its factored circuits between calls."""

    def __init__(
        self,
        design: Design,
        priors: Priors | None = None,
        tolerances: Tolerances | None = None,
        rate_factors: Mapping[str, float] | None = None,
        fallback: Engine | None = None,
    ) -> None:
        """Factor nothing yet.

        Args:
            design: the prop.
            priors: odds of each kind of fault.
            tolerances: how far a unit may be from the design; None for what is known of its kind.
            rate_factors: how much likelier than its kind some joints are, by name; see `learn`.
            fallback: what to go by where readings say that this unit is not like those that
                design and tolerances were learned from.
        """
        self.design = design
        self._fallback = fallback
        self.tolerances = tolerances or FROM_MANY_REELS
        self.space = fault_space(design, priors, rate_factors)
        self.work_units = 0
        """Units of work that the last finding was charged; see `SolveBudget`."""
        self._usual = ToleranceAssumption(ConditionalCache(design, self.space, self.tolerances))
        self._reeled: dict[tuple[tuple[Feed, ...], Tolerances], ToleranceAssumption] = {}
        self._supplied: dict[
            tuple[tuple[tuple[str, float], ...], Tolerances], ToleranceAssumption
        ] = {}
        self._all_bins: ToleranceAssumption | None = None
        if tolerances is None and (wide := tolerances_of(design)) != self.tolerances:
            self._all_bins = ToleranceAssumption(self._usual.views.with_tolerances(wide))

    @cached_property
    def responses(self) -> DesignResponse:
        """The design's circuit under every single fault."""
        return self._usual.views.responses()

    @cached_property
    def permitted(self) -> PermittedLitSets:
        """Lit sets that fuses and supplies carry."""
        return PermittedLitSets(self.responses.circuit)

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
    ) -> Finding:
        """Weigh every fault against the evidence, and choose the next reading.

        Same input, same output: nothing here depends on chance or on the clock.

        Args:
            readings: volts at probes, or a feed's amperes, each with what was lit.
            marks: what the eye saw.
            meter: of readings that name none, and of the next one.
            repaired: joints and nodes that were worked on before this evidence was taken.
            before: what was seen and read before each of these was mended, in order of time.
            share: of the budget of one finding, where several of them make one answer.
            unreachable: probes that leads cannot reach; a joint's own drop is not asked for there.
            unshorted: feeds between whose rails an ohmmeter showed no short, once for each time
                that this was measured since the last iron.

        Raises:
            CircuitFault: the design's circuit has no solution.
        """
        self._forget()
        evidence = self._gather(readings, marks, meter, repaired, before, share, unshorted)
        given = self._condition(evidence)
        if given is None:
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
            )
        inference = self._infer(evidence, given)
        plan = self._plan(evidence, given, inference, unreachable)
        self.work_units = evidence.case.budget.spent
        return self._finding(evidence, given, inference, plan)

    def _forget(self) -> None:
        """Bound what caches keep from one finding to the next."""
        others = (*self._reeled.values(), *self._supplied.values())
        for one in (self._usual, self._all_bins, *others):
            if one is not None:
                one.forget()

    def _gather(
        self,
        readings: Sequence[Reading],
        marks: Sequence[Mark],
        meter: Meter,
        repaired: Collection[str],
        before: Sequence[PreRepairEvidence],
        share: float,
        unshorted: Sequence[str],
    ) -> GatheredEvidence:
        """Stage 1: the readings to weigh, and how finely they were read; solves no circuit."""
        steps = infer_rounding_steps(readings, meter)
        meter = steps.as_read(meter)
        told, distinct_place = drop_duplicates(readings)
        budget = SolveBudget.of(self.design, share)
        distinct = [readings[place] for place in told]
        likelihoods = most_informative(self.responses, distinct, meter)
        case = EvidenceSet(
            [distinct[place] for place in likelihoods], marks, meter, repaired, budget
        )
        case = replace(case, unshorted=tuple(unshorted))
        return GatheredEvidence(
            readings=tuple(readings),
            distinct=distinct,
            distinct_place=distinct_place,
            numbers=[told[place] + 1 for place in likelihoods],
            rounded_v=max(steps.by_range.values(), default=None),
            case=case,
            before=tuple(before),
        )

    def _condition(self, evidence: GatheredEvidence) -> EvaluatedEvidence | None:
        """Stage 2: every single fault weighed against the evidence, and the tolerances to assume.

        Returns:
            None where the unit is not like those that the tolerances were learned from.
        """
        case, before = evidence.case, evidence.before
        case.budget.begin(Stage.EVIDENCE)
        assumption, plain = self._choose_bin(case, before)
        if self._fallback is not None and self._is_atypical(plain, self._fallback, before):
            return None
        usual = plain
        assumption, plain = self._with_measured_supplies(assumption, plain, before)
        assumption, plain = self._with_two_reels(assumption, plain, before)
        look = CachedLookup(assumption.views, case, assumption.past(before, case.meter), plain)
        unsteady = find_unsteady_joints(plain)
        if unsteady is not None and unsteady.log_total < plain.posterior.log_total:
            unsteady = None  # a slip, or a fault that stays as it is, explains the repeats better
        return EvaluatedEvidence(assumption, plain, usual, look, unsteady)

    def _infer(self, evidence: GatheredEvidence, given: EvaluatedEvidence) -> Inference:
        """Stage 3: the posterior over no fault, one, several, and none that is described here."""
        case, look, plain = evidence.case, given.look, given.plain
        case.budget.begin(Stage.SEVERAL)
        is_open = not given.unsteady and _is_unexplained(plain, case.repaired)
        several = fault_combinations(look) if is_open else []
        found = with_combinations(plain.posterior, self.space, several)
        case.budget.begin(Stage.PLAN)
        conditional = look(sure_faults(several, found, self.space), forced=True)
        if given.unsteady is not None:
            found = with_unsteady(found, given.unsteady)
        best = _best_explanation(look, several)
        none = _outside_model_probability(*best, given.unsteady)
        found = scale_posterior(found, 1.0 - none)
        is_sure = _is_sure(found)
        # near health only: what one fault moves far is not a sum of small parts
        pairs = None if several or is_sure or given.unsteady else find_masked_pairs(conditional)
        if pairs is not None:
            found = with_masked_pairs(found, pairs)
        off = [] if given.unsteady else unexplained_readings(*best)
        odd = unexplained_marks(*best)
        tied = tied_explanations(several, plain.posterior.log_total)
        return Inference(
            found=found,
            conditional=conditional,
            several=several,
            pairs=pairs,
            is_sure=is_sure,
            off=off,
            odd=odd,
            is_explained=not off and not odd and none < 0.5,
            nearest=_faults_of(*best) if none >= 0.5 else (),
            tied=tied,
            alike=() if given.unsteady else merge_ties(_alike(conditional), tied),
        )

    def _plan(
        self,
        evidence: GatheredEvidence,
        given: EvaluatedEvidence,
        inference: Inference,
        unreachable: Collection[Probe],
    ) -> Plan:
        """Stage 4: the next reading by the first rule that has one, and the next look."""
        evidence.case.budget.begin(Stage.PLAN)
        conditional = inference.conditional
        situation = Situation(evidence, given, inference, self.permitted, unreachable)
        ask, alike = next_request(situation)
        marks = evidence.case.marks
        look = choose_look(conditional.responses, conditional.posterior, marks, ask, self.permitted)
        return Plan(ask, alike, look)

    def _finding(
        self, evidence: GatheredEvidence, given: EvaluatedEvidence, inference: Inference, plan: Plan
    ) -> Finding:
        """Return the answer of all stages."""
        found, conditional, off = inference.found, inference.conditional, inference.off
        soldered = conditional.cleared[: conditional.responses.space.soldered]
        return Finding(
            healthy=found.healthy,
            suspects=self._suspects(found, conditional.given, given.look, given.unsteady),
            alike=plan.alike,
            next=plan.ask,
            readings=self._judged_readings(evidence, given.usual),
            cleared_ohm=None if given.unsteady else cleared_ohm(soldered),
            strange=evidence.numbers[off[0]] if off else None,
            joints=self._bands(found, conditional),
            look=plan.look,
            rounded_v=evidence.rounded_v,
            unexplained=inference.odd,
            explained=inference.is_explained,
            nearest=tuple(
                NearFault(part.where, part.kind, part.ohm if part.kind == "resistive" else None)
                for part in inference.nearest
            ),
        )

    def _with_measured_supplies(
        self,
        assumption: ToleranceAssumption,
        plain: ConditionalEvidence,
        before: tuple[PreRepairEvidence, ...],
    ) -> tuple[ToleranceAssumption, ConditionalEvidence]:
        """Return a belief with supplies as their feeds were read, where that is likelier."""
        volts = supplies_as_read(plain)
        if not volts:
            return assumption, plain
        key = tuple(sorted(volts.items())), assumption.views.tolerances
        if key not in self._supplied:
            for oldest in list(self._supplied)[: 1 - MAX_CACHED_ASSUMPTIONS]:
                del self._supplied[oldest]
            fed = assumption.views.design.with_supply_volts(volts)
            self._supplied[key] = ToleranceAssumption(
                ConditionalCache(fed, self.space, assumption.views.tolerances)
            )
        supplied = self._supplied[key]
        view = supplied.plain(plain.case, before)
        odds = supplies_log(plain, volts)
        if view.posterior.log_total + odds <= plain.posterior.log_total:
            return assumption, plain
        return supplied, view

    def _with_two_reels(
        self,
        assumption: ToleranceAssumption,
        plain: ConditionalEvidence,
        before: tuple[PreRepairEvidence, ...],
    ) -> tuple[ToleranceAssumption, ConditionalEvidence]:
        """Return a belief of strands from two reels where readings speak for it, else the same."""
        tolerances = with_reels(plain)
        if tolerances is None:
            return assumption, plain
        key = assumption.views.design.feeds, tolerances
        if key not in self._reeled:
            for oldest in list(self._reeled)[: 1 - MAX_CACHED_ASSUMPTIONS]:
                del self._reeled[oldest]
            self._reeled[key] = ToleranceAssumption(assumption.views.with_tolerances(tolerances))
        reeled = self._reeled[key]
        view = reeled.plain(plain.case, before)
        odds = odds_log(len(self.design.strands), len(tolerances.reels))
        if view.posterior.log_total + odds <= plain.posterior.log_total:
            return assumption, plain
        return reeled, view

    def _choose_bin(
        self, case: EvidenceSet, before: tuple[PreRepairEvidence, ...]
    ) -> tuple[ToleranceAssumption, ConditionalEvidence]:
        """Return which bins of node current to reckon with, and the evidence in that light."""
        plain = self._usual.plain(case, before)
        if self._all_bins is None or not case.readings:
            return self._usual, plain
        if not is_other_bin(plain, self._all_bins.views.tolerances.current):
            return self._usual, plain
        return self._all_bins, self._all_bins.plain(case, before)

    def _is_atypical(
        self, plain: ConditionalEvidence, fallback: Engine, before: tuple[PreRepairEvidence, ...]
    ) -> bool:
        """True where what accuses this unit may as well be that it is not like the others."""
        if not plain.case.readings or plain.posterior.healthy >= 0.5:
            return False
        usual = fallback._choose_bin(plain.case, before)[1].posterior.log_total
        odds = np.log(ATYPICAL_UNIT_PROBABILITY / (1.0 - ATYPICAL_UNIT_PROBABILITY)) - np.log(
            MIN_OTHER_BIN_ODDS
        )
        return bool(usual + odds > plain.posterior.log_total)

    def _judged_readings(
        self, evidence: GatheredEvidence, plain: ConditionalEvidence
    ) -> tuple[JudgedReading, ...]:
        """Each reading beside what a healthy unit shows; those that were not weighed, too."""
        readings, every, distinct_place = (
            evidence.readings,
            evidence.distinct,
            evidence.distinct_place,
        )
        if len(every) == len(plain.case.readings):
            return _judge(readings, distinct_place, plain.likelihood)
        found: list[JudgedReading] = []
        circuit = plain.responses.circuit
        for start in range(0, len(every), JUDGED_PER_BLOCK):
            some = every[start : start + JUDGED_PER_BLOCK]
            noise = noise_of(some, plain.case.meter)
            likelihood = ReadingLikelihood(
                plain.responses, taps_of(circuit, some), values_of(some), noise, plain.tolerances
            )
            found += _judge(some, range(len(some)), likelihood)
        return tuple(
            replace(found[row], reading=reading)
            for reading, row in zip(readings, distinct_place, strict=True)
        )

    def _suspects(
        self,
        found: Posterior,
        sure: tuple[FaultHypothesis, ...],
        look: EvidenceLookup,
        unsteady: UnsteadyJoints | None,
    ) -> tuple[Suspect, ...]:
        rows = []
        for where, kind, probability, joint in named_suspects(self.space, found):
            if probability < MIN_LISTED_PROBABILITY:
                break
            suspect = Suspect(where, kind, probability)
            if joint is not None and kind == "resistive":
                suspect = replace(suspect, ohms=found.ohms(joint))
            if unsteady is not None and joint is not None:
                grows = unsteady.course(joint) == "growing"
                evidence = unsteady_evidence(look((), forced=True), unsteady)
                suspect = replace(suspect, evidence=evidence, intermittent=not grows, growing=grows)
            elif probability >= MIN_EXPLAINED_PROBABILITY:
                others = look(tuple(part for part in sure if part.where != where), forced=True)
                hypothesis = likeliest_hypothesis(self.space, found, where, kind, joint)
                evidence, after = suspect_evidence(others, hypothesis)
                suspect = replace(suspect, evidence=evidence, after=after)
                if kind == "short":
                    near = nearest_short_places(look((), forced=True), where)
                    suspect = replace(suspect, near=tuple(near))
            rows.append(suspect)
        return tuple(rows)

    def _bands(self, found: Posterior, conditional: ConditionalEvidence) -> tuple[JointBand, ...]:
        """What is known of each joint, faults that are sure taken for given."""
        limits = conditional.cleared.tolist()
        # a joint that is taken for given is no longer asked about
        names = [joint.name for joint in conditional.responses.space.joints]
        cleared = dict(zip(names, limits, strict=True))
        rows = []
        for number, joint in enumerate(self.space.joints[: self.space.soldered]):
            resistive, open_ = float(found.resistive[number]), float(found.open[number])
            ohms = found.ohms(number) if resistive > MIN_LISTED_PROBABILITY else None
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


def nearest_short_places(plain: ConditionalEvidence, feed: str) -> list[str]:
    """Places near which the rails of a feed's copper are likely joined by some resistance."""
    if plain.likelihood is None:
        return []
    for fault in plain.space.chain:
        if fault.where == feed and fault.shorted is not None:
            soft = plain.likelihood.rail_short(fault.shorted)
            if soft is not None and soft.is_likely:
                return soft.near()
    return []


def _best_explanation(
    look: EvidenceLookup, several: Sequence[FaultCombination]
) -> tuple[ConditionalEvidence, FaultHypothesis | None]:
    """Return the evidence with the best explanation given but for one fault, and that fault."""
    plain = look((), forced=True)
    weight = max(plain.healthy, plain.likeliest[0][0])
    if several and several[0].log_weight > weight:
        return look(several[0].faults, forced=True), None
    return plain, plain.likeliest_fault


def _faults_of(
    view: ConditionalEvidence, part: FaultHypothesis | None
) -> tuple[FaultHypothesis, ...]:
    """Return all faults of an explanation."""
    return view.given if part is None else (*view.given, part)


def _outside_model_probability(
    view: ConditionalEvidence, part: FaultHypothesis | None, unsteady: UnsteadyJoints | None
) -> float:
    """Return the probability that no hypothesis describes the readings."""
    likelihood = view.likelihood
    if likelihood is None:
        return 0.0
    if unsteady is not None:
        read = unsteady.log_total - (view.healthy - likelihood.healthy())
    else:
        mean, covariance = likelihood.under(-1, 0) if part is None else view.under(part)
        read = float(likelihood.log_density(mean, covariance))
    return outside_model_probability(read, len(likelihood.values), likelihood.slip_per_v)


def _is_unexplained(plain: ConditionalEvidence, repaired: Collection[str]) -> bool:
    """True where neither a healthy prop nor its likeliest single fault explains the evidence.

    That a joint is bad which was mended already is the last thing to believe.
    """
    best = plain.likeliest_fault
    return plain.is_misfit(best) or (best is not None and best.where in repaired)


def is_other_bin(usual: ConditionalEvidence, current: float) -> bool:
    """True where readings speak for a node current that the kind's usual bin does not have.

    Where the wide belief comes out only somewhat worse it is the one to be careful with.

    Args:
        usual: the evidence, node current as the catalogue has it.
        current: one standard deviation of the node current over all bins, as a share.
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


def _is_sure(found: Posterior) -> bool:
    """True where something is bad, and known by name."""
    joints = found.joints.sum(axis=1).max(initial=0.0)
    return max(float(joints), float(found.chain.max(initial=0.0))) >= MIN_REPAIR_PROBABILITY


def _alike(conditional: ConditionalEvidence) -> tuple[tuple[str, ...], ...]:
    """Groups of likely suspects whose best explanations of the evidence are equally good."""
    found, space = conditional.posterior, conditional.responses.space
    rows = []
    for number, joint in enumerate(space.joints):
        if found.joints[number].sum() >= MIN_TIED_PROBABILITY:
            rows.append((joint.name, float(conditional.joints[number].max()), "power"))
    best: dict[str, tuple[float, float]] = {}
    for fault, part, weight in zip(space.chain, found.chain, conditional.chain, strict=True):
        before = best.get(fault.where, (0.0, -np.inf))
        best[fault.where] = (before[0] + float(part), max(before[1], float(weight)))
    rows += [(name, w, "chain") for name, (p, w) in best.items() if p >= MIN_TIED_PROBABILITY]
    return _grouped(rows)


def _grouped(rows: list[tuple[str, float, str]]) -> tuple[tuple[str, ...], ...]:
    groups: list[tuple[float, str, list[str]]] = []
    for name, weight, sort in sorted(rows, key=lambda row: (-row[1], row[0])):
        for top, kind, names in groups:
            if kind == sort and top - weight < MAX_TIE_LOG:
                names.append(name)
                break
        else:
            groups.append((weight, sort, [name]))
    return tuple(tuple(names) for _, _, names in groups if len(names) > 1)


def _judge(
    readings: Sequence[Reading],
    distinct_place: Sequence[int],
    likelihood: ReadingLikelihood | None,
) -> tuple[JudgedReading, ...]:
    """Each reading beside what a healthy unit would show, error of the meter included."""
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
    """Diagnose a design once; see `Engine.diagnose`."""
    return Engine(design).diagnose(readings, marks, meter)
