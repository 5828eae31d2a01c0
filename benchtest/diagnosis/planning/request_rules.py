"""Rules that request the next reading, in order of precedence.

A rule returns None without a request, and the first request is taken. Without any, reading ends;
`Situation.is_settled` is True then if the finding is settled.
"""

from __future__ import annotations

from collections.abc import Callable, Collection, Sequence
from dataclasses import dataclass, replace
from functools import cached_property

import numpy as np

from benchtest.circuit.feed_limits import PermittedLitSets
from benchtest.diagnosis.finding import NextReading
from benchtest.diagnosis.inference.conditional import ConditionalEvidence
from benchtest.diagnosis.inference.masked_pairs import MaskedPairs
from benchtest.diagnosis.inference.posterior import Posterior, named_suspects
from benchtest.diagnosis.model.fault_response import GRID_OHM, DesignResponse
from benchtest.diagnosis.model.faults import FaultKind
from benchtest.diagnosis.model.wiring_faults import connected_supplies
from benchtest.diagnosis.planning.candidates import ReadingRequest, lit_sets, permitted_sets
from benchtest.diagnosis.planning.decision import (
    TieGroup,
    is_decided,
    load_readings,
    merge_ties,
    missing_load_reading,
    probability_by_place,
    undecided_suspects,
)
from benchtest.diagnosis.planning.forecast import ForecasterCache
from benchtest.diagnosis.planning.next_reading import (
    MAX_RUNNERS_UP,
    Ranking,
    best_score,
    choose_reading,
    rank_readings,
    request_bits,
    required_reading,
)
from benchtest.diagnosis.planning.regression import PlanningEvidence
from benchtest.diagnosis.planning.series import SeriesGoal, leads_left, plan_series
from benchtest.diagnosis.stages import EvaluatedEvidence, GatheredEvidence, Inference
from benchtest.diagnosis.thresholds import (
    MAX_PROVEN_OHM,
    MAX_SAME_READINGS,
    MAX_SERIES_SUSPECT_PROBABILITY,
    MIN_DATA_FAULT_PROBABILITY,
    MIN_DECIDED_PROBABILITY,
    MIN_DROP_CHECK_PROBABILITY,
    MIN_DROP_V,
    MIN_FAULT_OHM,
    MIN_OPEN_PROBABILITY,
    MIN_OPEN_READING_BITS,
    MIN_READING_BITS,
    MIN_REPAIR_PROBABILITY,
    MIN_SERIES_PROBABILITY,
    MIN_SOUND_PROBABILITY,
)
from benchtest.errors import CircuitFault
from benchtest.evidence.readings import Reading
from benchtest.prop.design import FeedName, Place, Probe, rail_probe
from benchtest.prop.joints import Joint
from benchtest.prop.lit_set import LitSet, all_lit

MIN_DROP_RATIO = 1.02
"""Ratio of drops from which a later lit set replaces an earlier one with less light."""
MIN_OWN_DROP_SHARE = 0.5
"""Share of the largest drop of a joint of low resistance from which its reading counts as its own.
Ours: with less current, a fault and a high healthy joint differ by a few digits."""
MAX_LOW_OHM = 2.0 * MIN_FAULT_OHM
"""Resistance up to which a joint may be a high healthy one. [Ω] Ours."""
MIN_REMAINING_SHARE = 1e-9
"""Least denominator of the drop; it is zero for an open joint without another path."""


def joint_drop_reading(
    responses: DesignResponse,
    permitted: Callable[[LitSet], bool],
    where: str,
    ohm: float | None,
    taken: Sequence[LitSet],
) -> ReadingRequest | None:
    """Return the lit set and probe of the largest drop across a suspected joint.

    The drop of a joint at resistance `R` is `a·x / (1 + (1/R - 1/R0)·aᵀZa)`, with `a·x` the healthy
    drop, `R0` the healthy resistance and `aᵀZa` the driving-point resistance of the joint
    (Sherman-Morrison).

    Args:
        responses: the design without faults.
        permitted: returns whether fuses and supplies carry a lit set.
        where: the suspected place.
        ohm: its resistance; None if it is open. [Ω]
        taken: lit sets of earlier readings, which are tried after the joint's own strands alone
            and before all strands.

    Returns:
        None if the suspect is no reachable power joint, or its drop is below `MIN_DROP_V`.
    """
    names = [joint.name for joint in responses.space.joints]
    if where not in names:
        return None
    place = names.index(where)
    joint = responses.space.joints[place]
    if joint.is_fuse:
        return None
    # in order of light: the first of equals has the least
    lits = [*(LitSet(frozenset([one])) for one in joint.strands), *taken, all_lit(responses.design)]
    best: ReadingRequest | None = None
    most_v = MIN_DROP_V
    for lit in dict.fromkeys(lits):
        if not permitted(lit):
            continue
        shown_v = _drop_v(responses, lit, place, float(GRID_OHM[-1]) if ohm is None else ohm)
        if shown_v > MIN_DROP_RATIO * most_v:
            best, most_v = (lit, joint.probe), shown_v
    return best


