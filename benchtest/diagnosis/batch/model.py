"""What units of one batch share, and what the readings of some say of the next unit.

Parts of one order and wire of one reel are alike, and one supply may stand on the bench all day, so
node current, wire, copper and a lone supply are partly the batch's and partly the unit's own.
Readings of every unit are Gaussian around the circuit's answer with them as unknowns and all else
integrated out, as in `benchtest.diagnosis.likelihood.readings`; the batch's part follows in closed
form.

Source: Bayesian regression with random effects, as in any text on hierarchical linear models.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from itertools import product

import numpy as np
from scipy.special import gammaincc

from benchtest.circuit.netlist import FloatArray, IndexArray
from benchtest.circuit.tolerance import Tolerances, cause_names
from benchtest.diagnosis.inference.cache import ConditionalCache
from benchtest.diagnosis.likelihood.measurement import noise_of, taps_of, values_of
from benchtest.diagnosis.likelihood.readings import ReadingLikelihood
from benchtest.diagnosis.likelihood.robust_gaussian import slips
from benchtest.diagnosis.model.fault_response import DesignResponse
from benchtest.diagnosis.model.faults import fault_space
from benchtest.evidence.meter import DEFAULT_METER, Meter
from benchtest.evidence.readings import Reading
from benchtest.prop.design import Design

CAUSES = ("current", "wire", "copper")
"""What a batch has in common, as `circuit.tolerance.cause_names` calls it; behind them comes the
supply of a prop that has one. Of several, unequal volts drive currents through the joints between
them, and those are what shows such a joint: were they taken for known and then one was exchanged,
a bad joint would pass for a good one."""
SPLITS: Mapping[float, float] = {0.2: 0.2, 0.9: 0.8}
"""Share of a cause's variance that is the batch's, the rest being the unit's own; and how likely
that share is before anything is seen, for each cause by itself. Common practice, no source: units
of one order and one reel are much alike; now and then a design is built over years from whatever
is in stock. The units' own readings say which it was."""
SUPPLY_SPLITS: Mapping[float, float] = {0.0: 0.5, 0.98: 0.5}
"""The same of the supply: each prop has one of its own, or one feeds all of them. Ours."""
OTHER_SUPPLY = 0.1
"""Chance that the next unit is fed by another supply, however alike all were so far. Ours: it is
what keeps a supply that was exchanged from passing for a bad feed."""
SLIPPED_SD = 4.0
"""Standard deviations from a unit's other readings past which one is a slip of the pen."""
FOREIGN_CHANCE = 1e-3
"""A unit whose readings would be so far from what the others say less often is left out. Ours."""


@dataclass(frozen=True)
class UnitReadings:
    """Another unit of the design, as it was measured.

    Attributes:
        tag: its name.
        readings: what was read.
        meter: of readings that name none.
        mended: joints and nodes that were mended after these readings: those that the repair
            moved are left out.
        repaired: joints and nodes that were worked on before them.
        supply_v: volts that its supplies were measured at, by feed; the design's where none is.
    """

    tag: str
    readings: Sequence[Reading]
    meter: Meter = DEFAULT_METER
    mended: Sequence[str] = ()
    repaired: Sequence[str] = ()
    supply_v: Mapping[str, float] = field(default_factory=dict)


@dataclass(frozen=True)
class UnitEvidence:
    """One unit's readings as a straight line of what it may share with its batch.

    Attributes:
        off: readings less those of the design as it is, shape (readings,). [V, or A]
        per_sd: what one standard deviation of each cause does, `CAUSES` and a lone supply,
            shape (readings, causes).
        rest: covariance of everything else, shape (readings, readings).
    """

    off: FloatArray
    per_sd: FloatArray
    rest: FloatArray

    @property
    def information(self) -> tuple[FloatArray, FloatArray]:
        """Precision of the causes and that times their estimate, (causes, causes) and (causes,)."""
        weighted = np.linalg.solve(self.rest, np.column_stack([self.per_sd, self.off]))
        return self.per_sd.T @ weighted[:, :-1], self.per_sd.T @ weighted[:, -1]

    def covariance(self, of_causes: FloatArray) -> FloatArray:
        """Covariance of the readings where the causes have this one, (readings, readings)."""
        return np.asarray(self.rest + self.per_sd @ of_causes @ self.per_sd.T)

    def only(self, rows: IndexArray) -> UnitEvidence:
        """Some of the readings."""
        return UnitEvidence(self.off[rows], self.per_sd[rows], self.rest[np.ix_(rows, rows)])


@dataclass(frozen=True)
class BatchPrediction:
    """The next unit's causes, in standard deviations of the tolerances before anything was seen.

    Attributes:
        mean: shape (causes,).
        covariance: shape (causes, causes).
    """

    mean: FloatArray
    covariance: FloatArray


