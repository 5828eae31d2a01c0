"""Supply volts measured at the feeds, where they differ from the design's.

Effects of causes add up linearly around the design. Between unequal supplies flows a current that
the design does not have, and the drop of a joint is that current times its resistance: a product,
which is not linear. With the measured volts as the design's, effects are linear again.
"""

from __future__ import annotations

import numpy as np

from benchtest.circuit.tolerance import cause_names
from benchtest.diagnosis.inference.conditional import ConditionalEvidence
from benchtest.diagnosis.thresholds import MAX_SUPPLY_DEVIATION_SD, MIN_SUPPLY_DEVIATION_SD
from benchtest.prop.design import FeedName, rail_probe

SUPPLY_STEP_V = 0.01
"""Step to which measured supply volts are rounded, so that one more reading seldom changes them.
[V]"""


def measured_supply_volts(conditional: ConditionalEvidence) -> dict[str, float]:
    """Return the volts of each supply whose feed was measured, if one deviates from the design.

    Args:
        conditional: the evidence with no faults given.

    Returns:
        Volts by feed, without feeds whose volts a fault must have changed; empty if the design has
        one feed or no supply deviates. [V]
    """
    likelihood, design = conditional.likelihood, conditional.design
    if likelihood is None or len(design.feeds) < 2:
        return {}
    causes = cause_names(design)
    off_v = likelihood.values - likelihood.healthy_mean()
    found, max_sd = {}, 0.0
    for feed in design.feeds:
        probe = rail_probe(FeedName(feed.name))
        rows = [n for n, reading in enumerate(conditional.case.readings) if reading.probe == probe]
        if not rows:
            continue
        per_sd_v = likelihood.healthy_spread.shared[rows, causes.index(f"supply {feed.name}")]
        off_sd = float(np.median(off_v[rows] / np.maximum(per_sd_v, 1e-9)))
        if abs(off_sd) > MAX_SUPPLY_DEVIATION_SD:
            continue
        volts = feed.volts * (1.0 + likelihood.tolerances.supply * off_sd)
        found[feed.name] = round(round(volts / SUPPLY_STEP_V) * SUPPLY_STEP_V, 6)
        max_sd = max(max_sd, abs(off_sd))
    return found if max_sd >= MIN_SUPPLY_DEVIATION_SD else {}


def supply_log_prior(conditional: ConditionalEvidence, volts: dict[str, float]) -> float:
    """Return the log prior of supplies with these volts, over the design's volts: −Σ z² / 2.

    Args:
        conditional: the evidence with the design's supplies.
        volts: of each measured supply, by feed. [V]
    """
    off_sd = [
        (volts[feed.name] / feed.volts - 1.0) / conditional.tolerances.supply
        for feed in conditional.design.feeds
        if feed.name in volts
    ]
    return -0.5 * float(np.square(off_sd).sum())
