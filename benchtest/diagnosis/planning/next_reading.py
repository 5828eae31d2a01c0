"""The next reading: the one expected to tell most about which fault it is; see `worth`."""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from benchtest.circuit.netlist import FloatArray
from benchtest.diagnosis.finding import NextReading
from benchtest.diagnosis.inference.masked_pairs import MaskedPairs
from benchtest.diagnosis.inference.posterior import Posterior
from benchtest.diagnosis.likelihood.readings import JointLikelihoods, ReadingLikelihood
from benchtest.diagnosis.likelihood.robust_gaussian import slips
from benchtest.diagnosis.model.fault_response import GRID_OHM, DesignResponse
from benchtest.diagnosis.planning.candidates import lit_sets, permitted_sets
from benchtest.diagnosis.planning.cost import USUAL_TIMES, leads_after
from benchtest.diagnosis.planning.forecast import SHORT, SOFT_SHORT, Forecaster
from benchtest.diagnosis.planning.information import (
    CandidateScreen,
    FaultSamples,
    expand_islands,
    information_bits,
    sample_faults,
)
from benchtest.evidence.readings import Reading
from benchtest.prop.design import Probe
from benchtest.prop.lit_set import LitSet

MIN_READING_BITS = 0.015
"""A reading that tells less is not worth a person's time."""
MIN_BITS_BEFORE_REPAIR = 0.2
"""A reading that tells less is not worth more than mending what is bad for sure."""
SHORTLIST_SIZE, SHORTLIST_SIZE_MANY_FAULTS = 96, 32
"""Candidates whose information is worked out in full; fewer where there are many faults."""
MANY_SAMPLES = 800
"""Components from which there are: the work grows with their square."""
MAX_EXACT_CANDIDATES = 12
"""Candidates that are worked out exactly at the most, before one is chosen."""
MIN_REPEAT_SD = 8.0
"""Standard deviations from all other readings past which one must be taken again."""
MIN_SPAN_GAIN = 1.1
"""Times that two readings must tell more for the worse one to come first."""
MAX_SAME_READINGS = 3
"""A probe under one lit set is asked for at most so often."""
MIN_NAMED_PROBABILITY = 0.95
"""Probability of a suspect from which the last reading is not asked for once more. Ours."""
PROOF_COLUMN = int(np.searchsorted(GRID_OHM, 0.1))
"""A remade joint is looked at as if it had a tenth of an ohm still."""
MIN_PROOF_SD = 3.0
"""Standard deviations by which that must show."""
TINY = 1e-300
"""Keeps a candidate that shows nothing from dividing by zero."""
MAX_RUNNERS_UP = 6
"""Candidates that a plan keeps besides the best one."""
TYPICAL_READING_S = 10.0
"""Seconds of a usual reading, both leads moved. [s] See `cost`."""
TIME_EXPONENT = 0.5
"""Power of a reading's seconds by which its information is divided. With 1, a plan reads on where
the leads are long after other places tell more; with 0, it moves both leads every time."""
MAX_READINGS_BEFORE_SPAN = 4
"""Readings after which no plan begins a series along a rail any more."""


ReadingRequest = tuple[LitSet, Probe]
"""What to light, and where to put the leads."""


@dataclass(frozen=True)
class PlanningEvidence:
    """What was read so far, for a forecast of what comes next."""

    readings: Sequence[Reading]
    likelihood: ReadingLikelihood | None
    likelihoods: JointLikelihoods | None


@dataclass(frozen=True)
class Ranking:
    """Candidates for the next reading, on one footing.

    Attributes:
        forecaster: what every probe would read.
        parts: faults as a list of points.
        lits: lit sets that may be asked for.
        evidence: readings so far.
        efforts: the person's seconds to every probe.
        short: the candidates that promise most, with what they would read under each fault.
        bits: information of each, shape (candidates,). [bit]
        ease: factor that it is worth by the person's seconds, shape (candidates,).
        best: place of the best one.
    """

    forecaster: Forecaster
    parts: FaultSamples
    lits: list[LitSet]
    evidence: PlanningEvidence
    efforts: TimeWeights
    short: list[tuple[ReadingRequest, FloatArray]]
    bits: FloatArray
    ease: FloatArray
    best: int

    @property
    def best_bits(self) -> float:
        """Information of the best candidate. [bit]"""
        return max(0.0, float(self.bits[self.best]))