def _drop_v(responses: DesignResponse, lit: LitSet, place: int, ohm: float) -> float:
    """Return the drop across a joint of that resistance, 0 if the lit set has no solution. [V]"""
    try:
        base = responses.base(lit)
    except CircuitFault:
        return 0.0
    healthy_ohm = responses.space.joints[place].ohm
    remains = 1.0 + (1.0 / ohm - 1.0 / healthy_ohm) * float(base.driving_point_ohm[place])
    return abs(float(base.across_v[place])) / max(remains, MIN_REMAINING_SHARE)


@dataclass(frozen=True)
class Situation:
    """Results of the stages before planning, and what the rules derive from them.

    Attributes:
        evidence: readings and marks.
        evaluated: the evidence conditional on faults.
        inference: the posterior.
        forecasters: under the tolerance assumption of `evaluated`.
        permitted: returns whether fuses and supplies carry a lit set.
        unreachable: probes that leads cannot reach.
    """

    evidence: GatheredEvidence
    evaluated: EvaluatedEvidence
    inference: Inference
    forecasters: ForecasterCache
    permitted: PermittedLitSets
    unreachable: Collection[Probe]

    @property
    def unconditional(self) -> ConditionalEvidence:
        """Evidence with no fault given."""
        return self.evaluated.unconditional

    @property
    def readings(self) -> Sequence[Reading]:
        """Readings that the likelihood includes."""
        return self.evidence.case.readings

    @cached_property
    def suspected(self) -> dict[str, float]:
        """Probability of a fault of each place."""
        return probability_by_place(
            named_suspects(self.unconditional.space, self.inference.posterior)
        )

    @cached_property
    def is_decided(self) -> bool:
        """True if the unit's health or its faults are known well enough, ties included."""
        inference = self.inference
        return inference.is_sure or is_decided(
            inference.posterior.healthy, self.suspected, inference.alike
        )

    @cached_property
    def final_alike(self) -> tuple[TieGroup, ...]:
        """Ties, and the suspects among which the finding is open at the end of reading."""
        if self.evaluated.unsteady is not None:
            return ()
        alike, healthy = self.inference.alike, self.inference.posterior.healthy
        return merge_ties(alike, [undecided_suspects(healthy, self.suspected, alike)])

    @cached_property
    def is_settled(self) -> bool:
        """True if the finding is decided and explained when no rule requests a reading."""
        if self.evaluated.unsteady is not None:
            return self.likeliest_joint[1] >= MIN_DECIDED_PROBABILITY
        inference = self.inference
        healthy = inference.posterior.healthy
        decided = inference.is_sure or is_decided(healthy, self.suspected, self.final_alike)
        confirmed = inference.is_sure and self._is_likeliest_read
        return decided and (inference.is_explained or confirmed)

    @property
    def _is_likeliest_read(self) -> bool:
        """True if the drop across the likeliest joint was read and fits: its repair comes first.

        A drop that contradicts the fault may be a slip, but then it is read again: a joint is not
        repaired against its own reading.
        """
        joint, probability = self.likeliest_joint
        if joint is None or probability < MIN_REPAIR_PROBABILITY:
            return False
        odd = set(self.inference.unexplained_readings)
        return any(
            one.probe.points == joint.probe.points and place not in odd
            for place, one in enumerate(self.readings)
        )

    @cached_property
    def likeliest_joint(self) -> tuple[Joint | None, float]:
        """The soldered joint most likely at fault, and its probability."""
        return likeliest_joint(self.unconditional, self.inference.posterior)

    @cached_property
    def most_light(self) -> LitSet | None:
        """All strands, or the first part of them that feeds carry; None if they carry no part."""
        lits = permitted_sets([all_lit(self.unconditional.design)], self.permitted)
        return lits[0] if lits else None

    @cached_property
    def series_lits(self) -> list[LitSet]:
        """All strands and their halves, as far as feeds carry them."""
        design = self.unconditional.design
        lits = lit_sets(design, np.zeros(len(design.strands)))
        return permitted_sets([lit for lit in lits if len(lit.strands) > 1], self.permitted)

    @cached_property
    def ranking(self) -> Ranking:
        """Candidates for the next reading, with the sure faults given."""
        return self.rank(self.inference.conditional, self.inference.pairs)

    @cached_property
    def best(self) -> NextReading:
        """The reading of the highest score; see `choose_reading`."""
        return self._choose(MIN_READING_BITS, to_repair=self.inference.is_sure)

    @cached_property
    def best_while_open(self) -> NextReading:
        """The same while nothing is decided: less information is enough."""
        return self._choose(MIN_OPEN_READING_BITS, to_repair=False)

    def _choose(self, min_bits: float, *, to_repair: bool) -> NextReading:
        conditional, case = self.inference.conditional, self.evidence.case
        unproven = _unproven(conditional, self.inference.posterior, case.repaired)
        return self.choose(
            self.ranking, conditional, unproven, to_repair=to_repair, min_bits=min_bits
        )

    def rank(self, conditional: ConditionalEvidence, pairs: MaskedPairs | None = None) -> Ranking:
        """Return the candidates for the next reading in conditional evidence."""
        return rank_readings(
            self.forecasters.of(conditional),
            conditional.posterior,
            _planning_evidence(conditional),
            self.permitted,
            pairs,
        )

    def choose(
        self,
        ranking: Ranking,
        conditional: ConditionalEvidence,
        unproven: Sequence[int] = (),
        *,
        to_repair: bool = False,
        min_bits: float = MIN_READING_BITS,
    ) -> NextReading:
        """Return the reading of the highest score; see `choose_reading`.

        Args:
            ranking: the candidates.
            conditional: evidence with some faults given.
            unproven: indices of joints that were repaired and may still be bad.
            to_repair: True if a fault is certain.
            min_bits: least information of a reading. [bit]
        """
        cache, case = self.evaluated.assumption.cache, conditional.case

        def gain_after(reading: Reading) -> float:
            supposed = cache.of(
                replace(case, readings=(*case.readings, reading)),
                conditional.given,
                conditional.best_so_far,
                conditional.earlier,
            )
            supposed.share_marks(conditional)
            evidence = _planning_evidence(supposed)
            return best_score(ranking.forecaster, supposed.posterior, evidence, self.permitted)

        return choose_reading(
            ranking,
            unproven,
            to_repair=to_repair,
            gain_after=None if conditional.responses.is_large else gain_after,
            min_bits=min_bits,
        )