def unit_evidence_of(
    responses: DesignResponse, readings: Sequence[Reading], meter: Meter, tolerances: Tolerances
) -> UnitEvidence:
    """What a healthy unit's readings say of its node current, wire, copper and supply.

    Args:
        responses: the circuit that they are compared with.
        readings: one or more.
        meter: of readings that name none.
        tolerances: how far a unit may be from that circuit.
    """
    first = cause_names(responses.design).index(CAUSES[0])
    groups = taps_of(responses.circuit, readings)
    values = values_of(readings)
    likelihood = ReadingLikelihood(responses, groups, values, noise_of(readings, meter), tolerances)
    spread, mean = likelihood.healthy_spread, likelihood.healthy_mean()
    causes = [*range(first, first + len(CAUSES)), *range(lone_supply(responses.design))]
    others = np.delete(spread.shared, causes, axis=1)
    rest = others @ others.T + spread.nodes @ spread.nodes.T + likelihood.reading_errors(mean)
    return UnitEvidence(values - mean, spread.shared[:, causes], rest)


def fed_views(
    design: Design, units: Sequence[UnitReadings], tolerances: Tolerances
) -> list[ConditionalCache]:
    """Circuits of each unit, fed as it was; units that were fed alike share theirs."""
    made: dict[tuple[float, ...], ConditionalCache] = {}
    found = []
    for unit in units:
        fed = design.with_supply_volts(unit.supply_v)
        volts = tuple(feed.volts for feed in fed.feeds)
        if volts not in made:
            made[volts] = ConditionalCache(fed, fault_space(fed), tolerances)
        found.append(made[volts])
    return found


def lone_supply(design: Design) -> int:
    """1 where there is one supply, which units may share, 0 where there are several."""
    return int(len(design.feeds) == 1)


def without_slips(evidence: UnitEvidence) -> UnitEvidence:
    """Without readings that all the unit's others contradict; at least half of them stay."""
    rows = np.arange(len(evidence.off))
    for _ in range(len(rows) // 2):
        part = evidence.only(rows)
        place = int(slips(part.off, part.covariance(np.eye(part.per_sd.shape[1])), SLIPPED_SD))
        if place < 0:
            break
        rows = np.delete(rows, place)
    return evidence.only(rows)


def batch_prediction(
    information: Sequence[tuple[FloatArray, FloatArray]], settled: FloatArray | None = None
) -> BatchPrediction:
    """The next unit's causes from what each unit's readings say of its own.

    A unit's causes are the batch's part plus its own part, with variances `share` and `1 - share`;
    every combination of `SPLITS`, and of `SUPPLY_SPLITS` where there are four causes, is weighed by
    how well it explains all units together.

    Args:
        information: of each unit: precision of its causes, shape (causes, causes), and that times
            their estimate, shape (causes,), both in standard deviations of the tolerances.
        settled: of each cause's variance the part in which units of a batch can differ at all,
            shape (causes,); all of it of the first three where none is given.
    """
    count = len(CAUSES) if settled is None else len(settled)
    kinds = [SPLITS, SPLITS, SPLITS, SUPPLY_SPLITS][:count]
    own_share = 1.0 - np.array(list(product(*kinds)))
    weight = np.log(list(product(*(kind.values() for kind in kinds)))).sum(axis=1)
    if settled is not None:
        own_share *= settled
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
    part = np.exp(weight - weight.max())
    part /= part.sum()
    mean = part @ means
    apart = means - mean
    covariance = np.einsum("s,sij->ij", part, spread + own)
    covariance += np.einsum("s,si,sj->ij", part, apart, apart)
    return BatchPrediction(mean, (covariance + covariance.T) / 2.0)


def or_another_supply(found: BatchPrediction, gain_sd: float = 0.0) -> BatchPrediction:
    """The same where the next unit may be fed by another supply, by chance or by another meter.

    Args:
        found: what the units so far say of the next.
        gain_sd: gain of the meter that all of them may have been read with, in standard deviations
            of the supply.
    """
    first = len(CAUSES)
    mean, covariance = found.mean.copy(), found.covariance.copy()
    same = np.ones(len(mean))
    same[first:] -= OTHER_SUPPLY
    covariance *= np.sqrt(np.outer(same, same))
    own = np.arange(first, len(mean))
    gone = OTHER_SUPPLY * (1.0 + (1.0 - OTHER_SUPPLY) * mean[own] ** 2)
    covariance[own, own] = np.minimum(covariance[own, own] + gone + gain_sd**2, 1.0)
    mean[own] *= 1.0 - OTHER_SUPPLY
    return BatchPrediction(mean, covariance)


def in_agreement(evidence: Sequence[UnitEvidence], settled: FloatArray) -> list[int]:
    """Places of the units that are like the others; the one least like them leaves first."""
    information = [one.information for one in evidence]
    places = list(range(len(evidence)))
    while places:
        chances = []
        for place in places:
            rest = [information[other] for other in places if other != place]
            others = or_another_supply(batch_prediction(rest, settled))
            off = evidence[place].off - evidence[place].per_sd @ others.mean
            covariance = evidence[place].covariance(others.covariance)
            square = float(off @ np.linalg.solve(covariance, off))
            chances.append(float(gammaincc(len(off) / 2.0, square / 2.0)))
        worst = int(np.argmin(chances))
        if chances[worst] >= FOREIGN_CHANCE:
            break
        del places[worst]
    return places
