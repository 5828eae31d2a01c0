"""Choice of the next reading: the most information about the fault for the person's time.

A short list of candidates is selected by a fast score (`CandidateScreen`), and its members are
ranked by their mutual information with the fault, weighted by the time they take. The posterior is
represented by samples, and a reading is Gaussian around its value under each.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass
from typing import Protocol

import numpy as np
from numpy.typing import NDArray

from benchtest.circuit.netlist import FloatArray, IndexArray
from benchtest.diagnosis.finding import NextReading
from benchtest.diagnosis.inference.masked_pairs import MaskedPairs
from benchtest.diagnosis.inference.posterior import Posterior
from benchtest.diagnosis.likelihood.robust_gaussian import slips
from benchtest.diagnosis.model.fault_response import GRID_OHM, DesignResponse
from benchtest.diagnosis.planning.candidates import ReadingRequest, lit_sets, permitted_sets
from benchtest.diagnosis.planning.cost import LAST_READINGS, USUAL_TIMES, leads_after
from benchtest.diagnosis.planning.fault_samples import (
    SHORT,
    SOFT_SHORT,
    FaultSamples,
    expand_islands,
    sample_faults,
)
from benchtest.diagnosis.planning.forecast import Forecaster
from benchtest.diagnosis.planning.regression import PlanningEvidence
from benchtest.diagnosis.thresholds import (
    MAX_PROVEN_OHM,
    MAX_READINGS_BEFORE_SPAN,
    MAX_SAME_READINGS,
    MIN_BITS_BEFORE_REPAIR,
    MIN_NAMED_PROBABILITY,
    MIN_PROOF_SD,
    MIN_READING_BITS,
    MIN_REPEAT_SD,
    MIN_SPAN_GAIN,
)
from benchtest.evidence.readings import Reading
from benchtest.prop.design import Probe
from benchtest.prop.lit_set import LitSet

BLOCK_ROWS = 64
"""Samples whose distances to all others are computed in one block."""


class SamplePredictions(Protocol):
    """Readings of all probes under each fault sample, in standard deviations of the probe."""

    def blocks(self) -> Iterator[tuple[slice, FloatArray]]:
        """Yield ranges of samples with all probes under them, shape (range, probes)."""
        ...

    def under(self, some: NDArray[np.intp], probes: IndexArray | slice = ...) -> FloatArray:
        """Return the given probes under the given samples, shape (some, probes)."""
        ...


class CandidateScreen:
    """Fast score of candidate readings: separation of the two likeliest faults from all others.

    The score of a probe is the sum over both faults and all samples of other faults of
    `w_fault * w_sample * d² / 4`, with d the distance in standard deviations and `d² / 4` limited
    to `-ln w_sample`: more distance cannot remove more weight. It only orders candidates.
    """

    def __init__(self, samples: FaultSamples) -> None:
        weights: dict[int, float] = {}
        for fault, weight in zip(samples.fault_id.tolist(), samples.weight.tolist(), strict=True):
            weights[fault] = weights.get(fault, 0.0) + weight
        likeliest = sorted(weights, key=lambda fault: (-weights[fault], fault))[:2]
        self._rows: list[tuple[int, FloatArray, FloatArray]] = []
        for fault in likeliest:
            own = np.flatnonzero(samples.fault_id == fault)
            center = int(own[np.argmax(samples.weight[own])])
            others = np.where(samples.fault_id == fault, 0.0, samples.weight)
            share = others * weights[fault] / 4.0
            self._rows.append((center, share, -4.0 * np.log(samples.weight)))

    def scores(self, predictions: SamplePredictions) -> FloatArray:
        """Return the score of each probe, shape (probes,).

        Scores are rounded, so that equal probes stay in their order.
        """
        centers = predictions.under(np.array([center for center, _, _ in self._rows]))
        total = np.zeros(centers.shape[1])
        for some, off_sd in predictions.blocks():
            for (_, share, limit), center in zip(self._rows, centers, strict=True):
                distance = off_sd - center
                distance *= distance
                np.minimum(distance, limit[some, None], out=distance)
                total += share[some] @ distance
        return np.round(total, 9)


def information_bits(off_sd: FloatArray, samples: FaultSamples) -> float:
    """Return the information of one candidate about the fault, at any resistance. [bit]

    Args:
        off_sd: predicted reading under each sample, in standard deviations, shape (samples,).
        samples: the fault samples.

    Source: entropy of a Gaussian mixture by pairwise distances, Kolchinsky and Tracey, Entropy
    19(7), 2017; the distance is half way between its bounds (`d²/4` between `d²/8` and `d²/2`).
    """
    one, other = samples.same_fault_pairs
    near = np.exp(-((off_sd[one] - off_sd[other]) ** 2) / 4.0)
    own = np.bincount(one, near * samples.weight[other], len(off_sd)) / samples.fault_weight
    return float(samples.weight @ np.log2(own / _density(off_sd, samples.weight)))


def _density(off_sd: FloatArray, weight: FloatArray) -> FloatArray:
    """Return the sum of `weight * exp(-d²/4)` over all samples, at each, shape (samples,).

    Distances are symmetric, so that only half of them are computed.
    """
    total = np.zeros(len(off_sd))
    for start in range(0, len(off_sd), BLOCK_ROWS):
        stop = min(start + BLOCK_ROWS, len(off_sd))
        near = off_sd[start:stop, None] - off_sd[start:]
        near *= near
        near *= -0.25
        np.exp(near, out=near)
        total[start:stop] += near @ weight[start:]
        total[stop:] += weight[start:stop] @ near[:, stop - start :]
    return total


SHORTLIST_SIZE, SHORTLIST_SIZE_MANY_FAULTS = 96, 32
"""Candidates whose information is computed in full; fewer from `MANY_SAMPLES`."""
MANY_SAMPLES = 800
"""Samples from which the short list is shorter: the work grows with their square."""
MAX_EXACT_CANDIDATES = 12
"""Maximum number of candidates that are forecast exactly before one is chosen."""
PROOF_COLUMN = int(np.searchsorted(GRID_OHM, MAX_PROVEN_OHM))
"""Resistance, as an index of the grid, of the bad joint that a proof of a repair must exclude."""
MIN_SIGNAL = 1e-300
"""Least signal power of a candidate, which prevents division by zero."""
MAX_RUNNERS_UP = 6
"""Candidates that a plan keeps in addition to the best one."""
TYPICAL_READING_S = 10.0
"""Time of a typical reading, both leads moved. [s] See `cost`."""
TIME_EXPONENT = 0.5
"""Exponent of a reading's time in the divisor of its information. With 1, a plan keeps the leads in
place long after other places are more informative; with 0, it moves both leads every time. Ours."""


@dataclass(frozen=True)
class Ranking:
    """Candidates for the next reading, in the same evidence.

    Attributes:
        forecaster: of every probe.
        samples: fault samples.
        lits: permitted lit sets.
        evidence: readings so far.
        time_weights: of every probe.
        short: the candidates of the short list, each with its forecast under every sample, in
            standard deviations, shape (samples,).
        bits: information of each, shape (candidates,). [bit]
        weights: time weight of each, shape (candidates,).
        best: index of the best candidate.
    """

    forecaster: Forecaster
    samples: FaultSamples
    lits: list[LitSet]
    evidence: PlanningEvidence
    time_weights: TimeWeights
    short: list[tuple[ReadingRequest, FloatArray]]
    bits: FloatArray
    weights: FloatArray
    best: int

    @property
    def best_bits(self) -> float:
        """Information of the best candidate. [bit]"""
        return max(0.0, float(self.bits[self.best]))


def rank_readings(
    forecaster: Forecaster,
    posterior: Posterior,
    evidence: PlanningEvidence,
    permitted: Callable[[LitSet], bool] = lambda _: True,
    pairs: MaskedPairs | None = None,
) -> Ranking:
    """Return the candidates for the next reading with their information.

    Args:
        forecaster: of every probe.
        posterior: of single faults.
        evidence: readings so far.
        permitted: returns whether fuses and supplies can carry a lit set.
        pairs: two joints at fault together that the readings do not exclude.
    """
    lits = _candidate_lit_sets(forecaster.responses, posterior, permitted)
    samples = _sample(forecaster, posterior, evidence, lits, pairs)
    time_weights = time_weights_after(forecaster, evidence.readings)
    short = _short_list(forecaster, samples, lits, evidence, time_weights)
    bits = np.array([information_bits(off_sd, samples) for _, off_sd in short])
    weights = np.array([time_weights.of(request) for request, _ in short])
    best = _refine_best(forecaster, samples, short, bits, weights)
    return Ranking(forecaster, samples, lits, evidence, time_weights, short, bits, weights, best)


def choose_reading(
    ranking: Ranking,
    unproven: Sequence[int] = (),
    *,
    to_repair: bool = False,
    gain_after: Callable[[Reading], float] | None = None,
    min_bits: float = MIN_READING_BITS,
) -> NextReading:
    """Return the next reading among ranked candidates, or that no reading is worth its time.

    Args:
        ranking: the candidates.
        unproven: repaired joints that no reading since has shown to be good, as indices in the
            fault space.
        to_repair: True if a fault is certain. The repair is the next step then, unless a reading
            is very informative: readings from before a repair remain evidence after it.
        gain_after: returns the score of the best reading after a supposed one. [bit]
        min_bits: least information of a reading if nothing is to be repaired. [bit]
    """
    forecaster, samples, evidence = ranking.forecaster, ranking.samples, ranking.evidence
    expect_bits, time_weights = ranking.best_bits, ranking.time_weights
    if expect_bits < (MIN_BITS_BEFORE_REPAIR if to_repair else min_bits):
        again = None if to_repair else _reading_to_repeat(samples, evidence)
        if again is not None:
            return required_reading(ranking, (again.lit, again.probe))
        proof = _proof_reading(forecaster, unproven, ranking.lits, evidence.readings)
        if proof is not None:
            return required_reading(ranking, proof)
        return NextReading(None, None, expect_bits, settled=True)
    request, off_sd = ranking.short[ranking.best]
    has_few = len(evidence.readings) < MAX_READINGS_BEFORE_SPAN
    if gain_after is not None and not to_repair and has_few:
        single = _SingleReading(request, off_sd, expect_bits)
        request = _single_or_span(ranking, single, gain_after)
    lit, probe = time_weights.with_faster_leads(request)
    others = _others(ranking, request)
    worthwhile = [other for other, bits in others if bits >= MIN_READING_BITS]
    rest = [other for other, bits in others if bits < MIN_READING_BITS]
    return NextReading(
        lit,
        probe,
        expect_bits,
        settled=False,
        runners_up=_with_faster_leads(time_weights, worthwhile),
        meanwhile=_with_faster_leads(time_weights, rest),
    )


def required_reading(ranking: Ranking, request: ReadingRequest) -> NextReading:
    """Return a reading that is taken regardless of its information.

    It decides about the place of its leads, so that no reading meanwhile has a lead there.
    """
    decided = request[1].points
    free = [other for other, _ in _others(ranking, request) if not other[1].points & decided]
    meanwhile = _with_faster_leads(ranking.time_weights, free)
    return NextReading(*request, ranking.best_bits, settled=False, meanwhile=meanwhile)


def _with_faster_leads(
    time_weights: TimeWeights, requests: Sequence[ReadingRequest]
) -> tuple[ReadingRequest, ...]:
    """Return the first readings of a list, with the leads in the faster direction."""
    return tuple(time_weights.with_faster_leads(one) for one in requests[:MAX_RUNNERS_UP])


def _others(ranking: Ranking, best: ReadingRequest) -> list[tuple[ReadingRequest, float]]:
    """Return the other candidates with their information, the most once the best is read first.

    The score of a candidate is multiplied by the share of its variance over the fault samples that
    the best one does not explain (1 - ρ², ρ their correlation).
    """
    short, weight = ranking.short, ranking.samples.weight
    score = ranking.bits * ranking.weights
    centered = np.array([off_sd - float(off_sd @ weight) for _, off_sd in short])
    power = (centered**2) @ weight
    best_row = [place for place, (request, _) in enumerate(short) if request == best]
    if best_row:
        shared = (centered * weight) @ centered[best_row[0]]
        score = score * (1.0 - shared**2 / np.maximum(power * power[best_row[0]], MIN_SIGNAL))
    order = np.argsort(-np.round(score, 9), kind="stable").tolist()
    ranked = [(short[place][0], float(ranking.bits[place])) for place in order]
    return [(request, bits) for request, bits in ranked if request != best]


def request_bits(
    forecaster: Forecaster,
    posterior: Posterior,
    evidence: PlanningEvidence,
    request: ReadingRequest,
    pairs: MaskedPairs | None = None,
) -> float:
    """Return the information of one reading about the fault. [bit]

    Args:
        forecaster: of every probe.
        posterior: of single faults.
        evidence: readings so far.
        request: the reading.
        pairs: two joints at fault together that the readings do not exclude.
    """
    lit, probe = request
    samples = _sample(forecaster, posterior, evidence, [lit], pairs)
    predictions = forecaster.forecast(lit, samples, forecaster.regression(samples, evidence))
    place = np.array([forecaster.place_of[probe]])
    off_sd = predictions.under(np.arange(len(samples.weight)), place)[:, 0]
    return max(0.0, information_bits(off_sd, samples))


def best_score(
    forecaster: Forecaster,
    posterior: Posterior,
    evidence: PlanningEvidence,
    permitted: Callable[[LitSet], bool] = lambda _: True,
) -> float:
    """Return the information of the best reading, times its time weight. [bit]

    Args:
        forecaster: of every probe.
        posterior: of single faults.
        evidence: readings so far.
        permitted: returns whether fuses and supplies can carry a lit set.
    """
    lits = _candidate_lit_sets(forecaster.responses, posterior, permitted)
    samples = _sample(forecaster, posterior, evidence, lits)
    time_weights = time_weights_after(forecaster, evidence.readings)
    short = _short_list(forecaster, samples, lits, evidence, time_weights)
    scores = [
        information_bits(off_sd, samples) * time_weights.of(request) for request, off_sd in short
    ]
    return max(scores, default=0.0)


@dataclass(frozen=True)
class _SingleReading:
    """The reading of the most information by itself, with its forecast in standard deviations."""

    request: ReadingRequest
    off_sd: FloatArray
    bits: float


def _single_or_span(
    ranking: Ranking, single: _SingleReading, gain_after: Callable[[Reading], float]
) -> ReadingRequest:
    """Return the best single reading or the best first one along a rail, by two readings' score.

    The first reading along a rail has little information, for wire and node current are not known
    well. After it, one under another lit set shows every joint of that rail at once.
    """
    forecaster, samples, evidence = ranking.forecaster, ranking.samples, ranking.evidence
    time_weights, lit = ranking.time_weights, ranking.lits[0]
    regression = forecaster.regression(samples, evidence)
    spans = forecaster.unread_rail_spans(reading.probe for reading in evidence.readings)
    healthy = (samples.joint == -1) & (samples.chain < 0)
    likeliest = int(np.where(healthy, samples.weight, 0.0).argmax())
    if not len(spans) or samples.weight[likeliest] < 0.5:
        return single.request
    predictions = forecaster.forecast(lit, samples, regression)
    off_sd = predictions.under(np.arange(len(samples.weight)), spans).T
    bits = np.array([information_bits(row, samples) for row in off_sd])
    first = int(np.argmax(np.round(bits * time_weights.seconds[spans] ** -TIME_EXPONENT, 9)))
    request = (lit, forecaster.probes[int(spans[first])])
    # compute both readings before either gain: `gain_after` changes the forecaster's evidence
    supposed, supposed_span = (
        Reading(*each, float(off[likeliest]) * forecaster.sd_v(*each))
        for each, off in ((single.request, single.off_sd), (request, off_sd[first]))
    )
    single_score = single.bits * time_weights.of(single.request) + gain_after(supposed)
    span_score = bits[first] * time_weights.of(request) + gain_after(supposed_span)
    return request if span_score > MIN_SPAN_GAIN * single_score else single.request


def _sample(
    forecaster: Forecaster,
    posterior: Posterior,
    evidence: PlanningEvidence,
    lits: Sequence[LitSet],
    pairs: MaskedPairs | None = None,
) -> FaultSamples:
    """Return samples of the faults that readings are to distinguish."""
    space = forecaster.responses.space
    likelihood = evidence.likelihood
    samples = (
        sample_faults(posterior, space, pairs)
        if likelihood is None
        else sample_faults(posterior, space, pairs, likelihood.resistive_short_shares)
    )
    cut = forecaster.isolates_copper(samples, lits[0])
    dark = [
        forecaster.data_fault_behind(int(joint)) if is_cut else -1
        for joint, is_cut in zip(samples.joint, cut, strict=True)
    ]
    return expand_islands(samples, cut, np.array(dark, dtype=np.intp))


def _short_list(
    forecaster: Forecaster,
    samples: FaultSamples,
    lits: list[LitSet],
    evidence: PlanningEvidence,
    time_weights: TimeWeights,
) -> list[tuple[ReadingRequest, FloatArray]]:
    """Return the candidates of the highest score, each with its forecast under every sample.

    One lit set is forecast at a time: all candidates of a large prop exceed the memory.
    """
    regression, screen = forecaster.regression(samples, evidence), CandidateScreen(samples)
    useless = _useless_repeats(samples, evidence.readings)
    size = SHORTLIST_SIZE if len(samples.weight) < MANY_SAMPLES else SHORTLIST_SIZE_MANY_FAULTS
    found: list[tuple[float, ReadingRequest, FloatArray]] = []
    for lit in lits:
        excluded = _exhausted_probes(evidence.readings, lit)
        excluded += [probe for useless_lit, probe in useless if useless_lit == lit]
        predictions = forecaster.forecast(lit, samples, regression, excluded)
        scores = np.round(screen.scores(predictions) * time_weights.of_all(lit), 9)
        order = np.argsort(-scores, kind="stable")[:size]
        off_sd = predictions.under(np.arange(len(samples.weight)), order).T
        found += [
            (float(scores[row]), (lit, forecaster.probes[row]), each.copy())
            for row, each in zip(order.tolist(), off_sd, strict=True)
        ]
        # stable: ties stay in the order of lit sets and probes
        found = sorted(found, key=lambda row: -row[0])[:size]
    return [(request, off_sd) for _, request, off_sd in found]


def _reading_to_repeat(samples: FaultSamples, evidence: PlanningEvidence) -> Reading | None:
    """Return a reading taken once that only a slip explains, or None.

    No finding is settled while such a reading stands alone.
    """
    likelihood = evidence.likelihood
    if likelihood is None:
        return None
    best = int(np.where(samples.other < 0, samples.weight, 0.0).argmax())
    joint, column = int(samples.joint[best]), int(samples.column[best])
    if joint in (SHORT, SOFT_SHORT):
        return None
    if joint < 0 <= int(samples.chain[best]):
        mean, covariance = likelihood.under_chain(int(samples.chain[best]))
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
    """Return the reading that best distinguishes a good repaired joint from a bad one, or None.

    A person expects to see the repair confirmed, however likely its success.
    """
    taken = {(reading.lit, reading.probe) for reading in readings}
    best: tuple[float, ReadingRequest] | None = None
    for joint in unproven:
        for lit in lits:
            forecast = forecaster.probe_forecast(lit)
            moved_v = forecast.per_amp[joint] * forecast.compensating_a[joint, PROOF_COLUMN]
            off_sd = np.abs(moved_v) / np.sqrt(forecast.variance)
            place = int(np.argmax(np.round(off_sd, 9)))
            request = (lit, forecaster.probes[place])
            # the first of equals; a reading that was taken already would add nothing
            if off_sd[place] > max(MIN_PROOF_SD, best[0] if best else 0.0) and request not in taken:
                best = (float(off_sd[place]), request)
    return best[1] if best else None


def _refine_best(
    forecaster: Forecaster,
    samples: FaultSamples,
    short: list[tuple[ReadingRequest, FloatArray]],
    bits: FloatArray,
    weights: FloatArray,
) -> int:
    """Return the index of the best candidate after exact forecasts of the leading ones.

    Faults that make nodes nonlinear were only estimated before. The information of a refined
    candidate is reduced in `bits`, in place, until a refined one leads.
    """
    refined: set[int] = set()
    for _ in range(MAX_EXACT_CANDIDATES):
        # rounded, so that of candidates equal by symmetry the first is chosen on every machine
        best = int(np.argmax(np.round(bits * weights, 9)))
        if best in refined:
            break
        refined.add(best)
        request, off_sd = short[best]
        exact = forecaster.with_exact_solutions(off_sd, *request, samples)
        bits[best] = min(bits[best], information_bits(exact, samples))
    else:
        best = max(
            refined, key=lambda place: (round(float(bits[place] * weights[place]), 9), -place)
        )
    return best


def _candidate_lit_sets(
    responses: DesignResponse, posterior: Posterior, permitted: Callable[[LitSet], bool]
) -> list[LitSet]:
    lits = lit_sets(responses.design, _strand_weight(responses, posterior))
    return permitted_sets(lits, permitted)


def _strand_weight(responses: DesignResponse, posterior: Posterior) -> FloatArray:
    """Return the probability of joint faults at each strand, shape (strands,)."""
    weight = np.zeros(len(responses.design.strands))
    for joint, part in zip(responses.space.joints, posterior.joints.sum(axis=1), strict=True):
        for strand in joint.strands:
            weight[strand - 1] += part
    return weight


def _exhausted_probes(readings: Sequence[Reading], lit: LitSet) -> list[Probe]:
    """Return the probes read `MAX_SAME_READINGS` times under a lit set."""
    taken = Counter(reading.probe for reading in readings if reading.lit == lit)
    return [probe for probe, times in taken.items() if times >= MAX_SAME_READINGS]


def _useless_repeats(samples: FaultSamples, readings: Sequence[Reading]) -> list[ReadingRequest]:
    """Return the last reading's request, in both directions of the leads, if a repeat is useless.

    Two equal readings in a row are no slip, and if a suspect is likely enough a slip does not
    matter. A reading that fits nothing is requested elsewhere.
    """
    if not readings:
        return []
    last = readings[-1]
    requests = [(last.lit, last.probe), (last.lit, last.probe.reversed)]
    suspects = samples.fault_weight[samples.fault_id != -1]
    is_named = bool((suspects >= MIN_NAMED_PROBABILITY).any())
    before = readings[-2] if len(readings) > 1 else None
    is_equal = before is not None and before.value == last.value
    is_repeated = is_equal and before is not None and (before.lit, before.probe) in requests
    return requests if is_named or is_repeated else []


@dataclass(frozen=True)
class TimeWeights:
    """Weights of readings by the time they take from where the leads are now.

    The weight is `(TYPICAL_READING_S / seconds) ** TIME_EXPONENT`.

    Attributes:
        forecaster: its probes.
        lit: lit set of the last reading, None before the first.
        seconds: time of each probe under the same lit set, shape (probes,). [s]
        is_reversed: True if exchanged leads are faster, shape (probes,).
        is_either_way: True if they are equally fast, shape (probes,).
    """

    forecaster: Forecaster
    lit: LitSet | None
    seconds: FloatArray
    is_reversed: NDArray[np.bool_]
    is_either_way: NDArray[np.bool_]

    def of_all(self, lit: LitSet) -> FloatArray:
        """Return the weight of every probe under a lit set, shape (probes,)."""
        more_s = 0.0 if lit == self.lit else USUAL_TIMES.light_change_s
        return np.asarray((TYPICAL_READING_S / (self.seconds + more_s)) ** TIME_EXPONENT)

    def of(self, request: ReadingRequest) -> float:
        """Return the weight of one reading."""
        lit, probe = request
        return float(self.of_all(lit)[self.forecaster.place_of[probe]])

    def with_faster_leads(self, request: ReadingRequest) -> ReadingRequest:
        """Return the reading with the leads in the faster direction.

        If both are equally fast, return the direction with a positive value: no minus to type.
        """
        lit, probe = request
        place = self.forecaster.place_of[probe]
        is_reversed = bool(self.is_reversed[place])
        if self.is_either_way[place]:
            is_reversed = bool(self.forecaster.probe_forecast(lit).value[place] < 0.0)
        return lit, probe.reversed if is_reversed else probe


def time_weights_after(forecaster: Forecaster, readings: Sequence[Reading]) -> TimeWeights:
    """Return the time weights of all probes after readings.

    A drop across a joint keeps the direction of the contract: red on the pad, black on the wire.
    """
    design = forecaster.responses.design
    leads = leads_after(design, [(one.lit, one.probe) for one in readings[-LAST_READINGS:]])
    usual = forecaster.probe_times.seconds(leads)
    exchanged = forecaster.probe_times.seconds(leads, exchanged=True)
    turned = np.where(forecaster.may_turn, exchanged, np.inf)
    least = np.minimum(usual, turned)
    return TimeWeights(forecaster, leads.lit, least, turned < usual, turned == usual)
