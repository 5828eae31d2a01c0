"""Early sign-off: evidence that is enough although further readings could still be taken."""

from __future__ import annotations

from benchtest.diagnosis import Finding
from benchtest.formatting import format_ohms
from benchtest.session.log.events import Concluded
from benchtest.session.log.state import State

MIN_ENOUGH_PROBABILITY = 0.95
"""Probability of a sound unit from which a sign-off is offered. A unit is sound with about this
probability once no suspect is left that `MIN_SUSPECT_PROBABILITY` keeps indoors."""
MIN_LOADED_SHARE = 0.5
"""Share of the strands that are lit white where a reading between the rails counts as loaded."""


def is_enough(state: State, finding: Finding | Concluded) -> bool:
    """Return True if a sign-off may replace further readings.

    The unit is likely sound, the evidence excludes large resistances at every joint, and the volts
    between the rails were read under load.
    """
    if isinstance(finding, Finding) and not (finding.explained and finding.strange is None):
        return False
    return (
        finding.healthy >= MIN_ENOUGH_PROBABILITY
        and finding.cleared_ohm is not None
        and _is_read_under_load(state)
    )


def enough_text(finding: Finding) -> str:
    """Return what the record will show of a unit that is signed off now.

    >>> enough_text(Finding(0.974, (), (), None, (), 0.2124))
    'no joint above 210 mΩ, 97 %'
    """
    assert finding.cleared_ohm is not None
    percent = min(99, int(100 * finding.healthy))
    return f"no joint above {format_ohms(finding.cleared_ohm)}, {percent} %"


def _is_read_under_load(state: State) -> bool:
    least = MIN_LOADED_SHARE * len(state.design.strands)
    return any(
        reading.probe.is_rail
        and len(reading.lit.strands) >= least
        and (reading.lit.colour, reading.lit.level) == ("white", 1.0)
        for reading in state.readings
    )
