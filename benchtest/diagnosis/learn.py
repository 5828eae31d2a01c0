"""What units of one design teach the next: their node current, their wire, their board copper.

Parts of one order and wire of one reel are alike, so each of the three is partly the batch's and
partly the unit's own. Readings of every unit are Gaussian around the circuit's answer with these
three as unknowns and all else integrated out, as in `benchtest.diagnosis.weigh`; the batch's part
follows in closed form. Readings that a fault or a slip of the pen has moved are left out.

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
from benchtest.diagnosis.faults import fault_space
from benchtest.diagnosis.gauss import slips
from benchtest.diagnosis.law import tolerances_of
from benchtest.diagnosis.posterior import named_suspects
from benchtest.diagnosis.response import Responses
from benchtest.diagnosis.retest import still_valid
from benchtest.diagnosis.taps import noise_of, taps_of
from benchtest.diagnosis.view import Case, Views
from benchtest.diagnosis.weigh import Weigher
from benchtest.evidence.meter import DEFAULT_METER, Meter
from benchtest.evidence.reading import Reading
from benchtest.prop.design import Design

CAUSES = ("current", "wire", "copper")
"""What a batch has in common, as `circuit.tolerance.cause_names` calls it."""
SPLITS: Mapping[float, float] = {0.2: 0.2, 0.9: 0.8}
"""Share of a cause's variance that is the batch's, the rest being the unit's own; and how likely
that share is before anything is seen, for each cause by itself. Common practice, no source: units
of one order and one reel are much alike; now and then a design is built over years from whatever
is in stock. The units' own readings say which it was."""
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
        taught: tags of the units that this was learned from.
        left_out: those that taught nothing.
    """

    design: Design
    tolerances: Tolerances
    factors: tuple[float, float, float] = (1.0, 1.0, 1.0)
    taught: tuple[str, ...] = ()
    left_out: tuple[LeftOut, ...] = ()
    often: Mapping[str, float] = field(default_factory=dict)
    """How much likelier than its kind each place is that was mended in some of the units."""


@dataclass(frozen=True)
class Told:
    """One unit's readings as a straight line of its three causes.

    Attributes:
        off: readings less those of the design as it is, shape (readings,). [V, or A]
        per_sd: what one standard deviation of each cause does, shape (readings, 3).
        rest: covariance of everything else, shape (readings, readings).
    """

    off: FloatArray
    per_sd: FloatArray
    rest: FloatArray

    @property
    def information(self) -> tuple[FloatArray, FloatArray]:
        """Precision of the causes and that times their estimate, shape (3, 3) and (3,)."""
        weighted = np.linalg.solve(self.rest, np.column_stack([self.per_sd, self.off]))
        return self.per_sd.T @ weighted[:, :3], self.per_sd.T @ weighted[:, 3]

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
        mean: shape (3,).
        covariance: shape (3, 3).
    """

    mean: FloatArray
    covariance: FloatArray


