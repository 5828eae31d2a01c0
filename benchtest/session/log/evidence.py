"""Diagnosis of a session's evidence, without the readings that disagree with all others.

The terminal program, the report, comparisons, learning from earlier units and `diagnose --session`
all use it, so that all of them reject the same readings.
"""

from __future__ import annotations

import dataclasses
from collections.abc import Collection, Sequence

from benchtest.diagnosis import Engine, Finding, PreRepairEvidence, has_outlier
from benchtest.evidence.meter import Meter
from benchtest.evidence.readings import Reading
from benchtest.session.log.events import Concluded, VerdictGiven
from benchtest.session.log.reading_list import NumberedReading, is_repeated
from benchtest.session.log.state import LoggedEvent, State, apply_event

MAX_REJECTED = 3
"""Limit of rejected readings; a session with more typing errors cannot be trusted. Ours."""
MIN_OUTLIER_SD = 4.0
"""Standard deviations from the other readings of a healthy unit up to which no reading is rejected:
fewer than the engine uses, since it estimates the unit better."""
RETRY_SHARE = 0.4
"""Share of a finding's budget for each repetition without a reading. Ours."""
MIN_KEPT_SHARE = 0.6
"""Share of the readings that must stay; with fewer, it is unknown which of them are wrong."""


def diagnose_state(engine: Engine, state: State, meter: Meter) -> Finding:
    """Return the finding of a session.

    A reading that the best explanation leaves far from all others is rejected, and the diagnosis is
    repeated without it: with two typing errors among the readings, it would find faults that are
    not there. A reading that was taken twice with the same result is kept.

    Args:
        engine: engine of the design, with its supplies as they were measured.
        state: state of the session.
        meter: meter of readings that name none.

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
        if few or len(aside) == MAX_REJECTED or is_repeated(readings, place, meter):
            break
        aside.append(place)
        finding = _diagnose(engine, state, meter, aside, RETRY_SHARE)
    if not aside:
        return finding
    fits = []
    if finding.looks_healthy:
        fits = [one for one in aside if _fits(engine, readings, aside, one, meter)]
    if fits:  # rejected under an explanation that turned out to be wrong
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
    """Return True if a rejected reading agrees with those of a healthy unit."""
    with_it = [one for at, one in enumerate(readings) if at == place or at not in aside]
    return not has_outlier(engine, with_it, meter, MIN_OUTLIER_SD)


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
        controller_look=_controller_look(state),
    )


def evidence_key(state: State) -> tuple[object, ...]:
    """Return the part of a state that determines its finding, for comparison."""
    return (
        state.readings,
        tuple(state.evidence_marks),
        tuple(repair.where for repair in state.repairs),
        state.before,
        state.unreachable,
        tuple(state.unshorted.items()),
        _controller_look(state),
    )


def with_looks_passed(state: State, level: float) -> State:
    """Return the state after every strand that is still to be looked at passed its look.

    Args:
        state: state of the session.
        level: level of the light at these looks, 0 to 1.
    """
    for number in state.untested:
        state = apply_event(state, LoggedEvent(0, "", VerdictGiven(number, True, level)))
    return state


def _controller_look(state: State) -> tuple[str, ...] | None:
    """Return the settings that the look at the controller speaks for; None without such a look.

    None too where nodes are only dark, which a break in the data line shows as well: marks hold it.
    """
    seen = state.controller
    if seen is None or (not seen.agrees and not seen.settings) or state.controller_marks:
        return None
    return tuple(seen.settings)


def _without(then: PreRepairEvidence, gone: Sequence[Reading]) -> PreRepairEvidence:
    """Return the evidence before a repair without rejected readings."""
    if not gone:
        return then
    return dataclasses.replace(
        then,
        readings=tuple(_kept(then.readings, gone)),
        kept_readings=tuple(_kept(then.kept_readings, gone)),
    )


def _kept(readings: Sequence[Reading], gone: Sequence[Reading]) -> list[Reading]:
    """Return readings without some others; equal ones are distinguished by identity."""
    return [one for one in readings if not any(one is other for other in gone)]


def accepted_readings(state: State, finding: Finding) -> tuple[Reading, ...]:
    """Return the readings that a finding is based on, without those that it rejected.

    Args:
        state: state of the session.
        finding: result of `diagnose_state` for that state.
    """
    gone = {place - 1 for place in finding.set_aside}
    return tuple(one for place, one in enumerate(state.readings) if place not in gone)


def find_accepted_readings(engine: Engine, state: State, meter: Meter) -> tuple[Reading, ...]:
    """Return the readings that a finding of this state would be based on.

    Evidence that a healthy unit explains is accepted without a diagnosis.

    Args:
        engine: engine of the design, with its supplies as they were measured.
        state: state of the session.
        meter: meter of readings that name none.

    Raises:
        CircuitFault: the design's circuit has no solution.
    """
    readings = state.readings
    if not has_outlier(engine, readings, meter, MIN_OUTLIER_SD):
        return readings
    return accepted_readings(state, diagnose_state(engine, state, meter))


def odd_readings(state: State, finding: Finding) -> list[NumberedReading]:
    """Return the readings that a finding leaves unexplained, with their numbers.

    Args:
        state: state of the session.
        finding: finding of that state.
    """
    places = set(finding.set_aside)
    if finding.strange is not None:
        places.add(finding.strange)
    counted = [one for one in state.taken if one.counts]
    return [one for place, one in enumerate(counted, 1) if place in places]


MIN_SUSPECT_PROBABILITY = 0.05
"""Probability from which a suspect keeps a unit indoors."""


def suspected(finding: Finding | Concluded) -> list[tuple[str, float]]:
    """Return joints and nodes with the probability of any fault there, the likeliest first."""
    if isinstance(finding, Concluded):
        rows = [(str(row["where"]), float(row["probability"])) for row in finding.suspects]
    else:
        rows = [(suspect.where, suspect.probability) for suspect in finding.suspects]
    total: dict[str, float] = {}
    for where, probability in rows:
        total[where] = total.get(where, 0.0) + probability
    return sorted(total.items(), key=lambda row: -row[1])