def rank_readings(
    forecaster: Forecaster,
    found: Posterior,
    evidence: PlanningEvidence,
    permitted: Callable[[LitSet], bool] = lambda _: True,
    pairs: MaskedPairs | None = None,
) -> Ranking:
    """Rank what to light and where to put the leads.

    Args:
        forecaster: what every probe would read.
        found: probabilities so far.
        evidence: readings so far.
        permitted: returns whether fuses and supplies can carry a lit set.
        pairs: two joints at fault together that readings leave room for.
    """
    responses = forecaster.responses
    lits = _askable_lit_sets(responses, found, permitted)
    parts = _components(forecaster, found, evidence, lits, pairs)
    efforts = time_weights_after(forecaster, evidence.readings)
    short = _short_list(forecaster, parts, lits, evidence, efforts)
    bits = np.array([information_bits(off_sd, parts) for _, off_sd in short])
    ease = np.array([efforts.ease(ask) for ask, _ in short])
    best = _refine_best(forecaster, parts, short, bits, ease)
    return Ranking(forecaster, parts, lits, evidence, efforts, short, bits, ease, best)


def choose_reading(
    ranking: Ranking,
    unproven: Sequence[int] = (),
    *,
    to_repair: bool = False,
    then: Callable[[Reading], float] | None = None,
    min_bits: float = MIN_READING_BITS,
) -> NextReading:
    """Choose the next reading among ranked candidates, or none of them.

    Args:
        ranking: the candidates.
        unproven: joints that were remade and that nothing since has shown to be good, as places in
            the fault space.
        to_repair: something is sure to be bad. The iron is the next step, unless a reading tells a
            lot: what was read before a repair still counts after it.
        then: what the best reading would tell after one that came out as expected. [bit]
        min_bits: information from which a reading is worth taking, where nothing is to mend.
    """
    forecaster, parts, evidence = ranking.forecaster, ranking.parts, ranking.evidence
    expect_bits, efforts = ranking.best_bits, ranking.efforts
    if expect_bits < (MIN_BITS_BEFORE_REPAIR if to_repair else min_bits):
        if not to_repair and (again := _reading_to_repeat(parts, evidence)) is not None:
            return NextReading(again.lit, again.probe, expect_bits, settled=False)
        proof = _proof_reading(forecaster, unproven, ranking.lits, evidence.readings)
        if proof is not None:
            return NextReading(*proof, expect_bits, settled=False)
        return NextReading(None, None, expect_bits, settled=True)
    ask, off_sd = ranking.short[ranking.best]
    if then is not None and not to_repair and len(evidence.readings) < MAX_READINGS_BEFORE_SPAN:
        plain = _BestAlone(ask, off_sd, expect_bits)
        ask = _choose_span(forecaster, parts, plain, ranking.lits[0], evidence, efforts, then)
    lit, probe = efforts.with_faster_leads(ask)
    others = _runners_up(ranking, ask)
    return NextReading(
        lit,
        probe,
        expect_bits,
        settled=False,
        runners_up=tuple(efforts.with_faster_leads(other) for other in others),
    )


def _runners_up(ranking: Ranking, best: ReadingRequest) -> list[ReadingRequest]:
    """Return the candidates that are worth most next to the best one, in their order.

    What shows the same as the best one adds little once that is read: of a candidate the share
    counts that does not follow from the best one's value (1 - ρ², ρ their correlation over faults).
    """
    short, weight = ranking.short, ranking.parts.weight
    worth = ranking.bits * ranking.ease
    shown = np.array([off_sd - float(off_sd @ weight) for _, off_sd in short])
    power = (shown**2) @ weight
    mine = [place for place, (ask, _) in enumerate(short) if ask == best]
    if mine:
        shared = (shown * weight) @ shown[mine[0]]
        worth = worth * (1.0 - shared**2 / np.maximum(power * power[mine[0]], TINY))
    order = np.argsort(-np.round(worth, 9), kind="stable").tolist()
    asks = [short[place][0] for place in order if ranking.bits[place] >= MIN_READING_BITS]
    return [ask for ask in asks if ask != best][:MAX_RUNNERS_UP]


