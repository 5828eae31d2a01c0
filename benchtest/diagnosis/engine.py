"""One question: given everything seen and measured, which faults, and what would tell more?"""

from __future__ import annotations

from collections.abc import Collection, Mapping, Sequence
from dataclasses import replace
from functools import cached_property

import numpy as np

from benchtest.circuit.netlist import FloatArray
from benchtest.circuit.tolerance import FROM_MANY_REELS, Tolerances
from benchtest.diagnosis.explain import Reason, reason, unsteady_reason
from benchtest.diagnosis.finding import Finding, JointBand, JudgedReading, NextReading, Suspect
from benchtest.diagnosis.inference.cache import Footings, Views
from benchtest.diagnosis.inference.conditional import Case, View
from benchtest.diagnosis.inference.hypothesis import Part
from benchtest.diagnosis.inference.masked_pairs import Pairs, beside_pairs, hidden_pairs
from benchtest.diagnosis.inference.multiple_faults import (
    Look,
    Together,
    several_posterior,
    sure_parts,
    together,
)
from benchtest.diagnosis.inference.posterior import (
    Posterior,
    cleared_ohm,
    likeliest_part,
    named_suspects,
)
from benchtest.diagnosis.inference.pre_repair import Before, Past
from benchtest.diagnosis.inference.unsteady_joints import Unsteady, unsteady_joints, with_unsteady
from benchtest.diagnosis.likelihood.duplicates import telling
from benchtest.diagnosis.likelihood.measurement import noise_of, taps_of, values_of
from benchtest.diagnosis.likelihood.readings import Weigher
from benchtest.diagnosis.likelihood.selection import most_informative
from benchtest.diagnosis.model.fault_response import Responses
from benchtest.diagnosis.model.faults import Priors, fault_space
from benchtest.diagnosis.model.node_variation import OTHER_BIN, tolerances_of
from benchtest.diagnosis.model.rail_shorts import nearby
from benchtest.diagnosis.model.reels import odds_log, with_reels
from benchtest.diagnosis.permitted import Permitted
from benchtest.diagnosis.planning.candidates import permitted_sets
from benchtest.diagnosis.planning.decision import (
    DECIDED,
    OPEN_TO_DOUBT,
    by_place,
    far_off,
    is_decided,
    joined_ties,
    left_over,
    none_of_these,
    scaled,
    tied_explanations,
    unexplained_marks,
    unread_load,
)
from benchtest.diagnosis.planning.forecast import Forecaster
from benchtest.diagnosis.planning.next_look import look_next
from benchtest.diagnosis.planning.next_reading import (
    SAME_AGAIN,
    WORTH_TAKING_BITS,
    Evidence,
    best_worth,
    plan_next,
)
from benchtest.diagnosis.repair import repair_words, unsteady_words
from benchtest.diagnosis.solve_budget import SolveBudget, Stage
from benchtest.evidence.marks import Mark
from benchtest.evidence.meter import DEFAULT_METER, Meter
from benchtest.evidence.readings import Reading
from benchtest.evidence.rounding import steps_of
from benchtest.prop.design import Design, FeedName, Probe, rail_probe
from benchtest.prop.joints import Joint
from benchtest.prop.lit_set import Lit, everything

LEAST_SHOWN = 1e-3
"""Suspects with less probability are not listed."""
WORTH_SAYING = 0.05
"""Suspects with this much probability are explained."""
ALIKE_LOG = 0.7
"""Suspects whose likelihoods are within a factor of two have not been told apart."""
CAREFUL = 0.25
"""Odds of another bin of node current from which it is reckoned with."""
PROVEN_OHM = 0.1
"""A remade joint is shown to be good once the readings speak against more than this. [Ω]"""
SURE_TO_BE_BAD = 0.99
"""Probability from which a suspect is mended rather than read about once more."""
UNLIKE = 0.1
"""Chance that a unit is not like those that were learned from: another reel or supply. Ours."""
MOST_METERS = 4
"""Meters whose forecasts are kept; nobody reads one unit with more."""
JUDGED_AT_ONCE = 200
"""Readings that are compared with a healthy unit together, where more were taken than weighed."""
MOST_REELED = 2
"""Beliefs of strands from two reels that are kept."""
LEAST_BITS = 4e-3
"""While nothing is decided, a reading that tells less is not asked for."""
LEAST_ALIKE = 0.02
"""Only suspects with this much probability are worth telling apart."""


