"""What units of one design teach the next: current, wire, copper, supplies, and the maker's hand.

Parts of one order and wire of one reel are alike, and one supply may stand on the bench all day, so
each of these is partly the batch's and partly the unit's own. Readings of every unit are Gaussian
around the circuit's answer with them as unknowns and all else integrated out, as in
`benchtest.diagnosis.weigh`; the batch's part follows in closed form. Readings that a fault or a
slip of the pen has moved are left out. How many joints were bad says how many are to be expected.

Source: Bayesian regression with random effects, as in any text on hierarchical linear models.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
from itertools import product

import numpy as np
from scipy.special import gammaincc

from benchtest.circuit.tolerance import FROM_MANY_REELS, Tolerances, cause_names
from benchtest.circuit.wiring import FloatArray, IndexArray
from benchtest.diagnosis.engine import CAREFUL, Engine
from benchtest.diagnosis.faults import FaultSpace, Priors, fault_space
from benchtest.diagnosis.gauss import slips
from benchtest.diagnosis.law import OTHER_BIN, tolerances_of
from benchtest.diagnosis.posterior import Posterior, log_odds, named_suspects
from benchtest.diagnosis.response import Responses
from benchtest.diagnosis.retest import still_valid
from benchtest.diagnosis.taps import noise_of, taps_of
from benchtest.diagnosis.view import Case
from benchtest.diagnosis.views import Views
from benchtest.diagnosis.weigh import Weigher
from benchtest.evidence.meter import DEFAULT_METER, Meter
from benchtest.evidence.reading import Reading
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
HEALTHY = 0.5
"""A unit less likely healthy than this teaches only by readings that its suspects do not move."""
SUSPECT = 0.1
"""Probability from which a suspect counts for that."""
SLIPPED_SD = 4.0
"""Standard deviations from a unit's other readings past which one is a slip of the pen."""
FOREIGN_CHANCE = 1e-3
"""A unit whose readings would be so far from what the others say less often is left out. Ours."""
HARD_SHAPE, USUAL_ODDS = 0.3, 5e-3
"""How unlike places are in going wrong, and how often one does in the mean. Common practice, no
source: most joints of a design never fail, and the one that did is looked at first next time."""
HAND_SHAPE = 4.0
"""How unlike makers are in how many of their joints are bad: a gamma distribution of this shape.
Common practice, no source: two hands in three are within half of the mean."""
LEAST_TIMES, MOST_TIMES = 0.5, 4.0
"""Bounds of how much likelier its joints are bad: a new reel of solder, a tired hand. Ours."""
ROUNDS, SMALL_STEP_SD = 4, 0.02
"""The circuit is solved anew at what was learned, until that moves by less, or so often."""


@dataclass(frozen=True)
class SeenUnit:
    """Another unit of the design, as it was measured.

    Attributes:
        tag: its name.
        readings: what was read.
        meter: of readings that name none.
        mended: joints and nodes that were mended after these readings: those that the repair
            moved are left out.
        repaired: joints and nodes that were worked on before them.
    """

    tag: str
    readings: Sequence[Reading]
    meter: Meter = DEFAULT_METER
    mended: Sequence[str] = ()
    repaired: Sequence[str] = ()


@dataclass(frozen=True, slots=True)
class LeftOut:
    """A unit that taught nothing, and why."""

    tag: str
    why: str


@dataclass(frozen=True)
class Learned:
    """What the next unit is expected to be like.

    Attributes:
        design: with the figures that the batch seems to have.
        tolerances: how far the next unit may be from that.
        factors: node current, resistance of wire and of board copper, over the design's own.
        supply: volts of the supply over the design's own.
        taught: tags of the units that this was learned from.
        left_out: those that taught nothing.
    """

    design: Design
    tolerances: Tolerances
    factors: tuple[float, float, float] = (1.0, 1.0, 1.0)
    supply: float = 1.0
    taught: tuple[str, ...] = ()
    left_out: tuple[LeftOut, ...] = ()
    often: Mapping[str, float] = field(default_factory=dict)
    """How much likelier than its kind each place is that was mended in some of the units."""
    priors: Priors = field(default_factory=Priors)
    """Odds of each kind of fault, with those of power joints as the units' own hand makes them."""