def _planning_evidence(conditional: ConditionalEvidence) -> PlanningEvidence:
    return PlanningEvidence(
        conditional.case.readings, conditional.likelihood, conditional.likelihoods
    )


def series_of_a_sound_unit(situation: Situation) -> NextReading | None:
    """Request the first reading of the series that proves a probably sound unit soonest.

    Its other readings follow while the unit remains probably sound: each finding plans the rest
    again.
    """
    inference, readings = situation.inference, situation.readings
    conditional, posterior = inference.conditional, inference.posterior
    is_odd = inference.is_sure or inference.combinations or inference.unexplained_readings
    if posterior.healthy < MIN_SERIES_PROBABILITY or is_odd or conditional.responses.is_large:
        return None
    if max(situation.suspected.values(), default=0.0) > MAX_SERIES_SUSPECT_PROBABILITY:
        return None
    forecaster = situation.forecasters.of(conditional)
    goal = SeriesGoal(
        conditional.seen_log_ratio,
        conditional.responses.space.soldered,
        posterior,
        load_readings(forecaster, situation.permitted, readings),
        frozenset(situation.unreachable),
    )
    evidence = _planning_evidence(conditional)
    series = plan_series(forecaster, evidence, goal, situation.series_lits)
    if not series:
        return None
    bits = request_bits(forecaster, conditional.posterior, evidence, series[0], inference.pairs)
    if bits < MIN_OPEN_READING_BITS and series[0] not in goal.load:
        return None
    return NextReading(
        *series[0], bits, settled=False, runners_up=series[1:], left=leads_left(series)
    )


