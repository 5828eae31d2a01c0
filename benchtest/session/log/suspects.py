"""Suspects of a finding by their place, likeliest first."""

from __future__ import annotations

from benchtest.diagnosis import Finding
from benchtest.session.log.events import Concluded

INNOCENT = 0.05
"""Probability below which a suspect does not keep a unit indoors."""


def suspected(finding: Finding | Concluded) -> list[tuple[str, float]]:
    """Joints and nodes with the probability that anything is wrong there, likeliest first."""
    if isinstance(finding, Concluded):
        rows = [(str(row["where"]), float(row["probability"])) for row in finding.suspects]
    else:
        rows = [(suspect.where, suspect.probability) for suspect in finding.suspects]
    total: dict[str, float] = {}
    for where, probability in rows:
        total[where] = total.get(where, 0.0) + probability
    return sorted(total.items(), key=lambda row: -row[1])
