"""Suspects of a finding by place, the likeliest first."""

from __future__ import annotations

from benchtest.diagnosis import Finding
from benchtest.session.log.events import Concluded

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
