"""When a finding is decided, what it leaves unexplained, and what must be read in any case."""

from __future__ import annotations

from collections.abc import Callable, Collection, Mapping, Sequence
from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from benchtest.circuit.netlist import FloatArray
from benchtest.diagnosis.inference.conditional import ConditionalEvidence
from benchtest.diagnosis.inference.hypothesis import FaultHypothesis
from benchtest.diagnosis.inference.multiple_faults import FaultCombination
from benchtest.diagnosis.inference.posterior import Posterior
from benchtest.diagnosis.likelihood.marks import SEEN_PROBABILITY
from benchtest.diagnosis.likelihood.robust_gaussian import slips
from benchtest.diagnosis.likelihood.undervoltage import BROWNOUT_SD_V
from benchtest.diagnosis.planning.candidates import lit_sets, permitted_sets
from benchtest.diagnosis.planning.forecast import Forecaster
from benchtest.evidence.marks import SEEN, Mark
from benchtest.evidence.readings import Reading
from benchtest.prop.design import Probe
from benchtest.prop.lit_set import LitSet, all_lit

MIN_DECIDED_PROBABILITY = 0.9
"""Probability from which a unit counts as healthy, or one name or tie as the fault."""
MIN_OPEN_PROBABILITY = 0.1
"""Probability from which a suspect keeps a finding open while another is named."""
MAX_SPREAD_PROBABILITY = 0.05
"""A unit more likely healthy than not, with no suspect above this, is decided too: what is left is
spread over joints that no reading shows."""
MIN_UNEXPLAINED_SD = 6.0
"""Standard deviations from what all other readings say past which one is not explained."""
MAX_UNEXPLAINED_READINGS = 3
"""Readings that are searched for such, at most."""
MIN_MARK_PROBABILITY = 0.004
"""Marks that an eye makes more rarely than this of nodes that should look so are not explained."""
OUTSIDE_MODEL_ODDS = 1e-10
"""Odds before any evidence that a unit has what no hypothesis here describes. Ours."""
MIN_LOADED_DROP_SHARE = 0.5
"""Rail volts count as read under load where at least this share of the largest drop shows."""
MAX_TIE_LOG = 0.7
"""Explanations within a factor of two of the best are tied with it."""

TieGroup = tuple[str, ...]