@dataclass(frozen=True)
class Told:
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

    def only(self, rows: IndexArray) -> Told:
        """Some of the readings."""
        return Told(self.off[rows], self.per_sd[rows], self.rest[np.ix_(rows, rows)])


@dataclass(frozen=True)
class Outlook:
    """The next unit's causes, in standard deviations of the tolerances before anything was seen.

    Attributes:
        mean: shape (causes,).
        covariance: shape (causes, causes).
    """

    mean: FloatArray
    covariance: FloatArray


def learn(
    design: Design, units: Sequence[SeenUnit], tolerances: Tolerances | None = None
) -> Learned:
    """What other units of a design say of the next one.

    A meter's gain is taken for fresh with every unit, and the supply for no better known than one
    meter's gain in the end: all units may have been read with the same.

    Args:
        design: what all of them were built to.
        units: the others.
        tolerances: how far a unit may be from the design before anything is seen of the others;
            those of `law.tolerances_of` where none are given.

    Returns:
        What `taught_engine` diagnoses the next unit with; what was given where nothing could be
        learned.

    Raises:
        NameFault: a unit's mended joint is none of the design's.
        CircuitFault: the design's circuit has no solution.
    """
    usual = FROM_MANY_REELS if tolerances is None else tolerances
    tolerances = tolerances or tolerances_of(design)
    before = replace(tolerances, alike=(0.0, 0.0, 0.0))
    teachers, left_out, priors = _teachers(design, units, before)
    gain_sd = max((_gain(unit) for unit in teachers), default=0.0) / before.supply
    places: list[int] = []
    if teachers:
        found, places = _batch(design, teachers, before, usual.current)
        wider = before.current > usual.current
        if wider and not _other_bin(found, before.current, usual.current):
            before = replace(usual, alike=(0.0, 0.0, 0.0))
            found, places = _batch(design, teachers, before, usual.current)
    often = how_often(units)
    if not teachers:
        return Learned(design, tolerances, left_out=tuple(left_out), often=often, priors=priors)
    for place, unit in enumerate(teachers):
        if place not in places:
            left_out.append(LeftOut(unit.tag, "its readings are not like those of the others"))
    found = or_another_supply(found, gain_sd)
    return Learned(
        _as_learned(design, before, found.mean),
        _narrower(before, found.covariance),
        _factors(before, found.mean),
        _supply(before, found.mean),
        tuple(teachers[place].tag for place in places),
        tuple(left_out),
        often,
        priors,
    )


def _batch(
    design: Design, teachers: Sequence[SeenUnit], before: Tolerances, usual_current: float
) -> tuple[Outlook, list[int]]:
    """What units of a batch say of the next, and places of those that are like the others."""
    settled = np.ones(len(CAUSES) + _lone_supply(design))
    # which bin of current its nodes are of is the batch's: units of a batch differ as ever
    settled[0] = (usual_current / before.current) ** 2
    found, places = Outlook(np.zeros(len(settled)), np.eye(len(settled))), list[int]()
    for _ in range(ROUNDS):
        at = found.mean
        told = _told(design, teachers, before, at)
        places = _in_agreement(told, settled)
        found = outlook([told[place].information for place in places], settled)
        if np.abs(found.mean - at).max() < SMALL_STEP_SD:
            break
    return found, places


def _other_bin(found: Outlook, wide: float, usual: float) -> bool:
    """True where a batch speaks for a node current that the kind's usual bin does not have.

    Args:
        found: with a current that may be of any bin.
        wide: standard deviation of the node current over all bins, as a share.
        usual: of the usual one.
    """
    variance = float(found.covariance[0, 0])
    said = max(1.0 / variance - 1.0, 1e-9)
    # what the units say without what was believed before, in shares
    off, variance = wide * float(found.mean[0]) / variance / said, wide**2 / said
    logs = [-0.5 * (off**2 / (variance + sd**2) + np.log(variance + sd**2)) for sd in (wide, usual)]
    odds = np.log(OTHER_BIN / (1.0 - OTHER_BIN)) - np.log(CAREFUL)
    return bool(logs[0] - logs[1] + odds > 0.0)


def taught_engine(design: Design, learned: Learned) -> Engine:
    """Diagnoses the next unit; by what is usual once its readings say that it is not like the rest.

    Args:
        design: as its file has it.
        learned: of other units of it.
    """
    usual = Engine(design, learned.priors, often=learned.often)
    if not learned.taught:
        return usual
    return Engine(learned.design, learned.priors, learned.tolerances, learned.often, usual)