class Belief:
    """One belief of how far a unit may be from its design, and what was worked out under it."""

    def __init__(self, views: Views) -> None:
        self.views = views
        self._forecasters: dict[Meter, Forecaster] = {}
        self._past: tuple[tuple[Before, ...], Meter, Past] | None = None

    def past(self, before: tuple[Before, ...], meter: Meter) -> Past | None:
        """What was known before repairs; the last one asked for is kept, None where there is none.

        Of a unit it stays the same from one reading to the next.
        """
        if not before:
            return None
        if self._past is None or self._past[:2] != (before, meter):
            self._past = before, meter, Past(before, self.views, meter)
        return self._past[2]

    def plain(self, case: Case, before: tuple[Before, ...]) -> View:
        """The evidence with nothing taken for given."""
        past = self.past(before, case.meter)
        return self.views.of(case, memory=None if past is None else past.on(()))

    def forget(self) -> None:
        """Bound what is kept from one finding to the next, however many lit sets are asked for."""
        self.views.forget()
        for meter in list(self._forecasters)[:-MOST_METERS]:
            del self._forecasters[meter]
        for forecaster in self._forecasters.values():
            forecaster.forget()

    def forecaster(self, footing: View) -> Forecaster:
        """The plain one of each meter is kept."""
        meter = footing.case.meter
        if footing.parts:
            return Forecaster(footing.responses, meter, self.views.tolerances)
        if meter not in self._forecasters:
            made = Forecaster(footing.responses, meter, self.views.tolerances)
            self._forecasters[meter] = made
        return self._forecasters[meter]