def best_score(
    forecaster: Forecaster,
    found: Posterior,
    evidence: PlanningEvidence,
    permitted: Callable[[LitSet], bool] = lambda _: True,
) -> float:
    """Return the information of the best reading, as `TimeWeights.ease` values it. [bit]"""
    lits = _askable_lit_sets(forecaster.responses, found, permitted)
    parts = _components(forecaster, found, evidence, lits)
    efforts = time_weights_after(forecaster, evidence.readings)
    short = _short_list(forecaster, parts, lits, evidence, efforts)
    worth = [information_bits(off_sd, parts) * efforts.ease(ask) for ask, off_sd in short]
    return max(worth, default=0.0)


@dataclass(frozen=True)
class _BestAlone:
    """The best reading by itself: what to ask, what it would show in its sd, and its bits."""

    ask: ReadingRequest
    off_sd: FloatArray
    bits: float


def _choose_span(
    forecaster: Forecaster,
    parts: FaultSamples,
    plain: _BestAlone,
    lit: LitSet,
    evidence: PlanningEvidence,
    efforts: TimeWeights,
    then: Callable[[Reading], float],
) -> ReadingRequest:
    """Return the best reading by itself, or the first one along a rail, by what the next one adds.

    The first reading along a rail says little, for wire and node current are not known well. With
    it, one under another lit set shows every joint of that rail at once.
    """
    regression = forecaster.regression(parts, evidence)
    spans = forecaster.unread_rail_spans(reading.probe for reading in evidence.readings)
    sound = (parts.joint == -1) & (parts.chain < 0)
    likeliest = int(np.where(sound, parts.weight, 0.0).argmax())
    if not len(spans) or parts.weight[likeliest] < 0.5:
        return plain.ask
    expected = forecaster.forecast(lit, parts, regression)
    off_sd = expected.under(np.arange(len(parts.weight)), spans).T
    bits = np.array([information_bits(row, parts) for row in off_sd])
    first = int(np.argmax(np.round(bits * efforts.seconds[spans] ** -TIME_EXPONENT, 9)))
    ask = (lit, forecaster.probes[int(spans[first])])
    # both before either is asked of: `then` forecasts anew, of other evidence
    supposed, supposed_span = (
        Reading(*each, float(off[likeliest]) * forecaster.sd_v(*each))
        for each, off in ((plain.ask, plain.off_sd), (ask, off_sd[first]))
    )
    alone = plain.bits * efforts.ease(plain.ask) + then(supposed)
    worth = bits[first] * efforts.ease(ask) + then(supposed_span)
    return ask if worth > MIN_SPAN_GAIN * alone else plain.ask


def _components(
    forecaster: Forecaster,
    found: Posterior,
    evidence: PlanningEvidence,
    lits: Sequence[LitSet],
    pairs: MaskedPairs | None = None,
) -> FaultSamples:
    """Return the faults that readings are to tell apart, as points."""
    space = forecaster.responses.space
    parts = sample_faults(found, space, pairs, _soft_share(evidence))
    cut = forecaster.isolates_copper(parts, lits[0])
    dark = [
        forecaster.data_fault_behind(int(joint)) if off else -1
        for joint, off in zip(parts.joint, cut, strict=True)
    ]
    return expand_islands(parts, cut, np.array(dark, dtype=np.intp))


def _soft_share(evidence: PlanningEvidence) -> float:
    """Return the share of shorts that leave some volts, by the readings; 0 without any."""
    return 0.0 if evidence.likelihood is None else evidence.likelihood.resistive_short_share