def or_another_supply(found: Outlook, gain_sd: float = 0.0) -> Outlook:
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
    return Outlook(mean, covariance)


def _gain(unit: SeenUnit) -> float:
    """Gain error of the worst meter that a unit was read with, one standard deviation."""
    return float(noise_of(unit.readings, unit.meter).gain.max(initial=0.0))


def how_often(units: Sequence[SeenUnit]) -> dict[str, float]:
    """How much likelier than its kind each place is at fault, that was mended in a batch.

    Some joints are hard to reach, or sit on much copper: places of one design differ in how often
    they go wrong, as a gamma distribution of shape `HARD_SHAPE`. Whatever was mended counts.

    Source: gamma and Poisson distribution are conjugate, as in any text on Bayesian statistics.
    """
    mended = Counter(where for unit in units for where in {*unit.mended, *unit.repaired})
    alone = HARD_SHAPE + len(units) * USUAL_ODDS
    return {where: (HARD_SHAPE + times) / alone for where, times in sorted(mended.items())}


def outlook(
    information: Sequence[tuple[FloatArray, FloatArray]], settled: FloatArray | None = None
) -> Outlook:
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
    return Outlook(mean, (covariance + covariance.T) / 2.0)


def _teachers(
    design: Design, units: Sequence[SeenUnit], tolerances: Tolerances
) -> tuple[list[SeenUnit], list[LeftOut], Priors]:
    """Units with the readings that no known or likely fault has moved; and how often one is bad."""
    views = Views(design, fault_space(design), tolerances)
    teachers, left_out = [], []
    bad, expected = 0.0, 0.0
    joints = {joint.name for joint in views.space.joints}
    for unit in units:
        bad += len(joints & {*unit.mended, *unit.repaired})
        readings, where = _unmoved(design, unit.readings, unit.mended), ""
        if readings:
            found = views.of(Case(readings, (), unit.meter, unit.repaired)).posterior
            bad += float(found.joints.sum())
            expected += usual_share(views.space)
            suspects = _suspects(views.space, found)
            readings, where = _unmoved(design, readings, suspects), ", ".join(suspects)
        if readings:
            teachers.append(replace(unit, readings=readings))
        elif where:
            left_out.append(LeftOut(unit.tag, f"a fault that it may have moves all of it: {where}"))
        else:
            why = "has no readings that still hold" if unit.readings else "has no readings"
            left_out.append(LeftOut(unit.tag, why))
    return teachers, left_out, as_handmade(views.space.priors, bad, expected)


def usual_share(space: FaultSpace) -> float:
    """Probability of a bad power joint before anything was read, where at most one thing is."""
    joints, chain = (float(np.exp(odds).sum()) for odds in log_odds(space))
    return joints / (1.0 + joints + chain)


def as_handmade(priors: Priors, bad: float, expected: float) -> Priors:
    """Odds of power joints by how many were bad in units of the same hand.

    Joints that were not read count the same on both sides, and so say nothing.

    Args:
        priors: what is usual.
        bad: joints that were at fault, as a sum of their probabilities.
        expected: how many that would be before anything was read.

    Source: gamma and Poisson distribution are conjugate, as in any text on Bayesian statistics.
    """
    times = (HAND_SHAPE + bad) / (HAND_SHAPE + expected)
    times = min(max(times, LEAST_TIMES), MOST_TIMES)
    return replace(priors, resistive=priors.resistive * times, open=priors.open * times)


def _unmoved(
    design: Design, readings: Sequence[Reading], faults: Sequence[str]
) -> Sequence[Reading]:
    for where in faults:
        valid = still_valid(design, where, readings)
        readings = [reading for reading, ok in zip(readings, valid, strict=True) if ok]
    return readings


def _suspects(space: FaultSpace, found: Posterior) -> list[str]:
    """Places that are likely at fault, likeliest first; none of a unit that is likely healthy."""
    if found.healthy >= HEALTHY:
        return []
    rows = named_suspects(space, found)
    named = [where for where, _, probability, _ in rows if probability >= SUSPECT]
    return list(dict.fromkeys(named or [rows[0][0]]))


