"""Figures shared by the units of one batch, and their prediction for the next unit.

Parts of one order and wire of one reel are alike, and one supply may feed every unit on the bench,
so node current, wire, copper and a lone supply are partly the batch's and partly the unit's own.
Readings of each unit are Gaussian around the circuit's prediction with these causes as unknowns
and all else integrated out, as in `benchtest.diagnosis.likelihood.readings`; the batch's part
follows in closed form.

Source: Bayesian regression with random effects, as in any text on hierarchical linear models.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from itertools import product

import numpy as np

from benchtest.circuit.netlist import FloatArray, IndexArray
from benchtest.circuit.tolerance import Tolerances, cause_names
from benchtest.diagnosis.inference.cache import ConditionalCache
from benchtest.diagnosis.inference.conditional import chi_square_tail
from benchtest.diagnosis.likelihood.readings import ReadingLikelihood
from benchtest.diagnosis.likelihood.robust_gaussian import slips
from benchtest.diagnosis.model.fault_response import DesignResponse
from benchtest.diagnosis.model.faults import fault_space
from benchtest.diagnosis.thresholds import (
    MIN_MEMBER_CHANCE,
    MIN_SLIP_SD,
    OTHER_SUPPLY_CHANCE,
    SHARED_VARIANCE_SPLITS,
    SUPPLY_VARIANCE_SPLITS,
)
from benchtest.evidence.meter import DEFAULT_METER, Meter
from benchtest.evidence.readings import Reading
from benchtest.prop.design import Design

CAUSES = ("current", "wire", "copper")
"""Causes that units of a batch share, by their names in `circuit.tolerance.cause_names`.

