"""Decision rules of a finding: settled or open, unexplained evidence, mandatory readings."""

from __future__ import annotations

from collections.abc import Callable, Collection, Mapping, Sequence
from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from benchtest.circuit.netlist import FloatArray
from benchtest.diagnosis.inference.conditional import ConditionalEvidence
from benchtest.diagnosis.inference.multiple_faults import FaultCombination
from benchtest.diagnosis.inference.posterior import FaultHypothesis, Posterior
from benchtest.diagnosis.likelihood.marks import SEEN_PROBABILITY
from benchtest.diagnosis.likelihood.reading_model import BROWNOUT_SD_V
from benchtest.diagnosis.likelihood.robust_gaussian import slips
from benchtest.diagnosis.planning.candidates import ReadingRequest, lit_sets, permitted_sets
from benchtest.diagnosis.planning.forecast import Forecaster
from benchtest.diagnosis.thresholds import (
    MAX_SPREAD_PROBABILITY,
    MAX_TIE_LOG,
    MIN_DECIDED_PROBABILITY,
    MIN_LOADED_DROP_SHARE,
    MIN_MARK_PROBABILITY,
    MIN_OPEN_PROBABILITY,
    MIN_UNEXPLAINED_SD,
    OUTSIDE_MODEL_ODDS,
)
from benchtest.evidence.marks import SEEN, Mark
from benchtest.evidence.readings import Reading
from benchtest.prop.lit_set import LitSet, all_lit

MAX_UNEXPLAINED_READINGS = 3
"""Maximum number of readings that are searched for as unexplained."""
NEAR_LOWEST_SHARE = 0.8
"""Share of the largest drop from which a rail voltage is read in place of the lowest one, if it
takes less time. Ours."""

TieGroup = tuple[str, ...]
"""Places that the evidence cannot separate."""


def is_decided(healthy: float, suspects: Mapping[str, float], ties: Collection[TieGroup]) -> bool:
    """Return True if the unit is healthy enough, or every fault has a name or a tie for one.

    Args:
        healthy: probability of no fault.
        suspects: probability of a fault of each place, of any kind.
        ties: places that the evidence cannot separate.
    """
    most = max(suspects.values(), default=0.0)
    if healthy >= MIN_DECIDED_PROBABILITY or (healthy > 0.5 and most < MAX_SPREAD_PROBABILITY):
        return True
    sums = dict(suspects)
    for group in ties:
        total = sum(sums.pop(name, 0.0) for name in group)
        sums[" ".join(group)] = total
    named = [total for total in sums.values() if total >= MIN_OPEN_PROBABILITY]
    return healthy < MIN_OPEN_PROBABILITY and bool(named) and min(named) >= MIN_DECIDED_PROBABILITY


def probability_by_place(rows: Sequence[tuple[str, object, float, object]]) -> dict[str, float]:
    """Return the probability of a fault of each place, from rows of `posterior.named_suspects`."""
    found: dict[str, float] = {}
    for where, _, probability, _ in rows:
        found[where] = found.get(where, 0.0) + probability
    return found


def tied_explanations(
    combinations: Sequence[FaultCombination], log_single: float
) -> list[TieGroup]:
    """Return groups of places that are interchangeable in equally good combinations.

    Two combinations of one size that differ in one fault each make their differing faults a tie.

    Args:
        combinations: explanations by several faults, likeliest first.
        log_single: logarithm of the weight of no fault and all single faults; if it exceeds that of
            the best combination, there are no groups.
    """
    if not combinations or combinations[0].log_weight < log_single:
        return []
    best = combinations[0].log_weight
    sets = [
        frozenset(part.where for part in one.faults)
        for one in combinations
        if one.log_weight > best - MAX_TIE_LOG
    ]
    groups: list[set[str]] = []
    for one in sets:
        for other in sets:
            if len(one) == len(other) and len(differing := one ^ other) == 2:
                met = [group for group in groups if group & differing]
                groups = [group for group in groups if not group & differing]
                groups.append(set(differing).union(*met))
    return [tuple(sorted(group)) for group in groups]