def _told(
    design: Design, units: Sequence[SeenUnit], tolerances: Tolerances, at_sd: FloatArray
) -> list[Told]:
    """What each unit's readings say, linear around causes that are so far off the design's."""
    responses = Responses(_as_learned(design, tolerances, at_sd), fault_space(design))
    found = []
    for unit in units:
        told = told_of(responses, unit.readings, unit.meter, tolerances)
        found.append(_without_slips(replace(told, off=told.off + told.per_sd @ at_sd)))
    return found


def told_of(
    responses: Responses, readings: Sequence[Reading], meter: Meter, tolerances: Tolerances
) -> Told:
    """What a healthy unit's readings say of its node current, wire, copper and supply.

    Args:
        responses: the circuit that they are compared with.
        readings: one or more.
        meter: of readings that name none.
        tolerances: how far a unit may be from that circuit.
    """
    first = cause_names(responses.design).index(CAUSES[0])
    groups = taps_of(responses.circuit, readings)
    values = np.array([r.amps if r.volts is None else r.volts for r in readings])
    weigher = Weigher(responses, groups, values, noise_of(readings, meter), tolerances)
    spread, mean = weigher.healthy_spread, weigher.healthy_mean()
    causes = [*range(first, first + len(CAUSES)), *range(_lone_supply(responses.design))]
    others = np.delete(spread.shared, causes, axis=1)
    rest = others @ others.T + spread.nodes @ spread.nodes.T + weigher.reading_errors(mean)
    return Told(values - mean, spread.shared[:, causes], rest)


def _without_slips(told: Told) -> Told:
    """Without readings that all the unit's others contradict; at least half of them stay."""
    rows = np.arange(len(told.off))
    for _ in range(len(rows) // 2):
        part = told.only(rows)
        place = int(slips(part.off, part.covariance(np.eye(part.per_sd.shape[1])), SLIPPED_SD))
        if place < 0:
            break
        rows = np.delete(rows, place)
    return told.only(rows)


def _in_agreement(told: Sequence[Told], settled: FloatArray) -> list[int]:
    """Places of the units that are like the others; the one least like them leaves first."""
    information = [one.information for one in told]
    places = list(range(len(told)))
    while places:
        chances = []
        for place in places:
            rest = [information[other] for other in places if other != place]
            others = or_another_supply(outlook(rest, settled))
            off = told[place].off - told[place].per_sd @ others.mean
            covariance = told[place].covariance(others.covariance)
            square = float(off @ np.linalg.solve(covariance, off))
            chances.append(float(gammaincc(len(off) / 2.0, square / 2.0)))
        worst = int(np.argmin(chances))
        if chances[worst] >= FOREIGN_CHANCE:
            break
        del places[worst]
    return places


def _factors(tolerances: Tolerances, at_sd: FloatArray) -> tuple[float, float, float]:
    """Node current, wire and copper over the design's own."""
    sd = np.array([tolerances.current, tolerances.wire, tolerances.copper])
    current, wire, copper = np.exp(sd * at_sd[: len(CAUSES)]).tolist()
    return current, wire, copper


def _lone_supply(design: Design) -> int:
    """1 where there is one supply, which units may share, 0 where there are several."""
    return int(len(design.feeds) == 1)


def _supply(tolerances: Tolerances, at_sd: FloatArray) -> float:
    """Volts of the supply over the design's own."""
    return float(np.exp(tolerances.supply * at_sd[len(CAUSES) :]).prod())


def _as_learned(design: Design, tolerances: Tolerances, at_sd: FloatArray) -> Design:
    """The design with causes so far off its own."""
    made = design.scaled(**dict(zip(CAUSES, _factors(tolerances, at_sd), strict=True)))
    times = _supply(tolerances, at_sd)
    fed = tuple(replace(feed, volts=feed.volts * times) for feed in made.feeds)
    return replace(made, feeds=fed)


def _narrower(tolerances: Tolerances, covariance: FloatArray) -> Tolerances:
    """Tolerances of the next unit."""
    sd = np.sqrt(np.diag(covariance))
    together = covariance / np.outer(sd, sd)
    return replace(
        tolerances,
        current=float(tolerances.current * sd[0]),
        wire=float(tolerances.wire * sd[1]),
        copper=float(tolerances.copper * sd[2]),
        supply=float(tolerances.supply * sd[len(CAUSES) :].min(initial=1.0)),
        alike=(float(together[0, 1]), float(together[0, 2]), float(together[1, 2])),
    )
