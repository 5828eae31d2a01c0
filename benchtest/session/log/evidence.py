"""The one weighing of a session's evidence: which readings count, and what they show.

The terminal program, the report, comparisons, learning from earlier units and `diagnose --session`
all come here, so that a reading is set aside in all of them or in none.
"""

from __future__ import annotations

import dataclasses
from collections.abc import Collection, Sequence

from benchtest.diagnosis import Before, Engine, Finding, has_outlier
from benchtest.evidence.meter import Meter
from benchtest.evidence.readings import Reading
from benchtest.session.log.reading_list import NumberedReading, is_repeated
from benchtest.session.log.state import State

MAX_SET_ASIDE = 3
"""Readings that are set aside at most: of an evening with more slips nothing can be trusted. Ours.
"""
OUTLIER_SD = 4.0
"""Standard deviations from what all others say of a healthy unit up to which no reading can be a
slip that a finding sets aside: fewer than the engine takes for one, since it knows the unit better.
"""
RETRY_SHARE = 0.4
"""Share of a finding's budget for weighing again without a reading: there may be several. Ours."""
MIN_KEPT_SHARE = 0.6
"""Share of the readings that must stay: with fewer it is unknown which of them are the slips."""


def diagnose_state(engine: Engine, state: State, meter: Meter) -> Finding:
    """Return what the evidence of a session shows.

    A reading that the best explanation leaves far off all others is set aside, and the rest is
    weighed again without it: with two slips in it, evidence is explained by faults that are not
    there. A reading that was taken twice with the same result is no slip, and stays.

    Args:
        engine: of the design, with its supplies as they were measured.
        state: of the session.
        meter: of readings that name none.

    Raises:
        CircuitFault: the design's circuit has no solution.
    """
    readings = state.readings
    aside: list[int] = []
    whole = finding = _diagnose(engine, state, meter, aside)
    while finding.strange is not None:
        kept = [place for place in range(len(readings)) if place not in aside]
        place = kept[finding.strange - 1]
        few = len(readings) - len(aside) - 1 < MIN_KEPT_SHARE * len(readings)
        if few or len(aside) == MAX_SET_ASIDE or is_repeated(readings, place, meter):
            break
        aside.append(place)
        finding = _diagnose(engine, state, meter, aside, RETRY_SHARE)
    if not aside:
        return finding
    fits = []
    if finding.looks_healthy:
        fits = [one for one in aside if _fits(engine, readings, aside, one, meter)]
    if fits:  # set aside under an explanation that was none
        aside = [place for place in aside if place not in fits]
        finding = _diagnose(engine, state, meter, aside, RETRY_SHARE)
    return dataclasses.replace(
        finding,
        readings=whole.readings,
        strange=aside[0] + 1 if aside else finding.strange,
        set_aside=tuple(sorted(place + 1 for place in aside)),
    )


def _fits(
    engine: Engine, readings: Sequence[Reading], aside: Sequence[int], place: int, meter: Meter
) -> bool:
    """Return True where a reading that was set aside agrees with those of a healthy unit."""
    with_it = [one for at, one in enumerate(readings) if at == place or at not in aside]
    return not has_outlier(engine, with_it, meter, OUTLIER_SD)


def _diagnose(
    engine: Engine, state: State, meter: Meter, aside: Collection[int], share: float = 1.0
) -> Finding:
    gone = [state.readings[place] for place in aside]
    repaired = [repair.where for repair in state.repairs]
    before = [_without(then, gone) for then in state.before]
    return engine.diagnose(
        _kept(state.readings, gone),
        state.evidence_marks,
        meter,
        repaired,
        before,
        share=share,
        unreachable=[probe for _, probe in state.unreachable],
        unshorted=[feed for feed, times in state.unshorted.items() for _ in range(times)],
    )


def _without(then: Before, gone: Sequence[Reading]) -> Before:
    """Return evidence of before a repair without readings that are set aside."""
    if not gone:
        return then
    return dataclasses.replace(
        then,
        readings=tuple(_kept(then.readings, gone)),
        kept_readings=tuple(_kept(then.kept_readings, gone)),
    )


def _kept(readings: Sequence[Reading], gone: Sequence[Reading]) -> list[Reading]:
    """Return readings but for those that are gone; equal ones are told apart by their identity."""
    return [one for one in readings if not any(one is other for other in gone)]


def weighed_readings(state: State, finding: Finding) -> tuple[Reading, ...]:
    """Return the readings that a finding of this state stands on: those that it set aside left out.

    Args:
        state: of the session.
        finding: from `diagnose_state` of that state.
    """
    gone = {place - 1 for place in finding.set_aside}
    return tuple(one for place, one in enumerate(state.readings) if place not in gone)


def standing_readings(engine: Engine, state: State, meter: Meter) -> tuple[Reading, ...]:
    """Return the readings that a finding of this state would stand on.

    Evidence that a healthy unit explains needs no diagnosis to be called free of slips.

    Args:
        engine: of the design, with its supplies as they were measured.
        state: of the session.
        meter: of readings that name none.

    Raises:
        CircuitFault: the design's circuit has no solution.
    """
    readings = state.readings
    if not has_outlier(engine, readings, meter, OUTLIER_SD):
        return readings
    return weighed_readings(state, diagnose_state(engine, state, meter))


def odd_readings(state: State, finding: Finding) -> list[NumberedReading]:
    """Return the readings that a finding leaves unexplained, with their numbers.

    Args:
        state: of the session.
        finding: of that state.
    """
    places = set(finding.set_aside)
    if finding.strange is not None:
        places.add(finding.strange)
    counted = [one for one in state.taken if one.counts]
    return [one for place, one in enumerate(counted, 1) if place in places]