def is_decided(healthy: float, suspects: Mapping[str, float], ties: Collection[TieGroup]) -> bool:
    """Return True where the unit is healthy enough, or every fault has a name or a tie for one.

    Args:
        healthy: probability that nothing is wrong.
        suspects: probability of each suspect by its place, whatever is wrong there.
        ties: suspects that the evidence cannot separate.
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
    """Return the probability of each place at fault from `posterior.named_suspects`."""
    found: dict[str, float] = {}
    for where, _, probability, _ in rows:
        found[where] = found.get(where, 0.0) + probability
    return found


def tied_explanations(several: Sequence[FaultCombination], log_single: float) -> list[TieGroup]:
    """Return groups of suspects that are interchangeable in equally good explanations.

    Args:
        several: explanations by several faults, likeliest first.
        log_single: logarithm of the weight of nothing and every single fault; where they explain
            more, there are no groups.
    """
    if not several or several[0].log_weight < log_single:
        return []
    best = several[0].log_weight
    sets = [
        frozenset(part.where for part in one.faults)
        for one in several
        if one.log_weight > best - MAX_TIE_LOG
    ]
    groups: list[set[str]] = []
    for one in sets:
        for other in sets:
            if len(one) == len(other) and len(apart := one ^ other) == 2:
                met = [group for group in groups if group & apart]
                groups = [group for group in groups if not group & apart]
                groups.append(set(apart).union(*met))
    return [tuple(sorted(group)) for group in groups]


def merge_ties(groups: Sequence[TieGroup], more: Sequence[TieGroup]) -> tuple[TieGroup, ...]:
    """Return ties, and further ones that are not among them already."""
    found = list(groups)
    for group in more:
        if group and not any(set(group) <= set(known) for known in found):
            rest = [known for known in found if not set(known) <= set(group)]
            found = [*rest, group]
    return tuple(found)


def undecided_suspects(
    healthy: float, suspects: Mapping[str, float], ties: Collection[TieGroup]
) -> TieGroup:
    """Return the suspects that share what is undecided; empty where fewer than two do."""
    tied = {name for group in ties for name in group}
    names = [
        name
        for name, probability in suspects.items()
        if MIN_OPEN_PROBABILITY <= probability < MIN_DECIDED_PROBABILITY and name not in tied
    ]
    return tuple(names) if healthy < MIN_OPEN_PROBABILITY and len(names) > 1 else ()


def unexplained_readings(view: ConditionalEvidence, part: FaultHypothesis | None) -> list[int]:
    """Return places of the readings that an explanation leaves far off all others.

    A reading that was taken again, and fits then, was a slip: it is not among them.

    Args:
        view: the evidence with what is sure taken for given.
        part: the further fault that explains it best; None where nothing more is wrong.
    """
    likelihood = view.likelihood
    if likelihood is None:
        return []
    mean, covariance = likelihood.under(-1, 0) if part is None else view.under(part)
    floating_readings = set(view.floating_readings(part))
    rest, off = list(range(len(mean))), likelihood.values - mean
    found: list[int] = []
    while len(rest) > 1 and len(found) < MAX_UNEXPLAINED_READINGS:
        worst = int(slips(off[rest], covariance[np.ix_(rest, rest)], MIN_UNEXPLAINED_SD))
        if worst < 0:
            break
        found.append(rest.pop(worst))
    readings = view.case.readings
    fitting = {(readings[place].lit, readings[place].probe) for place in rest}
    return [
        place
        for place in found
        if place not in floating_readings
        and (readings[place].lit, readings[place].probe) not in fitting
    ]


def unexplained_marks(view: ConditionalEvidence, part: FaultHypothesis | None) -> tuple[Mark, ...]:
    """Return marks of nodes that should not have looked so under an explanation.

    A node that looked right in the same color at another time was a slip of the eye.

    Args:
        view: the evidence with what is sure taken for given.
        part: the further fault that explains it best; None where nothing more is wrong.
    """
    marks = view.case.marks
    odd = [mark for mark in marks if mark.seen != "ok" and not _is_slip(mark, marks)]
    looks: dict[LitSet, NDArray[np.intp]] = {}
    found = []
    for mark in odd:
        if mark.lit not in looks:
            looks[mark.lit] = view.expected_looks(mark.lit, part)
        start = view.design.index(mark.strand, 1)
        should = looks[mark.lit][:, start : start + view.design.strand(mark.strand).nodes]
        # a place may be one node off
        near = should[:, max(0, mark.first - 2) : mark.last + 1]
        chance = np.sort(SEEN_PROBABILITY[near, SEEN.index(mark.seen)], axis=1)[:, ::-1]
        if chance[:, (mark.last - mark.first) // 2].max() < MIN_MARK_PROBABILITY:
            found.append(mark)
    return tuple(found)


def _is_slip(mark: Mark, marks: Sequence[Mark]) -> bool:
    """Return True where the same nodes were seen right under another lit set of that color."""
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

    Readings that mean nothing have the density of slips.

    Args:
        read_log: logarithm of the readings' likelihood under the best explanation.
        count: of the readings.
        slip_per_v: density of a slip. [1/V]
    """
    over = read_log - count * np.log(slip_per_v) - np.log(OUTSIDE_MODEL_ODDS)
    return float(1.0 / (1.0 + np.exp(np.clip(over, -50.0, 50.0))))


def scale_posterior(found: Posterior, share: float) -> Posterior:
    """Return probabilities of which another explanation takes the rest."""
    return replace(
        found,
        healthy=found.healthy * share,
        joints=found.joints * share,
        chain=found.chain * share,
    )


def missing_load_reading(
    forecaster: Forecaster, permitted: Callable[[LitSet], bool], readings: Sequence[Reading]
) -> tuple[LitSet, Probe] | None:
    """Return the rail volts that are still to be read; None once some under full load were.

    Drops across joints and along boards show nothing of what all strands share: the feed's joints,
    its cable and the supply. Rail volts near the lowest node under the largest load do. Of a prop
    whose logic may stop at full light nothing is expected of them: there a part of it is lit.

    Args:
        forecaster: volts of a healthy unit at every probe that a person can reach.
        permitted: tells whether fuses and supplies can carry a lit set.
        readings: taken so far.
    """
    design = forecaster.responses.design
    rails = [place for place, probe in enumerate(forecaster.probes) if probe.is_rail]
    lits = permitted_sets([all_lit(design)], permitted)
    if not any(_are_rails_predictable(forecaster, lit, rails) for lit in lits):
        fewer = permitted_sets(lit_sets(design, np.zeros(len(design.strands))), permitted)
        lits = [lit for lit in fewer if _are_rails_predictable(forecaster, lit, rails)] or lits
    if not lits:
        return None
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
            return None
    lit = min(lits, key=lambda one: round(float(volts[one].min()), 6))
    return lit, forecaster.probes[rails[int(np.argmin(np.round(volts[lit], 6)))]]


def _are_rails_predictable(forecaster: Forecaster, lit: LitSet, rails: Sequence[int]) -> bool:
    """Return whether rail volts of a sound unit are known; see `nonlinear.nonlinearity_sd`."""
    variance = forecaster.probe_forecast(lit).variance[list(rails)]
    return bool(variance.min(initial=np.inf) < BROWNOUT_SD_V**2)