class Engine:
    """Diagnoses one design, and keeps its factored circuits between calls."""

    def __init__(
        self,
        design: Design,
        priors: Priors | None = None,
        tolerances: Tolerances | None = None,
        often: Mapping[str, float] | None = None,
        otherwise: Engine | None = None,
    ) -> None:
        """Factor nothing yet.

        Args:
            design: the prop.
            priors: odds of each kind of fault.
            tolerances: how far a unit may be from the design; None for what is known of its kind.
            often: how much likelier than its kind some joints are, by name; see `learn`.
            otherwise: what to go by where readings say that this unit is not like those that
                design and tolerances were learned from.
        """
        self.design = design
        self._otherwise = otherwise
        self.tolerances = tolerances or FROM_MANY_REELS
        self.space = fault_space(design, priors, often)
        self.work_units = 0
        """Units of work that the last finding was charged; see `SolveBudget`."""
        self._usual = Belief(Views(design, self.space, self.tolerances))
        self._reeled: dict[Tolerances, Belief] = {}
        self._unsettled: Belief | None = None
        if tolerances is None and (wide := tolerances_of(design)) != self.tolerances:
            self._unsettled = Belief(self._usual.views.with_tolerances(wide))

    @cached_property
    def responses(self) -> Responses:
        """The design's circuit under every single fault."""
        return self._usual.views.responses()

    @cached_property
    def permitted(self) -> Permitted:
        """Lit sets that fuses and supplies carry."""
        return Permitted(self.responses.circuit)

    def diagnose(
        self,
        readings: Sequence[Reading] = (),
        marks: Sequence[Mark] = (),
        meter: Meter = DEFAULT_METER,
        repaired: Collection[str] = (),
        before: Sequence[Before] = (),
        *,
        share: float = 1.0,
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

        Raises:
            CircuitFault: the design's circuit has no solution.
        """
        for one in (self._usual, self._unsettled, *self._reeled.values()):
            if one is not None:
                one.forget()
        steps = steps_of(readings, meter)
        meter = steps.as_read(meter)
        told, stands_by = telling(readings)
        budget = SolveBudget.of(self.design, share)
        every = [readings[place] for place in told]
        weighed = most_informative(self.responses, every, meter)
        some = [every[place] for place in weighed]
        case = Case(some, marks, meter, repaired, budget)
        earlier = tuple(before)
        belief, plain = self._settled_on(case, earlier)
        if self._otherwise is not None and self._is_unlike(plain, self._otherwise, earlier):
            return self._otherwise.diagnose(readings, marks, meter, repaired, earlier, share=share)
        belief, plain = self._from_reels(belief, plain, earlier)
        look = Footings(belief.views, case, belief.past(earlier, meter), plain)
        unsteady = unsteady_joints(plain)
        if unsteady is not None and unsteady.log_total < plain.posterior.log_total:
            unsteady = None  # a slip, or a fault that stays as it is, explains the repeats better
        budget.stage = Stage.SEVERAL
        several = together(look) if not unsteady and _is_unexplained(plain, repaired) else []
        found = several_posterior(plain.posterior, self.space, several)
        budget.stage = Stage.PLAN
        footing = look(sure_parts(several, found, self.space), forced=True)
        found = found if unsteady is None else with_unsteady(found, unsteady)
        best = _best_explanation(look, several)
        none = _none_of_these(*best, unsteady)
        found = scaled(found, 1.0 - none)
        is_sure = _is_sure(found)
        # near health only: what one fault moves far is not a sum of small parts
        pairs = None if several or is_sure or unsteady else hidden_pairs(footing)
        if pairs is not None:
            found = beside_pairs(found, pairs)
        off = [] if unsteady else far_off(*best)
        odd = unexplained_marks(*best)
        is_explained = not off and not odd and none < 0.5
        tied = tied_explanations(several, plain.posterior.log_total)
        alike = joined_ties(_alike(footing), tied)
        suspected = by_place(named_suspects(self.space, found))
        decided = is_sure or is_decided(found.healthy, suspected, alike)
        if unsteady:
            alike, ask = (), self._ask_unsteady(plain, found, unsteady)
        else:
            ask = self._ask(belief, footing, found, pairs, to_mend=is_sure)
            if ask.settled and tied and not is_sure:
                ask = self._separating(belief, look, several[0].parts, suspected, ask)
            if ask.settled and not is_sure:
                ask = self._loaded(belief, footing, ask)
            if ask.settled:
                ask = self._short_proof(found, ask, case)
            if ask.settled and not decided:
                ask = self._ask(
                    belief, footing, found, pairs, to_mend=False, least_bits=LEAST_BITS
                )  # fmt: skip
            if ask.settled:
                alike = joined_ties(alike, [left_over(found.healthy, suspected, alike)])
                decided = is_sure or is_decided(found.healthy, suspected, alike)
                confirmed = is_sure and self._is_read_itself(found, case)
                ask = replace(ask, settled=decided and (is_explained or confirmed))
                if not ask.settled:
                    ask = self._once_more(case, found, off, ask)
        suspects = self._suspects(found, footing.parts, look, unsteady)
        self.work_units = budget.spent
        return Finding(
            healthy=found.healthy,
            suspects=suspects,
            alike=alike,
            next=ask,
            readings=self._judged(readings, every, stands_by, plain),
            cleared_ohm=None
            if unsteady
            else cleared_ohm(footing.cleared[: footing.responses.space.soldered]),
            strange=told[weighed[off[0]]] + 1 if off else None,
            joints=self._bands(found, footing),
            look=look_next(footing.responses, footing.posterior, marks, ask, self.permitted),
            rounded_v=max(steps.by_range.values(), default=None),
            unexplained=odd,
            explained=is_explained,
        )

    def quick_next(
        self, finding: Finding, taken: Sequence[Reading] = ()
    ) -> tuple[Lit, Probe] | None:
        """Return a sensible next reading at once, while the finding with the last one is under way.

        It is the best of the last plan's candidates that was not taken since.

        Args:
            finding: without the last readings.
            taken: readings since that finding.

        Returns:
            None where that plan had no other candidate.
        """
        gone = {(reading.lit, reading.probe.points) for reading in taken}
        ask = finding.next
        planned = [] if ask.lit is None or ask.probe is None else [(ask.lit, ask.probe)]
        for lit, probe in (*planned, *ask.runners_up):
            if (lit, probe.points) not in gone and self.permitted(lit):
                return lit, probe
        return None

    def _ask(
        self,
        belief: Belief,
        footing: View,
        found: Posterior,
        pairs: Pairs | None,
        *,
        to_mend: bool,
        least_bits: float = WORTH_TAKING_BITS,
    ) -> NextReading:
        """The next reading; see `plan_next`."""
        case, forecaster = footing.case, belief.forecaster(footing)

        def then(reading: Reading) -> float:
            supposed = replace(case, readings=(*case.readings, reading))
            view = belief.views.of(supposed, footing.parts, footing.best_so_far, footing.memory)
            evidence = Evidence(supposed.readings, view.weigher, view.weighed)
            return best_worth(forecaster, view.posterior, evidence, self.permitted)

        return plan_next(
            forecaster,
            footing.posterior,
            Evidence(case.readings, footing.weigher, footing.weighed),
            self.permitted,
            _unproven(footing, found, case.repaired),
            pairs=pairs,
            to_mend=to_mend,
            then=None if footing.responses.is_large else then,
            least_bits=least_bits,
        )

    def _separating(
        self,
        belief: Belief,
        look: Look,
        parts: tuple[Part, ...],
        suspected: Mapping[str, float],
        ask: NextReading,
    ) -> NextReading:
        """Return a reading that separates one of several faults from those that tie with it.

        Args:
            belief: how far the unit may be from its design.
            look: the evidence on any footing.
            parts: the faults that explain the evidence best together.
            suspected: probability of each place at fault.
            ask: what to do where no such reading is worth taking.
        """
        for part in parts:
            if suspected[part.where] < DECIDED:
                others = tuple(other for other in parts if other.where != part.where)
                rest = look(others, forced=True)
                other = self._ask(belief, rest, rest.posterior, None, to_mend=False)
                if not other.settled:
                    return other
        return ask

    def _once_more(
        self, case: Case, found: Posterior, off: Sequence[int], ask: NextReading
    ) -> NextReading:
        """Return the drop across the likeliest joint, or the reading that disagrees, once more.

        Where neither is left to be read, no reading decides what is left open.
        """
        taken = [(reading.lit, reading.probe) for reading in case.readings]
        asks = []
        joint, probability = self._likeliest_joint(found)
        lit = self._most_light()
        if lit is not None and joint is not None and probability >= OPEN_TO_DOUBT:
            asks.append((lit, joint.probe))
        asks += [taken[place] for place in off[:1]]
        for one in asks:
            if taken.count(one) < SAME_AGAIN - 1:
                return NextReading(*one, ask.expect_bits, settled=False)
        return ask

    def _is_read_itself(self, found: Posterior, case: Case) -> bool:
        """Return True where the drop across the likeliest joint was read: it is repaired first."""
        joint, probability = self._likeliest_joint(found)
        if joint is None or probability < SURE_TO_BE_BAD:
            return False
        return any(one.probe.points == joint.probe.points for one in case.readings)

    def _likeliest_joint(self, found: Posterior) -> tuple[Joint | None, float]:
        """Return the soldered joint that is likeliest at fault, and its probability."""
        totals = np.round(found.joints[: self.space.soldered].sum(axis=1), 9)
        if not len(totals):
            return None, 0.0
        place = int(totals.argmax())
        return self.space.joints[place], float(totals[place])

    def _most_light(self) -> Lit | None:
        """Return all strands, or the first part of them that feeds carry; None where none is."""
        lits = permitted_sets([everything(self.design)], self.permitted)
        return lits[0] if lits else None

    def _short_proof(self, found: Posterior, ask: NextReading, case: Case) -> NextReading:
        """Return the rail volts on the feed's side in place of an end that names joined rails.

        A bad joint of the feed takes as many volts from everything behind it as joined rails do,
        but none from its own cable.
        """
        shorts: dict[str, float] = {}
        for fault, part in zip(self.space.chain, found.chain, strict=True):
            if fault.kind == "short":
                shorts[fault.where] = shorts.get(fault.where, 0.0) + float(part)
        where = max(shorts, key=lambda name: round(shorts[name], 9), default=None)
        if where is None or sum(shorts.values()) <= 0.5:
            return ask
        place = FeedName(where)
        touched = {point.place for one in case.readings for point in one.probe.points}
        lit = self._most_light()
        if lit is None or not case.readings or place in touched:
            return ask
        return NextReading(lit, rail_probe(place), ask.expect_bits, settled=False)

    def _loaded(self, belief: Belief, footing: View, ask: NextReading) -> NextReading:
        """Return the rail volts under load in place of an end, where none were read."""
        readings = footing.case.readings
        if not readings:
            return ask
        due = unread_load(belief.forecaster(footing), self.permitted, readings)
        return ask if due is None else NextReading(*due, ask.expect_bits, settled=False)

    def _ask_unsteady(self, plain: View, found: Posterior, unsteady: Unsteady) -> NextReading:
        """Return the drop across the joint that changes most likely, until it is named."""
        joint, probability = self._likeliest_joint(found)
        assert joint is not None  # a joint that changes is among them
        readings = plain.case.readings
        taken = [reading for reading in readings if reading.probe == joint.probe]
        if probability >= DECIDED:
            return NextReading(None, None, 0.0, settled=True)
        if len(taken) < SAME_AGAIN:
            lit = readings[unsteady.repeats[-1][1]].lit
            return NextReading(lit, joint.probe, 0.0, settled=False)
        return NextReading(None, None, 0.0, settled=False)

    def _from_reels(
        self, belief: Belief, plain: View, before: tuple[Before, ...]
    ) -> tuple[Belief, View]:
        """Return a belief of strands from two reels where readings speak for it, else the same."""
        tolerances = with_reels(plain)
        if tolerances is None:
            return belief, plain
        if tolerances not in self._reeled:
            for oldest in list(self._reeled)[: 1 - MOST_REELED]:
                del self._reeled[oldest]
            self._reeled[tolerances] = Belief(belief.views.with_tolerances(tolerances))
        reeled = self._reeled[tolerances]
        view = reeled.plain(plain.case, before)
        odds = odds_log(len(self.design.strands), len(tolerances.reels))
        if view.posterior.log_total + odds <= plain.posterior.log_total:
            return belief, plain
        return reeled, view

    def _settled_on(self, case: Case, before: tuple[Before, ...]) -> tuple[Belief, View]:
        """Return which bins of node current to reckon with, and the evidence in that light."""
        plain = self._usual.plain(case, before)
        if self._unsettled is None or not case.readings:
            return self._usual, plain
        if not is_other_bin(plain, self._unsettled.views.tolerances.current):
            return self._usual, plain
        return self._unsettled, self._unsettled.plain(case, before)

    def _is_unlike(self, plain: View, otherwise: Engine, before: tuple[Before, ...]) -> bool:
        """True where what accuses this unit may as well be that it is not like the others."""
        if not plain.case.readings or plain.posterior.healthy >= 0.5:
            return False
        usual = otherwise._settled_on(plain.case, before)[1].posterior.log_total
        odds = np.log(UNLIKE / (1.0 - UNLIKE)) - np.log(CAREFUL)
        return bool(usual + odds > plain.posterior.log_total)

    def _judged(
        self,
        readings: Sequence[Reading],
        every: Sequence[Reading],
        stands_by: Sequence[int],
        plain: View,
    ) -> tuple[JudgedReading, ...]:
        """Each reading beside what a healthy unit shows; those that were not weighed, too."""
        if len(every) == len(plain.case.readings):
            return _judge(readings, stands_by, plain.weigher)
        found: list[JudgedReading] = []
        circuit = plain.responses.circuit
        for start in range(0, len(every), JUDGED_AT_ONCE):
            some = every[start : start + JUDGED_AT_ONCE]
            noise = noise_of(some, plain.case.meter)
            weigher = Weigher(
                plain.responses, taps_of(circuit, some), values_of(some), noise, plain.tolerances
            )
            found += _judge(some, range(len(some)), weigher)
        return tuple(
            replace(found[row], reading=reading)
            for reading, row in zip(readings, stands_by, strict=True)
        )

    def _suspects(
        self,
        found: Posterior,
        sure: tuple[Part, ...],
        look: Look,
        unsteady: Unsteady | None,
    ) -> tuple[Suspect, ...]:
        rows = []
        for where, kind, probability, joint in named_suspects(self.space, found):
            if probability < LEAST_SHOWN:
                break
            ohms = found.ohms(joint) if joint is not None and kind == "resistive" else None
            repair = repair_words(self.design, where, kind)
            if kind == "short" and probability >= WORTH_SAYING:
                repair += nearby(short_near(look((), forced=True), where))
            why = Reason("", None)
            if unsteady is not None and joint is not None:
                words = unsteady_reason(look((), forced=True), unsteady, joint)
                grows = unsteady.course(joint) == "growing"
                repair = unsteady_words(self.design, where, growing=grows)
                rows.append(
                    Suspect(
                        where, kind, probability, ohms, repair, words,
                        intermittent=not grows, growing=grows,
                    )
                )  # fmt: skip
                continue
            if probability >= WORTH_SAYING:
                others = look(tuple(part for part in sure if part.where != where), forced=True)
                why = reason(others, likeliest_part(self.space, found, where, kind, joint))
            rows.append(Suspect(where, kind, probability, ohms, repair, why.words, why.after))
        return tuple(rows)

    def _bands(self, found: Posterior, footing: View) -> tuple[JointBand, ...]:
        """What is known of each joint, faults that are sure taken for given."""
        limits = footing.cleared.tolist()
        # a joint that is taken for given is no longer asked about
        names = [joint.name for joint in footing.responses.space.joints]
        cleared = dict(zip(names, limits, strict=True))
        rows = []
        for number, joint in enumerate(self.space.joints[: self.space.soldered]):
            resistive, open_ = float(found.resistive[number]), float(found.open[number])
            ohms = found.ohms(number) if resistive > LEAST_SHOWN else None
            limit = cleared.get(joint.name, np.inf)
            known = limit if np.isfinite(limit) else None
            rows.append(JointBand(joint.name, resistive + open_, open_, ohms, known))
        return tuple(rows)


def short_near(plain: View, feed: str) -> list[str]:
    """Places near which the rails of a feed's copper are likely joined by some resistance."""
    if plain.weigher is None:
        return []
    for fault in plain.space.chain:
        if fault.where == feed and fault.shorted is not None:
            soft = plain.weigher.rail_short(fault.shorted)
            if soft is not None and soft.is_likely:
                return soft.near()
    return []


def _best_explanation(look: Look, several: Sequence[Together]) -> tuple[View, Part | None]:
    """Return the evidence with the best explanation given but for one fault, and that fault."""
    plain = look((), forced=True)
    weight = max(plain.healthy, plain.likeliest[0][0])
    if several and several[0].log_weight > weight:
        return look(several[0].parts, forced=True), None
    return plain, plain.best_part


def _none_of_these(view: View, part: Part | None, unsteady: Unsteady | None) -> float:
    """Return the probability that no hypothesis describes the readings."""
    weigher = view.weigher
    if weigher is None:
        return 0.0
    if unsteady is not None:
        read = unsteady.log_total - (view.healthy - weigher.healthy())
    else:
        mean, covariance = weigher.under(-1, 0) if part is None else view.under(part)
        read = float(weigher.density(mean, covariance))
    return none_of_these(read, len(weigher.values), weigher.slip_per_v)


def _is_unexplained(plain: View, repaired: Collection[str]) -> bool:
    """True where neither a healthy prop nor its likeliest single fault explains the evidence.

    That a joint is bad which was mended already is the last thing to believe.
    """
    best = plain.best_part
    return plain.is_misfit(best) or (best is not None and best.where in repaired)


def is_other_bin(usual: View, current: float) -> bool:
    """True where readings speak for a node current that the kind's usual bin does not have.

    Where the wide belief comes out only somewhat worse it is the one to be careful with.

    Args:
        usual: the evidence, node current as the catalogue has it.
        current: one standard deviation of the node current over all bins, as a share.
    """
    weigher, best = usual.weigher, usual.best_part
    if weigher is None:
        return False
    more = current**2 - usual.tolerances.current**2

    def with_any_bin(mean: FloatArray, covariance: FloatArray) -> float:
        loaded = mean - weigher.unloaded
        return float(weigher.density(mean, covariance + more * np.outer(loaded, loaded)))

    gain = with_any_bin(*weigher.under(-1, 0)) + usual.healthy - weigher.healthy()
    if best is not None and best.chain < 0:
        row = usual.row(best.where)
        mean, covariance = usual.under(best)
        less = float(weigher.density(mean, covariance))
        gain = max(gain, float(np.logaddexp.reduce(row)) + with_any_bin(mean, covariance) - less)
    odds = np.log(OTHER_BIN / (1.0 - OTHER_BIN)) - np.log(CAREFUL)
    return bool(gain + odds > usual.posterior.log_total)


def _is_sure(found: Posterior) -> bool:
    """True where something is bad, and known by name."""
    joints = found.joints.sum(axis=1).max(initial=0.0)
    return max(float(joints), float(found.chain.max(initial=0.0))) >= SURE_TO_BE_BAD


def _unproven(footing: View, found: Posterior, repaired: Collection[str]) -> list[int]:
    """Places of joints that were remade and may still be bad for all that was read since.

    None while something else is likely wrong: that is mended first.
    """
    if found.healthy <= 0.5:
        return []
    limits = footing.cleared.tolist()
    return [
        place
        for place, joint in enumerate(footing.responses.space.joints)
        if joint.name in repaired and limits[place] > PROVEN_OHM
    ]


def _alike(footing: View) -> tuple[tuple[str, ...], ...]:
    """Groups of likely suspects whose best explanations of the evidence are equally good."""
    found, space = footing.posterior, footing.responses.space
    rows = []
    for number, joint in enumerate(space.joints):
        if found.joints[number].sum() >= LEAST_ALIKE:
            rows.append((joint.name, float(footing.joints[number].max()), "power"))
    best: dict[str, tuple[float, float]] = {}
    for fault, part, weight in zip(space.chain, found.chain, footing.chain, strict=True):
        before = best.get(fault.where, (0.0, -np.inf))
        best[fault.where] = (before[0] + float(part), max(before[1], float(weight)))
    rows += [(name, w, "chain") for name, (p, w) in best.items() if p >= LEAST_ALIKE]
    return _grouped(rows)


def _grouped(rows: list[tuple[str, float, str]]) -> tuple[tuple[str, ...], ...]:
    groups: list[tuple[float, str, list[str]]] = []
    for name, weight, sort in sorted(rows, key=lambda row: (-row[1], row[0])):
        for top, kind, names in groups:
            if kind == sort and top - weight < ALIKE_LOG:
                names.append(name)
                break
        else:
            groups.append((weight, sort, [name]))
    return tuple(tuple(names) for _, _, names in groups if len(names) > 1)


def _judge(
    readings: Sequence[Reading],
    stands_by: Sequence[int],
    weigher: Weigher | None,
) -> tuple[JudgedReading, ...]:
    """Each reading beside what a healthy unit would show, error of the meter included."""
    if weigher is None:
        return ()
    mean = weigher.healthy_mean()
    sd = np.sqrt(np.diag(weigher.healthy_covariance))
    off = (weigher.values - mean) / sd
    return tuple(
        JudgedReading(reading, float(mean[row]), float(sd[row]), float(off[row]))
        for reading, row in zip(readings, stands_by, strict=True)
    )


def diagnose(
    design: Design,
    readings: Sequence[Reading] = (),
    marks: Sequence[Mark] = (),
    meter: Meter = DEFAULT_METER,
) -> Finding:
    """Diagnose a design once; see `Engine.diagnose`."""
    return Engine(design).diagnose(readings, marks, meter)
