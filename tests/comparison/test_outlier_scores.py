"""Outlier scores."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.stats import median_abs_deviation

from benchtest.comparison.batch_report import MIN_OUTLIER_SCORE, MIN_OUTLIER_VALUES, outlier_scores

VOLTS = st.floats(-60.0, 60.0)


@given(st.lists(VOLTS, min_size=MIN_OUTLIER_VALUES, max_size=12))
def test_scores_are_offsets_over_the_scaled_median_absolute_deviation(values: list[float]) -> None:
    """SciPy's own, scaled to a normal spread (the modified z-score of Iglewicz and Hoaglin)."""
    scale = max(float(median_abs_deviation(values, scale="normal")), 1e-3)
    middle = sorted(values)
    count = len(values)
    median = (middle[(count - 1) // 2] + middle[count // 2]) / 2
    expected = [(value - median) / scale for value in values]
    assert outlier_scores(values, 1e-3) == pytest.approx(expected, rel=1e-3, abs=1e-6)


def test_one_outlier_among_seven_units_is_found_at_any_spread_of_the_others() -> None:
    scores = outlier_scores([4.70, 4.71, 4.69, 4.70, 4.72, 4.71, 4.31], 0.001)
    assert [abs(score) > MIN_OUTLIER_SCORE for score in scores] == [False] * 6 + [True]


def test_units_equal_to_the_last_digit_have_no_outlier() -> None:
    scores = outlier_scores([4.700, 4.700, 4.700, 4.700, 4.701], min_sd=0.001)
    assert max(map(abs, scores)) < MIN_OUTLIER_SCORE


def test_too_few_units_have_no_outlier() -> None:
    assert outlier_scores([4.7, 4.7, 1.0], 0.001) == [0.0, 0.0, 0.0]
