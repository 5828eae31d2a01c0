"""Outlier scores by median absolute deviation."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

MIN_OUTLIER_SCORE = 3.5
"""Score above which a value is an outlier. Source: Iglewicz and Hoaglin, How to Detect and Handle
Outliers (1993), as in the NIST/SEMATECH e-Handbook of Statistical Methods, 1.3.5.17."""
MIN_OUTLIER_VALUES = 4
"""Least number of values in which an outlier can be identified."""


def outlier_scores(values: Sequence[float], min_sd: float) -> list[float]:
    """Return the distance of each value from the median, in robust standard deviations.

    Args:
        values: values of the same quantity, such as one probe of all units of a design.
        min_sd: least standard deviation, that of the measurement itself; without it a difference in
            the last digit would be an outlier among equal values.

    Returns:
        The modified z-score of each, 0.6745 (x - median) / MAD; 0 for fewer values than
        `MIN_OUTLIER_VALUES`.

    Source: Iglewicz and Hoaglin, see `MIN_OUTLIER_SCORE`.

    >>> [round(score, 1) for score in outlier_scores([4.71, 4.70, 4.72, 4.71, 4.40], 0.001)]
    [0.0, -0.7, 0.7, 0.0, -20.9]
    """
    if len(values) < MIN_OUTLIER_VALUES:
        return [0.0] * len(values)
    off = np.asarray(values) - np.median(values)
    sd = max(float(np.median(np.abs(off))) / 0.6745, min_sd)
    return [float(one) / sd for one in off]