def learn(
    design: Design, units: Sequence[SeenUnit], tolerances: Tolerances | None = None
) -> Learned:
    """What other units of a design say of the next one.

    A meter's gain is taken for fresh with every unit: beside the supply's own tolerance it is next
    to nothing.

    Args:
        design: what all of them were built to.
        units: the others.
        tolerances: how far a unit may be from the design before anything is seen of the others;
            those of `law.tolerances_of` where none are given.

    Returns:
        A design and tolerances for `Engine(learned.design, tolerances=learned.tolerances)`; those
        given where nothing could be learned.

    Raises:
        NameFault: a unit's mended joint is none of the design's.
        CircuitFault: the design's circuit has no solution.
    """
    # which bin of current its nodes are of is the batch's: units of a batch differ as ever
    usual = FROM_MANY_REELS if tolerances is None else tolerances
    tolerances = tolerances or tolerances_of(design)
    settled = np.array([(usual.current / tolerances.current) ** 2, 1.0, 1.0])
    before = replace(tolerances, alike=(0.0, 0.0, 0.0))
    teachers, left_out = _teachers(design, units, before)
    found = Outlook(np.zeros(3), np.eye(3))
    for _ in range(ROUNDS if teachers else 0):
        at = found.mean
        told = _told(design, teachers, before, at)
        places = _in_agreement(told, settled)
        found = outlook([told[place].information for place in places], settled)
        if np.abs(found.mean - at).max() < SMALL_STEP_SD:
            break
    often = how_often(units)
    if not teachers:
        return Learned(design, tolerances, left_out=tuple(left_out), often=often)
    for place, unit in enumerate(teachers):
        if place not in places:
            left_out.append(LeftOut(unit.tag, "its readings are not like those of the others"))
    factors = _factors(before, found.mean)
    return Learned(
        design.scaled(**dict(zip(CAUSES, factors, strict=True))),
        _narrower(before, found.covariance),
        factors,
        tuple(teachers[place].tag for place in places),
        tuple(left_out),
        often,
    )


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
    every combination of `SPLITS` is weighed by how well it explains all units together.

    Args:
        information: of each unit: precision of its causes, shape (3, 3), and that times their
            estimate, shape (3,), both in standard deviations of the tolerances.
        settled: of each cause's variance the part in which units of a batch can differ at all,
            shape (3,); all of it where none is given.
    """
    own_share = 1.0 - np.array(list(product(SPLITS, repeat=3)))
    if settled is not None:
        own_share *= settled
    weight = np.log(list(product(SPLITS.values(), repeat=3))).sum(axis=1)
    eye = np.eye(3)
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
) -> tuple[list[SeenUnit], list[LeftOut]]:
    """Units with the readings that no known or likely fault has moved."""
    views = Views(design, fault_space(design), tolerances)
    teachers, left_out = [], []
    for unit in units:
        readings, where = _unmoved(design, unit.readings, unit.mended), ""
        if readings:
            suspects = _suspects(views, replace(unit, readings=readings))
            readings, where = _unmoved(design, readings, suspects), ", ".join(suspects)
        if readings:
            teachers.append(replace(unit, readings=readings))
        elif where:
            left_out.append(LeftOut(unit.tag, f"a fault that it may have moves all of it: {where}"))
        else:
            why = "has no readings that still hold" if unit.readings else "has no readings"
            left_out.append(LeftOut(unit.tag, why))
    return teachers, left_out


def _unmoved(
    design: Design, readings: Sequence[Reading], faults: Sequence[str]
) -> Sequence[Reading]:
    for where in faults:
        valid = still_valid(design, where, readings)
        readings = [reading for reading, ok in zip(readings, valid, strict=True) if ok]
    return readings


def _suspects(views: Views, unit: SeenUnit) -> list[str]:
    """Places that are likely at fault, likeliest first; none of a unit that is likely healthy."""
    found = views.of(Case(unit.readings, (), unit.meter, unit.repaired)).posterior
    if found.healthy >= HEALTHY:
        return []
    rows = named_suspects(views.space, found)
    named = [where for where, _, probability, _ in rows if probability >= SUSPECT]
    return list(dict.fromkeys(named or [rows[0][0]]))


def _told(
    design: Design, units: Sequence[SeenUnit], tolerances: Tolerances, at_sd: FloatArray
) -> list[Told]:
    """What each unit's readings say, linear around causes that are so far off the design's."""
    factors = dict(zip(CAUSES, _factors(tolerances, at_sd), strict=True))
    responses = Responses(design.scaled(**factors), fault_space(design))
    found = []
    for unit in units:
        told = told_of(responses, unit.readings, unit.meter, tolerances)
        found.append(_without_slips(replace(told, off=told.off + told.per_sd @ at_sd)))
    return found


def told_of(
    responses: Responses, readings: Sequence[Reading], meter: Meter, tolerances: Tolerances
) -> Told:
    """What a healthy unit's readings say of its node current, wire and copper.

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
    others = np.delete(spread.shared, range(first, first + 3), axis=1)
    rest = others @ others.T + spread.nodes @ spread.nodes.T + weigher.reading_errors(mean)
    return Told(values - mean, spread.shared[:, first : first + 3], rest)


def _without_slips(told: Told) -> Told:
    """Without readings that all the unit's others contradict; at least half of them stay."""
    rows = np.arange(len(told.off))
    for _ in range(len(rows) // 2):
        part = told.only(rows)
        place = int(slips(part.off, part.covariance(np.eye(3)), SLIPPED_SD))
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
            others = outlook(rest, settled)
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
    current, wire, copper = np.exp(sd * at_sd).tolist()
    return current, wire, copper


def _narrower(tolerances: Tolerances, covariance: FloatArray) -> Tolerances:
    """Tolerances of the next unit."""
    sd = np.sqrt(np.diag(covariance))
    together = covariance / np.outer(sd, sd)
    return replace(
        tolerances,
        current=float(tolerances.current * sd[0]),
        wire=float(tolerances.wire * sd[1]),
        copper=float(tolerances.copper * sd[2]),
        alike=(float(together[0, 1]), float(together[0, 2]), float(together[1, 2])),
    )
