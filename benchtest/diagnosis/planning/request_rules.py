"""Rules that choose the next reading, in order: the first rule that has one decides.

A rule returns None where it has nothing to ask. Where no rule has, reading ends; whether the
finding is settled then is `Situation.is_settled`.
"""

from __future__ import annotations

from collections.abc import Callable, Collection, Sequence
from dataclasses import dataclass, replace
from functools import cached_property

from benchtest.circuit.feed_limits import PermittedLitSets
from benchtest.diagnosis.finding import NextReading
from benchtest.diagnosis.inference.conditional import ConditionalEvidence
from benchtest.diagnosis.inference.masked_pairs import MaskedPairs
from benchtest.diagnosis.inference.posterior import Posterior, named_suspects
from benchtest.diagnosis.model.wiring_faults import supplied
from benchtest.diagnosis.planning.candidates import permitted_sets
from benchtest.diagnosis.planning.decision import (
    MIN_DECIDED_PROBABILITY,
    MIN_OPEN_PROBABILITY,
    TieGroup,
    is_decided,
    merge_ties,
    missing_load_reading,
    probability_by_place,
    undecided_suspects,
)
from benchtest.diagnosis.planning.joint_drop import joint_drop_reading
from benchtest.diagnosis.planning.next_reading import (
    MAX_SAME_READINGS,
    MIN_READING_BITS,
    PlanningEvidence,
    Ranking,
    ReadingRequest,
    best_score,
    choose_reading,
    rank_readings,
)
from benchtest.diagnosis.stages import EvaluatedEvidence, GatheredEvidence, Inference
from benchtest.evidence.readings import Reading
from benchtest.prop.design import FeedName, Probe, rail_probe
from benchtest.prop.joints import Joint
from benchtest.prop.lit_set import LitSet, all_lit

MAX_PROVEN_OHM = 0.1
"""A remade joint is shown to be good once the readings speak against more than this. [Ω]"""
MIN_REPAIR_PROBABILITY = 0.99
"""Probability from which a suspect is repaired rather than read about once more."""
MIN_OPEN_READING_BITS = 4e-3
"""Information below which a reading is not asked for, while nothing is decided."""
MIN_DATA_FAULT_PROBABILITY = 0.5
"""Probability from which a fault of the data line is repaired before other evidence is had."""
MIN_DROP_CHECK_PROBABILITY = 0.05
"""Probability from which a joint is not left, nor repaired, without a reading of its own."""