The supply of a prop with one supply is appended to them. Several supplies are not: their unequal
volts drive currents through the joints between them, which make such joints measurable. If the
supplies were treated as known and one were replaced, a bad joint would be reported good.
"""


@dataclass(frozen=True)
class UnitReadings:
    """Readings of another unit of the design.

    Attributes:
        tag: name of the unit.
        readings: its readings.
        meter: of readings that name none.
        repaired_later: joints and nodes that were repaired after these readings; readings that
            those repairs changed are left out.
        repaired: joints and nodes that were repaired before these readings.
        supply_v: measured volts of its supplies, by feed; the design's volts for others. [V]
    """

    tag: str
    readings: Sequence[Reading]
    meter: Meter = DEFAULT_METER
    repaired_later: Sequence[str] = ()
    repaired: Sequence[str] = ()
    supply_v: Mapping[str, float] = field(default_factory=dict)


@dataclass(frozen=True)
class UnitEvidence:
    """Readings of one unit as a linear function of the causes that it may share with its batch.

    Attributes:
        off: readings less those of the design, shape (readings,). [V, or A]
        per_sd: change of the readings per standard deviation of each cause, `CAUSES` and a lone
            supply, shape (readings, causes).
        rest: covariance of the readings by all other causes, shape (readings, readings).
    """

    off: FloatArray
    per_sd: FloatArray
    rest: FloatArray

    @property
    def information(self) -> tuple[FloatArray, FloatArray]:
        """Return precision P = Jᵀ R⁻¹ J of the causes, and P times their estimate Jᵀ R⁻¹ y.

        J is `per_sd`, R is `rest` and y is `off`; shapes (causes, causes) and (causes,).
        """
        weighted = np.linalg.solve(self.rest, np.column_stack([self.per_sd, self.off]))
        return self.per_sd.T @ weighted[:, :-1], self.per_sd.T @ weighted[:, -1]

    def covariance(self, of_causes: FloatArray) -> FloatArray:
        """Return the covariance of the readings, shape (readings, readings).

        Args:
            of_causes: covariance of the causes, shape (causes, causes).
        """
        return np.asarray(self.rest + self.per_sd @ of_causes @ self.per_sd.T)

    def only(self, rows: IndexArray) -> UnitEvidence:
        """Return the evidence of some readings.

        Args:
            rows: indices of the readings.
        """
        return UnitEvidence(self.off[rows], self.per_sd[rows], self.rest[np.ix_(rows, rows)])


@dataclass(frozen=True)
class BatchPrediction:
    """Causes of the next unit, in standard deviations of the tolerances of a single unit.

    Attributes:
        mean: shape (causes,).
        covariance: shape (causes, causes).
    """

    mean: FloatArray
    covariance: FloatArray


def unit_evidence_of(
    responses: DesignResponse, readings: Sequence[Reading], meter: Meter, tolerances: Tolerances
) -> UnitEvidence:
    """Return the evidence of a healthy unit's readings on the causes of its batch.

    Args:
        responses: circuit around which the readings are linear.
        readings: one or more.
        meter: of readings that name none.
        tolerances: deviations of a unit from that circuit.
    """
    first = cause_names(responses.design).index(CAUSES[0])
    likelihood = ReadingLikelihood(responses, readings, meter, tolerances)
    spread, mean = likelihood.healthy_spread, likelihood.healthy_mean()
    causes = [*range(first, first + len(CAUSES)), *range(shared_supply_count(responses.design))]
    others = np.delete(spread.shared, causes, axis=1)
    rest = others @ others.T + spread.nodes @ spread.nodes.T + likelihood.reading_errors(mean)
    return UnitEvidence(likelihood.values - mean, spread.shared[:, causes], rest)


def caches_as_fed(
    design: Design, units: Sequence[UnitReadings], tolerances: Tolerances
) -> list[ConditionalCache]:
    """Return the conditional evidence cache of each unit's design with its measured supply volts.

    Units with equal volts share one cache.

    Args:
        design: design of all units.
        units: the units.
        tolerances: deviations of a unit from the design.
    """
    caches: dict[tuple[float, ...], ConditionalCache] = {}
    found = []
    for unit in units:
        fed = design.with_supply_volts(unit.supply_v)
        volts = tuple(feed.volts for feed in fed.feeds)
        if volts not in caches:
            caches[volts] = ConditionalCache(fed, fault_space(fed), tolerances)
        found.append(caches[volts])
    return found


def shared_supply_count(design: Design) -> int:
    """Return 1 if the design has one supply, which units may share; 0 if it has several."""
    return int(len(design.feeds) == 1)


def without_slips(evidence: UnitEvidence) -> UnitEvidence:
    """Return the evidence without readings that contradict all others of the unit.

    At least half of the readings stay.
    """
    rows = np.arange(len(evidence.off))
    for _ in range(len(rows) // 2):
        part = evidence.only(rows)
        place = int(slips(part.off, part.covariance(np.eye(part.per_sd.shape[1])), MIN_SLIP_SD))
        if place < 0:
            break
        rows = np.delete(rows, place)
    return evidence.only(rows)


def batch_prediction(
    information: Sequence[tuple[FloatArray, FloatArray]], unit_variance: FloatArray | None = None
) -> BatchPrediction:
    """Return the causes of the next unit from the information of each unit on its own causes.

    A unit's causes are the batch's part plus its own part, with variances `share` and `1 - share`.
    Every combination of shares in `SHARED_VARIANCE_SPLITS`, and in `SUPPLY_VARIANCE_SPLITS` for a
    fourth cause, is weighted by its prior and by the likelihood of all units together.

    Args:
        information: of each unit, precision of its causes, shape (causes, causes), and precision
            times estimate, shape (causes,), in standard deviations of the tolerances.
        unit_variance: share of each cause's variance in which units of a batch can differ,
            shape (causes,); None for all of it and three causes.
    """
    count = len(CAUSES) if unit_variance is None else len(unit_variance)
    kinds = [
        SHARED_VARIANCE_SPLITS,
        SHARED_VARIANCE_SPLITS,
        SHARED_VARIANCE_SPLITS,
        SUPPLY_VARIANCE_SPLITS,
    ][:count]
    own_share = 1.0 - np.array(list(product(*kinds)))
    weight = np.log(list(product(*(kind.values() for kind in kinds)))).sum(axis=1)
    if unit_variance is not None:
        own_share *= unit_variance
    eye = np.eye(count)
    batch, own = (1.0 - own_share)[:, :, None] * eye, own_share[:, :, None] * eye
    total, pull = np.zeros_like(batch), np.zeros_like(own_share)
    for precision, estimate in information:
        # each unit's own part integrated out (Woodbury)
        kept = np.linalg.inv(eye + precision @ own)
        total += kept @ precision
        pull += kept @ estimate
        weight += 0.5 * (np.linalg.slogdet(kept)[1] + (own @ kept @ estimate) @ estimate)
    known = np.linalg.inv(eye + total @ batch)
    spread = batch @ known
    means = np.einsum("sij,sj->si", spread, pull)
    weight += 0.5 * (np.linalg.slogdet(known)[1] + np.einsum("si,si->s", means, pull))
    probability = np.exp(weight - weight.max())
    probability /= probability.sum()
    mean = probability @ means
    deviation = means - mean
    covariance = np.einsum("s,sij->ij", probability, spread + own)
    covariance += np.einsum("s,si,sj->ij", probability, deviation, deviation)
    return BatchPrediction(mean, (covariance + covariance.T) / 2.0)


def allow_other_supply(found: BatchPrediction, gain_sd: float = 0.0) -> BatchPrediction:
    """Return the prediction if the next unit may have another supply.

    With probability `OTHER_SUPPLY_CHANCE` the next supply is independent of the batch's.

    Args:
        found: prediction with the batch's supply.
        gain_sd: gain error of the meter that all units may have been read with, in standard
            deviations of the supply.
    """
    first = len(CAUSES)
    mean, covariance = found.mean.copy(), found.covariance.copy()
    same = np.ones(len(mean))
    same[first:] -= OTHER_SUPPLY_CHANCE
    covariance *= np.sqrt(np.outer(same, same))
    own = np.arange(first, len(mean))
    gone = OTHER_SUPPLY_CHANCE * (1.0 + (1.0 - OTHER_SUPPLY_CHANCE) * mean[own] ** 2)
    covariance[own, own] = np.minimum(covariance[own, own] + gone + gain_sd**2, 1.0)
    mean[own] *= 1.0 - OTHER_SUPPLY_CHANCE
    return BatchPrediction(mean, covariance)


def consistent_units(evidence: Sequence[UnitEvidence], unit_variance: FloatArray) -> list[int]:
    """Return indices of units that agree with the others.

    The unit with the smallest chi-square tail probability leaves first, until that of each is at
    least `MIN_MEMBER_CHANCE`.

    Args:
        evidence: of each unit.
        unit_variance: see `batch_prediction`.
    """
    information = [one.information for one in evidence]
    places = list(range(len(evidence)))
    while places:
        chances = []
        for place in places:
            rest = [information[other] for other in places if other != place]
            others = allow_other_supply(batch_prediction(rest, unit_variance))
            off = evidence[place].off - evidence[place].per_sd @ others.mean
            covariance = evidence[place].covariance(others.covariance)
            square = float(off @ np.linalg.solve(covariance, off))
            chances.append(chi_square_tail(square, len(off)))
        worst = int(np.argmin(chances))
        if chances[worst] >= MIN_MEMBER_CHANCE:
            break
        del places[worst]
    return places