def merge_ties(groups: Sequence[TieGroup], more: Sequence[TieGroup]) -> tuple[TieGroup, ...]:
    """Return groups and further ones, without those that a larger group contains."""
    found = list(groups)
    for group in more:
        if group and not any(set(group) <= set(known) for known in found):
            rest = [known for known in found if not set(known) <= set(group)]
            found = [*rest, group]
    return tuple(found)


def undecided_suspects(
    healthy: float, suspects: Mapping[str, float], ties: Collection[TieGroup]
) -> TieGroup:
    """Return the untied suspects that are neither decided nor excluded; empty for fewer than two.

    Args:
        healthy: probability of no fault.
        suspects: probability of a fault of each place.
        ties: places that the evidence cannot separate.
    """
    tied = {name for group in ties for name in group}
    names = [
        name
        for name, probability in suspects.items()
        if MIN_OPEN_PROBABILITY <= probability < MIN_DECIDED_PROBABILITY and name not in tied
    ]
    return tuple(names) if healthy < MIN_OPEN_PROBABILITY and len(names) > 1 else ()


def unexplained_readings(
    conditional: ConditionalEvidence, part: FaultHypothesis | None
) -> list[int]:
    """Return the indices of readings that contradict all others under an explanation.

    A reading whose repeat fits is a slip and is not returned.

    Args:
        conditional: evidence with the sure faults given.
        part: one further fault of the explanation; None for no further fault.
    """
    likelihood = conditional.likelihood
    if likelihood is None:
        return []
    mean, covariance = likelihood.under(-1, 0) if part is None else conditional.under(part)
    floating = set(conditional.floating_readings(part))
    rest, off = list(range(len(mean))), likelihood.values - mean
    found: list[int] = []
    while len(rest) > 1 and len(found) < MAX_UNEXPLAINED_READINGS:
        worst = int(slips(off[rest], covariance[np.ix_(rest, rest)], MIN_UNEXPLAINED_SD))
        if worst < 0:
            break
        found.append(rest.pop(worst))
    readings = conditional.case.readings
    fitting = {(readings[place].lit, readings[place].probe) for place in rest}
    return [
        place
        for place in found
        if place not in floating and (readings[place].lit, readings[place].probe) not in fitting
    ]