def _short_list(
    forecaster: Forecaster,
    parts: FaultSamples,
    lits: list[LitSet],
    evidence: PlanningEvidence,
    efforts: TimeWeights,
) -> list[tuple[ReadingRequest, FloatArray]]:
    """The candidates that promise most, roughly, with what they would read under each component.

    LitSet set by lit set: a large prop has more candidates than fit into memory at once.
    """
    regression, judge = forecaster.regression(parts, evidence), CandidateScreen(parts)
    last = _useless_repeats(parts, evidence.readings)
    most = SHORTLIST_SIZE if len(parts.weight) < MANY_SAMPLES else SHORTLIST_SIZE_MANY_FAULTS
    found: list[tuple[float, ReadingRequest, FloatArray]] = []
    for lit in lits:
        enough = _exhausted_probes(evidence.readings, lit)
        enough += [probe for asked, probe in last if asked == lit]
        expected = forecaster.forecast(lit, parts, regression, enough)
        worth = np.round(judge.worth(expected) * efforts.weights_for(lit), 9)
        order = np.argsort(-worth, kind="stable")[:most]
        off_sd = expected.under(np.arange(len(parts.weight)), order).T
        found += [
            (float(worth[row]), (lit, forecaster.probes[row]), each.copy())
            for row, each in zip(order.tolist(), off_sd, strict=True)
        ]
        # stable: ties stay in the order of lit sets and probes
        found = sorted(found, key=lambda row: -row[0])[:most]
    return [(ask, off_sd) for _, ask, off_sd in found]


def _reading_to_repeat(parts: FaultSamples, evidence: PlanningEvidence) -> Reading | None:
    """A reading that only a slip of the pen explains, and that was taken only once.

    Whatever the rest says, nothing is settled while such a reading stands.
    """
    likelihood = evidence.likelihood
    if likelihood is None:
        return None
    best = int(np.where(parts.other < 0, parts.weight, 0.0).argmax())
    joint, column = int(parts.joint[best]), int(parts.column[best])
    if joint in (SHORT, SOFT_SHORT):
        return None
    if joint < 0 <= int(parts.chain[best]):
        mean, covariance = likelihood.under_chain(int(parts.chain[best]))
    else:
        mean, covariance = likelihood.under(joint, column)
    place = int(slips(likelihood.values - mean, covariance, MIN_REPEAT_SD))
    if place < 0 or place in likelihood.floating.get((joint, column), ()):
        return None
    reading = evidence.readings[place]
    taken = [(other.lit, other.probe) for other in evidence.readings]
    return reading if taken.count((reading.lit, reading.probe)) == 1 else None


def _proof_reading(
    forecaster: Forecaster, unproven: Sequence[int], lits: list[LitSet], readings: Sequence[Reading]
) -> ReadingRequest | None:
    """The reading that would best show a remade joint to be bad still; None where none would.

    Whoever has mended a joint wants to see that it is mended, however likely that is.
    """
    taken = {(reading.lit, reading.probe) for reading in readings}
    best: tuple[float, ReadingRequest] | None = None
    for joint in unproven:
        for lit in lits:
            look = forecaster.probe_forecast(lit)
            moved_v = look.per_amp[joint] * look.compensating_a[joint, PROOF_COLUMN]
            off_sd = np.abs(moved_v) / np.sqrt(look.variance)
            place = int(np.argmax(np.round(off_sd, 9)))
            ask = (lit, forecaster.probes[place])
            # of equals the first; and one that was taken and told nothing is not asked for again
            if off_sd[place] > max(MIN_PROOF_SD, best[0] if best else 0.0) and ask not in taken:
                best = (float(off_sd[place]), ask)
    return best[1] if best else None


def _refine_best(
    forecaster: Forecaster,
    parts: FaultSamples,
    short: list[tuple[ReadingRequest, FloatArray]],
    bits: FloatArray,
    ease: FloatArray,
) -> int:
    """The best of the short list, once what its best promise has been worked out exactly.

    A fault that starves nodes was only estimated so far. `bits` of those looked at is put right.

    Returns:
        Place in `short`.
    """
    looked_at: set[int] = set()
    for _ in range(MAX_EXACT_CANDIDATES):
        # rounded, so that two candidates alike by symmetry fall to the first of them everywhere
        best = int(np.argmax(np.round(bits * ease, 9)))
        if best in looked_at:
            break
        looked_at.add(best)
        ask, off_sd = short[best]
        exact = forecaster.with_exact_solutions(off_sd, *ask, parts)
        bits[best] = min(bits[best], information_bits(exact, parts))
    else:
        best = max(
            looked_at, key=lambda place: (round(float(bits[place] * ease[place]), 9), -place)
        )
    return best


