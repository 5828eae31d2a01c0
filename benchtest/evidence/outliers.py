"""Which of several like things is unlike the others."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

MIN_OUTLIER_SCORE = 3.5
"""Score past which a value is an outlier. Source: Iglewicz and Hoaglin, How to Detect and Handle
Outliers (1993), as in the NIST/SEMATECH e-Handbook of Statistical Methods, 1.3.5.17."""
MIN_OUTLIER_VALUES = 4
"""Values that it takes to tell which one is unlike the others."""


def outlier_scores(values: Sequence[float], least_sd: float) -> list[float]:
    """How far each value is from the median, in standard deviations that outliers do not widen.

    Args:
        values: like things, such as one probe of all units of a design.
        least_sd: standard deviation that reading them has anyhow; the spread is never taken for
            less, or units that agree to the last digit would make the next digit an outlier.

    Returns:
        The modified z-score of each, by the median absolute deviation; 0 for fewer values than
        `MIN_OUTLIER_VALUES`.

    >>> [round(score, 1) for score in outlier_scores([4.71, 4.70, 4.72, 4.71, 4.40], 0.001)]
    [0.0, -0.7, 0.7, 0.0, -20.9]
    """
    if len(values) < MIN_OUTLIER_VALUES:
        return [0.0] * len(values)
    off = np.asarray(values) - np.median(values)
    sd = max(float(np.median(np.abs(off))) / 0.6745, least_sd)
    return [float(one) / sd for one in off]