@dataclass(frozen=True)
class Situation:
    """Everything that rules choose by.

    Attributes:
        evidence: what was read and seen.
        given: that evidence, conditional on faults.
        inference: probabilities.
        permitted: returns whether fuses and supplies carry a lit set.
        unreachable: probes that leads cannot reach.
    """

    evidence: GatheredEvidence
    given: EvaluatedEvidence
    inference: Inference
    permitted: PermittedLitSets
    unreachable: Collection[Probe]

    @property
    def readings(self) -> Sequence[Reading]:
        """Readings that are weighed."""
        return self.evidence.case.readings

    @cached_property
    def suspected(self) -> dict[str, float]:
        """Probability of each place at fault."""
        return probability_by_place(named_suspects(self.given.plain.space, self.inference.found))

    @cached_property
    def is_decided(self) -> bool:
        """Whether unit or faults are known well enough, ties counted."""
        inference = self.inference
        return inference.is_sure or is_decided(
            inference.found.healthy, self.suspected, inference.alike
        )

    @cached_property
    def final_alike(self) -> tuple[TieGroup, ...]:
        """Ties, and the suspects among which reading leaves it open."""
        if self.given.unsteady is not None:
            return ()
        alike, healthy = self.inference.alike, self.inference.found.healthy
        return merge_ties(alike, [undecided_suspects(healthy, self.suspected, alike)])

    @cached_property
    def is_settled(self) -> bool:
        """Whether the finding is decided and explained once no rule has a reading to ask for."""
        if self.given.unsteady is not None:
            return self.likeliest_joint[1] >= MIN_DECIDED_PROBABILITY
        inference = self.inference
        healthy = inference.found.healthy
        decided = inference.is_sure or is_decided(healthy, self.suspected, self.final_alike)
        confirmed = inference.is_sure and self._is_read_itself
        return decided and (inference.is_explained or confirmed)

    @property
    def _is_read_itself(self) -> bool:
        """Whether the drop across the likeliest joint was read: it is repaired first."""
        joint, probability = self.likeliest_joint
        if joint is None or probability < MIN_REPAIR_PROBABILITY:
            return False
        return any(one.probe.points == joint.probe.points for one in self.readings)

    @cached_property
    def likeliest_joint(self) -> tuple[Joint | None, float]:
        """The soldered joint that is likeliest at fault, and its probability."""
        return likeliest_joint(self.given.plain, self.inference.found)

    @cached_property
    def most_light(self) -> LitSet | None:
        """All strands, or the first part of them that feeds carry; None where none is."""
        lits = permitted_sets([all_lit(self.given.plain.design)], self.permitted)
        return lits[0] if lits else None

    @cached_property
    def ranking(self) -> Ranking:
        """Candidates for the next reading, with the sure faults given."""
        return self.rank(self.inference.conditional, self.inference.pairs)

    @cached_property
    def best(self) -> NextReading:
        """The reading that is worth most, as `choose_reading` has it."""
        return self._planned(MIN_READING_BITS, to_repair=self.inference.is_sure)

    @cached_property
    def best_while_open(self) -> NextReading:
        """The same where nothing is decided: then less is worth reading."""
        return self._planned(MIN_OPEN_READING_BITS, to_repair=False)

    def _planned(self, min_bits: float, *, to_repair: bool) -> NextReading:
        conditional, case = self.inference.conditional, self.evidence.case
        unproven = _unproven(conditional, self.inference.found, case.repaired)
        return self.choose(
            self.ranking, conditional, unproven, to_repair=to_repair, min_bits=min_bits
        )

    def rank(self, conditional: ConditionalEvidence, pairs: MaskedPairs | None = None) -> Ranking:
        """Return the candidates for the next reading on a footing."""
        return rank_readings(
            self.given.assumption.forecaster(conditional),
            conditional.posterior,
            PlanningEvidence(
                conditional.case.readings, conditional.likelihood, conditional.likelihoods
            ),
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
        """Return the reading that is worth most on a footing; see `choose_reading`.

        Args:
            ranking: the candidates.
            conditional: evidence with some faults given.
            unproven: places of joints that were remade and may still be bad.
            to_repair: whether something is sure to be bad.
            min_bits: information from which a reading is worth taking.
        """
        assumption, case = self.given.assumption, conditional.case

        def then(reading: Reading) -> float:
            supposed = replace(case, readings=(*case.readings, reading))
            view = assumption.views.of(
                supposed, conditional.given, conditional.best_so_far, conditional.earlier
            )
            evidence = PlanningEvidence(supposed.readings, view.likelihood, view.likelihoods)
            return best_score(ranking.forecaster, view.posterior, evidence, self.permitted)

        return choose_reading(
            ranking,
            unproven,
            to_repair=to_repair,
            then=None if conditional.responses.is_large else then,
            min_bits=min_bits,
        )


Rule = Callable[[Situation], NextReading | None]


def next_request(situation: Situation) -> tuple[NextReading, tuple[TieGroup, ...]]:
    """Return the next reading, and the suspects that the evidence cannot separate."""
    if situation.given.unsteady is not None:
        ask = _first_of(UNSTEADY_RULES, situation)
        return ask or _nothing(situation), situation.final_alike
    ask = _first_of(READING_RULES, situation)
    if ask is not None:
        return ask, situation.inference.alike
    return _first_of(LAST_RULES, situation) or _nothing(situation), situation.final_alike


def _first_of(rules: Sequence[Rule], situation: Situation) -> NextReading | None:
    for rule in rules:
        if (ask := rule(situation)) is not None:
            return ask
    return None


def _nothing(situation: Situation) -> NextReading:
    """Return the end of reading."""
    bits = 0.0 if situation.given.unsteady is not None else situation.best.expect_bits
    return NextReading(None, None, bits, settled=situation.is_settled)


def _asked(situation: Situation, ask: ReadingRequest) -> NextReading:
    """Return a reading that is asked for by a rule, whatever its information."""
    bits = 0.0 if situation.given.unsteady is not None else situation.best.expect_bits
    return NextReading(*ask, bits, settled=False)


def most_informative(situation: Situation) -> NextReading | None:
    """Return the reading that is worth most."""
    return None if situation.best.settled else situation.best


def separate_tied_combination(situation: Situation) -> NextReading | None:
    """Return a reading that separates one of several faults from those that tie with it."""
    inference = situation.inference
    if not inference.tied or inference.is_sure:
        return None
    parts = inference.several[0].faults
    for part in parts:
        if situation.suspected[part.where] < MIN_DECIDED_PROBABILITY:
            others = tuple(other for other in parts if other.where != part.where)
            rest = situation.given.look(others, forced=True)
            unproven = _unproven(rest, rest.posterior, situation.evidence.case.repaired)
            other = situation.choose(situation.rank(rest), rest, unproven)
            if not other.settled:
                return other
    return None


def volts_under_load(situation: Situation) -> NextReading | None:
    """Return the rail volts under load where none were read."""
    if situation.inference.is_sure or not situation.readings:
        return None
    forecaster = situation.given.assumption.forecaster(situation.inference.conditional)
    due = missing_load_reading(forecaster, situation.permitted, situation.readings)
    return None if due is None else _asked(situation, due)


def volts_at_a_shorted_feed(situation: Situation) -> NextReading | None:
    """Return the rail volts on the side of a feed where joined rails are likely: of each feed.

    A bad joint of the feed takes as many volts from everything behind it as joined rails do, but
    none from its own cable; several bad joints of strands take none from there either. Supplies of
    unequal volts send as much current through drops as joined rails. So this comes before readings
    that tell one place of joined rails from another.
    """
    shorts: dict[frozenset[str], float] = {}
    found, plain = situation.inference.found, situation.given.plain
    for fault, part in zip(plain.space.chain, found.chain, strict=True):
        if fault.shorted is not None:
            feeds = fault.shorted.feeds
            shorts[feeds] = shorts.get(feeds, 0.0) + float(part)
    lit = situation.most_light
    if lit is None or sum(shorts.values()) <= 0.5:
        return None
    feeds = max(shorts, key=lambda names: round(shorts[names], 9))
    done = {one.probe for one in situation.readings} | set(situation.unreachable)
    for feed in plain.design.feeds:
        probe = rail_probe(FeedName(feed.name))
        if feed.name in feeds and not done & {probe, probe.reversed}:
            return _asked(situation, (lit, probe))
    return None


def power_before_data(situation: Situation) -> NextReading | None:
    """Return the rail volts where data enter dark copper, before a fault of the data is repaired.

    Where nothing on a piece of copper was ever seen lit, it may be without volts as well.
    """
    plain, found = situation.given.plain, situation.inference.found
    rows = [
        row for row in named_suspects(plain.space, found) if row[2] >= MIN_DATA_FAULT_PROBABILITY
    ]
    data_faults = [fault for fault in plain.space.chain if rows and fault.where == rows[0][0]]
    if not data_faults or rows[0][3] is not None or data_faults[0].shorted or data_faults[0].remap:
        return None
    design = plain.design
    first = design.node_at(int(plain.space.order[data_faults[0].start])).strand
    entry = next(end for end in design.data_path if end.strand == first)
    marks = situation.evidence.case.marks
    for strands, _ in supplied(design):
        seen = [m.seen for m in marks if m.strand in strands and m.lit.lights(m.strand)]
        if first not in strands or set(seen) != {"dark"}:
            continue
        touched = {
            point.place.strand
            for one in situation.evidence.readings
            for point in one.probe.points
            if not isinstance(point.place, FeedName)
        }
        lit, probe = situation.most_light, rail_probe(entry)
        if lit is None or touched & strands or probe in situation.unreachable:
            return None
        return replace(_asked(situation, (lit, probe)), before_repair=True)
    return None


def most_informative_while_open(situation: Situation) -> NextReading | None:
    """Return the reading that is worth most, however little, while nothing is decided."""
    if situation.is_decided or situation.best_while_open.settled:
        return None
    return situation.best_while_open


def drop_of_nearest_combination(situation: Situation) -> NextReading | None:
    """Return the drop across a joint of the combination that comes nearest, where nothing fits.

    It shows the joint itself, whatever else is wrong. Both joints of an end are read: volts
    between the rails do not separate them.
    """
    lit, joints = situation.most_light, situation.given.plain.space.joints
    if lit is None:
        return None
    places = {part.where[:-1] for part in situation.inference.nearest if part.chain < 0}
    read = [one.probe.points for one in situation.evidence.readings]
    read += [probe.points for probe in situation.unreachable]
    for joint in joints:
        if not joint.is_fuse and joint.name[:-1] in places and joint.probe.points not in read:
            return _asked(situation, (lit, joint.probe))
    return None


def repeat_reading(situation: Situation) -> NextReading | None:
    """Return the drop across the likeliest joint, or the reading that disagrees, once more.

    Where neither is left to be read, no reading decides what is left open.
    """
    if situation.is_settled:
        return None
    taken = [(reading.lit, reading.probe) for reading in situation.readings]
    asks: list[ReadingRequest] = []
    joint, probability = situation.likeliest_joint
    lit = situation.most_light
    if lit is not None and joint is not None and probability >= MIN_OPEN_PROBABILITY:
        asks.append((lit, joint.probe))
    asks += [taken[place] for place in situation.inference.off[:1]]
    for one in asks:
        if taken.count(one) < MAX_SAME_READINGS - 1:
            return _asked(situation, one)
    return None


def drop_before_repair(situation: Situation) -> NextReading | None:
    """Return the drop across the likeliest suspect, where that was not read itself.

    Rail volts only infer a joint; three times in four a joint that was named wrongly had never been
    read itself, and that reading takes ten seconds where the iron takes a minute.
    """
    plain, found = situation.given.plain, situation.inference.found
    where = max(situation.suspected, key=lambda name: situation.suspected[name], default="")
    if situation.suspected.get(where, 0.0) <= MIN_DROP_CHECK_PROBABILITY:
        return None
    rows = named_suspects(plain.space, found)
    _, kind, _, joint = next(row for row in rows if row[0] == where)
    if joint is None:
        return None
    ohms = found.ohms(joint).best if kind == "resistive" else None
    readings = situation.evidence.readings
    taken = [reading.lit for reading in readings]
    ask = joint_drop_reading(plain.responses, situation.permitted, where, ohms, taken)
    if ask is None:
        return None
    read = any(one.probe.points == ask[1].points for one in readings)
    if read or any(probe.points == ask[1].points for probe in situation.unreachable):
        return None
    return replace(_asked(situation, ask), before_repair=True)


def unsteady_drop(situation: Situation) -> NextReading | None:
    """Return the drop across the joint that changes most likely, until it is named."""
    unsteady = situation.given.unsteady
    joint, probability = situation.likeliest_joint
    if unsteady is None or joint is None or probability >= MIN_DECIDED_PROBABILITY:
        return None
    readings = situation.readings
    if sum(reading.probe == joint.probe for reading in readings) >= MAX_SAME_READINGS:
        return None
    return _asked(situation, (readings[unsteady.repeats[-1][1]].lit, joint.probe))


READING_RULES: tuple[Rule, ...] = (
    power_before_data,
    volts_at_a_shorted_feed,
    most_informative,
    separate_tied_combination,
    volts_under_load,
    most_informative_while_open,
)
"""Readings that may still change the finding."""
LAST_RULES: tuple[Rule, ...] = (drop_of_nearest_combination, repeat_reading, drop_before_repair)
"""Readings where nothing is expected to change it."""
UNSTEADY_RULES: tuple[Rule, ...] = (unsteady_drop, drop_before_repair)
"""Readings where repeats of one disagree."""


def likeliest_joint(plain: ConditionalEvidence, found: Posterior) -> tuple[Joint | None, float]:
    """Return the soldered joint that is likeliest at fault, and its probability."""
    space = plain.space
    totals = found.joints[: space.soldered].sum(axis=1).round(9)
    if not len(totals):
        return None, 0.0
    place = int(totals.argmax())
    return space.joints[place], float(totals[place])


def _unproven(
    conditional: ConditionalEvidence, found: Posterior, repaired: Collection[str]
) -> list[int]:
    """Return places of joints that were remade and may still be bad for all that was read since.

    None while something else is likely wrong: that is repaired first.
    """
    if found.healthy <= 0.5:
        return []
    limits = conditional.cleared.tolist()
    return [
        place
        for place, joint in enumerate(conditional.responses.space.joints)
        if joint.name in repaired and limits[place] > MAX_PROVEN_OHM
    ]