DARKENING_FAULTS: tuple[FaultKind, ...] = (
    "data-open", "dead-node", "no-data-out", "reversed", "mapping",
)  # fmt: skip
"""Faults by which nodes with voltage stay dark."""
Rule = Callable[[Situation], NextReading | None]
"""Returns the reading that it requests, or None."""


def next_request(situation: Situation) -> tuple[NextReading, tuple[TieGroup, ...]]:
    """Return the next reading, and the suspects that the evidence cannot separate."""
    if situation.evaluated.unsteady is not None:
        reading = _first_of(UNSTEADY_RULES, situation)
    else:
        reading = _first_of(READING_RULES, situation)
        if reading is not None:
            return _with_usual_volts(situation, reading), situation.inference.alike
        reading = _first_of(LAST_RULES, situation)
    if reading is None:
        return _end(situation), situation.final_alike
    return _with_usual_volts(situation, reading), situation.final_alike


def _with_usual_volts(situation: Situation, reading: NextReading) -> NextReading:
    """Return a request with rail voltages that are usual of any unit as its last ones meanwhile.

    They are those at the feeds and where data enters the strands, with the most light.
    """
    lit, probe, design = situation.most_light, reading.probe, situation.unconditional.design
    if lit is None or probe is None:
        return reading
    places: list[Place] = [*(FeedName(feed.name) for feed in design.feeds), *design.data_path]
    decided = {(reading.lit, probe.points)}
    decided |= {(one.lit, one.probe.points) for one in situation.evidence.readings}
    rails = [rail_probe(place) for place in places]
    usual = [
        (lit, rail)
        for rail in rails
        if (lit, rail.points) not in decided and not rail.points & probe.points
    ]
    return replace(reading, meanwhile=(*reading.meanwhile, *usual[:MAX_RUNNERS_UP]))


def _first_of(rules: Sequence[Rule], situation: Situation) -> NextReading | None:
    for rule in rules:
        if (reading := rule(situation)) is not None:
            return reading
    return None


def _end(situation: Situation) -> NextReading:
    """Return the end of reading."""
    bits = 0.0 if situation.evaluated.unsteady is not None else situation.best.expect_bits
    return NextReading(None, None, bits, settled=situation.is_settled)


def _mandatory(situation: Situation, request: ReadingRequest) -> NextReading:
    """Return a reading that a rule requests regardless of its information."""
    if situation.evaluated.unsteady is not None:
        return NextReading(*request, 0.0, settled=False)
    bits = situation.best.expect_bits
    return replace(required_reading(situation.ranking, request), expect_bits=bits)


def most_informative(situation: Situation) -> NextReading | None:
    """Request the reading of the highest score."""
    return None if situation.best.settled else situation.best


def separate_tied_combination(situation: Situation) -> NextReading | None:
    """Request a reading that separates one fault of the best combination from its ties."""
    inference = situation.inference
    if not inference.tied or inference.is_sure:
        return None
    parts = inference.combinations[0].faults
    for part in parts:
        if situation.suspected[part.where] < MIN_DECIDED_PROBABILITY:
            others = tuple(other for other in parts if other.where != part.where)
            rest = situation.evaluated.lookup(others, forced=True)
            unproven = _unproven(rest, rest.posterior, situation.evidence.case.repaired)
            reading = situation.choose(situation.rank(rest), rest, unproven)
            if not reading.settled:
                return reading
    return None


def volts_under_load(situation: Situation) -> NextReading | None:
    """Request a rail voltage under load if none was read."""
    if situation.inference.is_sure or not situation.readings:
        return None
    forecaster = situation.forecasters.of(situation.inference.conditional)
    due = missing_load_reading(forecaster, situation.permitted, situation.readings)
    return None if due is None else _mandatory(situation, due)


def volts_under_load_of_a_sound_unit(situation: Situation) -> NextReading | None:
    """Request the rail voltage under load of a unit that is probably sound.

    No unit is released without it, and a sound one with it needs few further readings.
    """
    if situation.inference.posterior.healthy < MIN_SOUND_PROBABILITY:
        return None
    return volts_under_load(situation)


