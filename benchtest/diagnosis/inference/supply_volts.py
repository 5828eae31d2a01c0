"""Supplies that are off their design's volts, as rail volts at the feeds show.

Effects of causes are added as straight lines about the design. Between unequal supplies current
flows that the design does not have, and what a joint drops is that current times its resistance: a
product. Once the volts of the supplies are known, it is a straight line again.
"""

from __future__ import annotations

import numpy as np

from benchtest.circuit.tolerance import cause_names
from benchtest.diagnosis.inference.conditional import ConditionalEvidence
from benchtest.prop.design import FeedName, rail_probe

MIN_SUPPLY_SD = 2.0
"""Standard deviations of a supply's tolerance from which it counts as off. Ours: below, sums of
straight lines hold."""
STEP_V = 0.01
"""Volts of a supply are taken in such steps, so that a further reading seldom changes them. [V]"""


def supplies_as_read(view: ConditionalEvidence) -> dict[str, float]:
    """Return the volts of each supply whose feed was read, where one of them is off.

    Args:
        view: the evidence with nothing given.

    Returns:
        Volts by feed; empty where the design has one feed, or none is off. [V]
    """
    likelihood, design = view.likelihood, view.design
    if likelihood is None or len(design.feeds) < 2:
        return {}
    causes = cause_names(design)
    off_v = likelihood.values - likelihood.healthy_mean()
    found, most_sd = {}, 0.0
    for feed in design.feeds:
        probe = rail_probe(FeedName(feed.name))
        mine = [n for n, reading in enumerate(view.case.readings) if reading.probe == probe]
        if not mine:
            continue
        per_sd_v = likelihood.healthy_spread.shared[mine, causes.index(f"supply {feed.name}")]
        off_sd = float(np.median(off_v[mine] / np.maximum(per_sd_v, 1e-9)))
        volts = feed.volts * (1.0 + likelihood.tolerances.supply * off_sd)
        found[feed.name] = round(round(volts / STEP_V) * STEP_V, 6)
        most_sd = max(most_sd, abs(off_sd))
    return found if most_sd >= MIN_SUPPLY_SD else {}


def supplies_log(view: ConditionalEvidence, volts: dict[str, float]) -> float:
    """Return the logarithm of how likely supplies are so far off, over none being off.

    Args:
        view: the evidence with the design's supplies.
        volts: of each supply that is known, by feed. [V]
    """
    off_sd = [
        (volts[feed.name] / feed.volts - 1.0) / view.tolerances.supply
        for feed in view.design.feeds
        if feed.name in volts
    ]
    return -0.5 * float(np.square(off_sd).sum())