def unexplained_marks(
    conditional: ConditionalEvidence, part: FaultHypothesis | None
) -> tuple[Mark, ...]:
    """Return the marks of nodes that should look otherwise under an explanation.

    A mark of nodes that looked right in the same color at another time is a slip of the eye and is
    not returned.

    Args:
        conditional: evidence with the sure faults given.
        part: one further fault of the explanation; None for no further fault.
    """
    marks = conditional.case.marks
    wrong = [mark for mark in marks if mark.seen != "ok" and not _is_slip(mark, marks)]
    looks: dict[LitSet, NDArray[np.intp]] = {}
    found = []
    for mark in wrong:
        if mark.lit not in looks:
            looks[mark.lit] = conditional.expected_looks(mark.lit, part)
        start = conditional.design.index(mark.strand, 1)
        nodes = conditional.design.strand(mark.strand).nodes
        should = looks[mark.lit][:, start : start + nodes]
        # a person may count the place one node off
        near = should[:, max(0, mark.first - 2) : mark.last + 1]
        chance = np.sort(SEEN_PROBABILITY[near, SEEN.index(mark.seen)], axis=1)[:, ::-1]
        if chance[:, (mark.last - mark.first) // 2].max() < MIN_MARK_PROBABILITY:
            found.append(mark)
    return tuple(found)


def _is_slip(mark: Mark, marks: Sequence[Mark]) -> bool:
    """Return True if the same nodes looked right under another lit set of that color."""
    return any(
        other.seen == "ok"
        and other.lit != mark.lit
        and (other.strand, other.lit.colour) == (mark.strand, mark.lit.colour)
        and other.lit.lights(mark.strand) == mark.lit.lights(mark.strand)
        and other.first <= mark.first
        and other.last >= mark.last
        for other in marks
    )


def outside_model_probability(read_log: float, count: int, slip_per_v: float) -> float:
    """Return the probability that no hypothesis describes the readings.

    Outside the model every reading has the density of a slip, so that the odds are
    `OUTSIDE_MODEL_ODDS * slip_per_v ** count / likelihood`.

    Args:
        read_log: logarithm of the readings' likelihood under the best explanation.
        count: number of readings.
        slip_per_v: density of a slip. [1/V]
    """
    over = read_log - count * np.log(slip_per_v) - np.log(OUTSIDE_MODEL_ODDS)
    return float(1.0 / (1.0 + np.exp(np.clip(over, -50.0, 50.0))))


def scale_posterior(posterior: Posterior, share: float) -> Posterior:
    """Return the posterior with all probabilities multiplied by a share."""
    return replace(
        posterior,
        healthy=posterior.healthy * share,
        joints=posterior.joints * share,
        chain=posterior.chain * share,
    )


def missing_load_reading(
    forecaster: Forecaster, permitted: Callable[[LitSet], bool], readings: Sequence[Reading]
) -> ReadingRequest | None:
    """Return the best one of `load_readings`, or None once one was read."""
    return next(iter(load_readings(forecaster, permitted, readings)), None)


def load_readings(
    forecaster: Forecaster, permitted: Callable[[LitSet], bool], readings: Sequence[Reading]
) -> list[ReadingRequest]:
    """Return the rail voltages under load of which one is still to be read; empty once one was.

    Drops across joints and along boards do not depend on the series path of all strands (the feed's
    joints, its cable and the supply). The rail voltage near the lowest node under the largest load
    does. If logic may stop at full light, it cannot be predicted there, and part of the prop is
    lit.

    Args:
        forecaster: of every reachable probe.
        permitted: returns whether fuses and supplies can carry a lit set.
        readings: readings so far.

    Returns:
        The lowest rail voltage first, then others that are nearly as low.
    """
    design = forecaster.responses.design
    rails = [place for place, probe in enumerate(forecaster.probes) if probe.is_rail]
    lits = permitted_sets([all_lit(design)], permitted)
    if not any(_are_rails_predictable(forecaster, lit, rails) for lit in lits):
        fewer = permitted_sets(lit_sets(design, np.zeros(len(design.strands))), permitted)
        lits = [lit for lit in fewer if _are_rails_predictable(forecaster, lit, rails)] or lits
    if not lits:
        return []
    volts: dict[LitSet, FloatArray] = {
        lit: forecaster.probe_forecast(lit).value[rails] for lit in lits
    }
    for reading in readings:
        if reading.volts is None or not reading.probe.is_rail or reading.lit not in volts:
            continue
        value = volts[reading.lit]
        place = forecaster.place_of.get(reading.probe)
        here = value.min() if place is None else forecaster.probe_forecast(reading.lit).value[place]
        if value.max() - here >= MIN_LOADED_DROP_SHARE * (value.max() - value.min()):
            return []
    lit = min(lits, key=lambda one: round(float(volts[one].min()), 6))
    value = np.round(volts[lit], 6)
    most_v = value.max() - NEAR_LOWEST_SHARE * (value.max() - value.min())
    order = [row for row in np.argsort(value, kind="stable").tolist() if value[row] <= most_v]
    return [(lit, forecaster.probes[rails[row]]) for row in order]


def _are_rails_predictable(forecaster: Forecaster, lit: LitSet, rails: Sequence[int]) -> bool:
    """Return True if a rail voltage is predictable; see `undervoltage.nonlinearity_sd`."""
    variance = forecaster.probe_forecast(lit).variance[list(rails)]
    return bool(variance.min(initial=np.inf) < BROWNOUT_SD_V**2)