def volts_at_a_shorted_feed(situation: Situation) -> NextReading | None:
    """Request the rail voltage at each feed whose rails are probably joined.

    A bad joint of the feed lowers all volts behind it as joined rails do, but not at the feed's
    cable; several bad strand joints do not lower them there either. Supplies of unequal volts cause
    drops like those of joined rails. This reading precedes readings that locate the short.
    """
    shorts: dict[frozenset[str], float] = {}
    unconditional = situation.unconditional
    chain = situation.inference.posterior.chain
    for fault, part in zip(unconditional.space.chain, chain, strict=True):
        if fault.shorted is not None:
            feeds = fault.shorted.feeds
            shorts[feeds] = shorts.get(feeds, 0.0) + float(part)
    lit = situation.most_light
    if lit is None or sum(shorts.values()) <= 0.5:
        return None
    feeds = max(shorts, key=lambda names: round(shorts[names], 9))
    done = {one.probe for one in situation.readings} | set(situation.unreachable)
    for feed in unconditional.design.feeds:
        probe = rail_probe(FeedName(feed.name))
        if feed.name in feeds and not done & {probe, probe.reversed}:
            return _mandatory(situation, (lit, probe))
    return None


def power_before_data(situation: Situation) -> NextReading | None:
    """Request the rail voltage at the data entry of a dark strand before a data fault is repaired.

    It may have no volts either: it takes ten seconds, a repair of the data line a minute, and that
    line has several places that no look separates. Requested on copper on which nothing was ever
    seen lit, and where a fault of power is likely enough.
    """
    unconditional, posterior = situation.unconditional, situation.inference.posterior
    chain = unconditional.space.chain
    shares = list(enumerate(posterior.chain.tolist()))
    of_data = {n: share for n, share in shares if chain[n].kind in DARKENING_FAULTS}
    if sum(of_data.values()) < MIN_DATA_FAULT_PROBABILITY:
        return None
    of_shorts = sum(share for number, share in shares if chain[number].shorted is not None)
    of_power = float(posterior.joints.sum()) + of_shorts
    likeliest = max(of_data, key=lambda number: (round(of_data[number], 9), -number))
    design = unconditional.design
    first = design.node_at(int(unconditional.space.order[chain[likeliest].start])).strand
    probe = rail_probe(next(end for end in design.data_path if end.strand == first))
    read_strands = {
        point.place.strand
        for one in situation.evidence.readings
        for point in one.probe.points
        if not isinstance(point.place, FeedName)
    }
    lit = situation.most_light
    if lit is None or first in read_strands or probe in situation.unreachable:
        return None
    due = replace(_mandatory(situation, (lit, probe)), before_repair=True)
    if of_power >= MIN_OPEN_PROBABILITY:
        return due
    marks = situation.evidence.case.marks
    for strands, _ in connected_supplies(design):
        seen = {m.seen for m in marks if m.strand in strands and m.lit.lights(m.strand)}
        if first in strands and seen == {"dark"} and not read_strands & strands:
            return due
    return None


def most_informative_while_open(situation: Situation) -> NextReading | None:
    """Request the reading of the highest score, at less information, while nothing is decided."""
    if situation.is_decided or situation.best_while_open.settled:
        return None
    return situation.best_while_open


def drop_of_nearest_combination(situation: Situation) -> NextReading | None:
    """Request the drop across a joint of the nearest combination if no explanation fits.

    The drop depends on that joint alone, also with other faults. Both joints of an end are read:
    rail voltages do not separate them.
    """
    lit, joints = situation.most_light, situation.unconditional.space.joints
    if lit is None:
        return None
    places = {part.where[:-1] for part in situation.inference.nearest if part.chain < 0}
    read = [one.probe.points for one in situation.evidence.readings]
    read += [probe.points for probe in situation.unreachable]
    for joint in joints:
        if not joint.is_fuse and joint.name[:-1] in places and joint.probe.points not in read:
            return _mandatory(situation, (lit, joint.probe))
    return None