def _askable_lit_sets(
    responses: DesignResponse, found: Posterior, permitted: Callable[[LitSet], bool]
) -> list[LitSet]:
    """LitSet sets that may be asked for."""
    lits = lit_sets(responses.design, _strand_weight(responses, found))
    return permitted_sets(lits, permitted)


def _strand_weight(responses: DesignResponse, found: Posterior) -> FloatArray:
    weight = np.zeros(len(responses.design.strands))
    for joint, part in zip(responses.space.joints, found.joints.sum(axis=1), strict=True):
        for strand in joint.strands:
            weight[strand - 1] += part
    return weight


def _exhausted_probes(readings: Sequence[Reading], lit: LitSet) -> list[Probe]:
    """Probes read so often under a lit set that they tell nothing more, whatever the sums say."""
    taken = Counter(reading.probe for reading in readings if reading.lit == lit)
    return [probe for probe, times in taken.items() if times >= MAX_SAME_READINGS]


def _useless_repeats(parts: FaultSamples, readings: Sequence[Reading]) -> list[ReadingRequest]:
    """Return the last reading's lit set and probe where a repeat of it is of no use.

    Two equal readings in a row show that it is no slip, and with a suspect known by name none needs
    to be shown. A reading that fits nothing is asked for elsewhere.
    """
    if not readings:
        return []
    last = readings[-1]
    asks = [(last.lit, last.probe), (last.lit, last.probe.reversed)]
    is_named = bool((parts.named[parts.name != -1] >= MIN_NAMED_PROBABILITY).any())
    before = readings[-2] if len(readings) > 1 else None
    is_equal = before is not None and before.value == last.value
    is_repeated = is_equal and before is not None and (before.lit, before.probe) in asks
    return asks if is_named or is_repeated else []


@dataclass(frozen=True)
class TimeWeights:
    """The person's seconds to every probe from where the leads are now.

    Attributes:
        forecaster: the probes.
        lit: lit set of the last reading, None before the first.
        seconds: of each probe, without another lit set, shape (probes,). [s]
        is_reversed: whether exchanged leads are less work there, shape (probes,).
        is_either_way: whether they are as much work, shape (probes,).
    """

    forecaster: Forecaster
    lit: LitSet | None
    seconds: FloatArray
    is_reversed: NDArray[np.bool_]
    is_either_way: NDArray[np.bool_]

    def weights_for(self, lit: LitSet) -> FloatArray:
        """Return the factor that a reading's information is worth at each probe, (probes,)."""
        more_s = 0.0 if lit == self.lit else USUAL_TIMES.light_change_s
        return np.asarray((TYPICAL_READING_S / (self.seconds + more_s)) ** TIME_EXPONENT)

    def ease(self, ask: ReadingRequest) -> float:
        """Return the same of one reading."""
        lit, probe = ask
        return float(self.weights_for(lit)[self.forecaster.place_of[probe]])

    def with_faster_leads(self, ask: ReadingRequest) -> ReadingRequest:
        """Return the reading with the leads the way round that is less work."""
        lit, probe = ask
        place = self.forecaster.place_of[probe]
        turned = self.is_reversed[place]
        if self.is_either_way[place]:  # no minus to type, then
            turned = bool(self.forecaster.probe_forecast(lit).value[place] < 0.0)
        return lit, probe.reversed if turned else probe


def time_weights_after(forecaster: Forecaster, readings: Sequence[Reading]) -> TimeWeights:
    """Return the seconds to every probe after these readings.

    A drop across a joint keeps its leads as the contract writes it: from the pad to the wire.
    """
    design = forecaster.responses.design
    leads = leads_after(design, [(one.lit, one.probe) for one in readings[-1:]])
    usual = forecaster.efforts.seconds(leads)
    exchanged = forecaster.efforts.seconds(leads, exchanged=True)
    turned = np.where(forecaster.may_turn, exchanged, np.inf)
    least = np.minimum(usual, turned)
    return TimeWeights(forecaster, leads.lit, least, turned < usual, turned == usual)