def repeat_reading(situation: Situation) -> NextReading | None:
    """Request the drop across the likeliest joint, or the unexplained reading, again.

    If neither may be read again, no reading can settle the finding.
    """
    if situation.is_settled:
        return None
    taken = [(reading.lit, reading.probe) for reading in situation.readings]
    requests: list[ReadingRequest] = []
    joint, probability = situation.likeliest_joint
    lit = situation.most_light
    if lit is not None and joint is not None and probability >= MIN_OPEN_PROBABILITY:
        requests.append((lit, joint.probe))
    requests += [taken[place] for place in situation.inference.unexplained_readings[:1]]
    for request in requests:
        if taken.count(request) < MAX_SAME_READINGS - 1:
            return _mandatory(situation, request)
    return None


def drop_before_repair(situation: Situation) -> NextReading | None:
    """Request the drop across the likeliest suspect if it was not read.

    A joint that may be a high healthy one is read with most of its current.

    Rail voltages only infer a joint: three times in four, a joint named wrongly had no reading of
    its own, and that reading takes ten seconds where a repair takes a minute.
    """
    unconditional, posterior = situation.unconditional, situation.inference.posterior
    where = max(situation.suspected, key=lambda name: situation.suspected[name], default="")
    if situation.suspected.get(where, 0.0) <= MIN_DROP_CHECK_PROBABILITY:
        return None
    rows = named_suspects(unconditional.space, posterior)
    _, kind, _, joint = next(row for row in rows if row[0] == where)
    if joint is None:
        return None
    ohms = posterior.ohms(joint).best if kind == "resistive" else None
    readings = situation.evidence.readings
    taken = [reading.lit for reading in readings]
    request = joint_drop_reading(unconditional.responses, situation.permitted, where, ohms, taken)
    if request is None:
        return None
    own = [one.lit for one in readings if one.probe.points == request[1].points]
    if own and ohms is not None and ohms < MAX_LOW_OHM:
        place = [one.name for one in unconditional.responses.space.joints].index(where)
        drops_v = [_drop_v(unconditional.responses, lit, place, ohms) for lit in [request[0], *own]]
        own = own if max(drops_v[1:]) >= MIN_OWN_DROP_SHARE * drops_v[0] else []
    if own or any(probe.points == request[1].points for probe in situation.unreachable):
        return None
    return replace(_mandatory(situation, request), before_repair=True)


def unsteady_drop(situation: Situation) -> NextReading | None:
    """Request the drop across the likeliest unsteady joint until it is named."""
    unsteady = situation.evaluated.unsteady
    joint, probability = situation.likeliest_joint
    if unsteady is None or joint is None or probability >= MIN_DECIDED_PROBABILITY:
        return None
    readings = situation.readings
    if sum(reading.probe == joint.probe for reading in readings) >= MAX_SAME_READINGS:
        return None
    return _mandatory(situation, (readings[unsteady.repeats[-1][1]].lit, joint.probe))


READING_RULES: tuple[Rule, ...] = (
    power_before_data,
    volts_at_a_shorted_feed,
    series_of_a_sound_unit,
    volts_under_load_of_a_sound_unit,
    most_informative,
    separate_tied_combination,
    volts_under_load,
    most_informative_while_open,
)
"""Rules for readings that may change the finding."""
LAST_RULES: tuple[Rule, ...] = (drop_of_nearest_combination, repeat_reading, drop_before_repair)
"""Rules for readings that are not expected to change it."""
UNSTEADY_RULES: tuple[Rule, ...] = (unsteady_drop, drop_before_repair)
"""Rules for evidence in which repeats of one reading differ."""


def likeliest_joint(
    unconditional: ConditionalEvidence, posterior: Posterior
) -> tuple[Joint | None, float]:
    """Return the soldered joint most likely at fault, and its probability."""
    space = unconditional.space
    totals = posterior.joints[: space.soldered].sum(axis=1).round(9)
    if not len(totals):
        return None, 0.0
    place = int(totals.argmax())
    return space.joints[place], float(totals[place])


def _unproven(
    conditional: ConditionalEvidence, posterior: Posterior, repaired: Collection[str]
) -> list[int]:
    """Return the indices of repaired joints that no reading since has proved good.

    Empty while another fault is likely: its repair comes first.
    """
    if posterior.healthy <= 0.5:
        return []
    limits = conditional.cleared.tolist()
    return [
        place
        for place, joint in enumerate(conditional.responses.space.joints)
        if joint.name in repaired and limits[place] > MAX_PROVEN_OHM
    ]
