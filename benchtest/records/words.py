"""Figures as people read them on paper."""

from __future__ import annotations

from collections.abc import Mapping

from benchtest.formatting import count_noun


def format_percent(share: float) -> str:
    """A probability: never certain, never impossible.

    >>> percent(0.934), percent(0.9991), percent(0.0004)
    ('93 %', 'over 99 %', 'under 1 %')
    """
    if share > 0.995:
        return "over 99 %"
    return "under 1 %" if share < 0.005 else f"{share * 100:.0f} %"


def format_ohms(ohm: float) -> str:
    """A resistance with two digits.

    >>> shown_ohms(0.0335), shown_ohms(2.04)
    ('34 mΩ', '2 Ω')
    """
    if ohm < 0.995:
        return f"{float(f'{ohm * 1e3:.2g}'):g} mΩ"
    return f"{float(f'{ohm:.2g}'):g} Ω"


def format_value(value: float, unit: str) -> str:
    """A value with as many digits as a bench meter shows: millivolts below 0.6 V.

    >>> shown_value(-0.0004, "V"), shown_value(4.5, "V"), shown_value(-0.00001, "V")
    ('-0.4 mV', '4.500 V', '0.0 mV')
    """
    if unit == "V" and abs(value) < 0.6:
        return f"{round(value * 1e3, 1) + 0.0:.1f} mV"
    return f"{value:.3f} {unit}"


def format_sd(z: float) -> str:
    """Standard deviations with their sign; a nought has none that counts.

    >>> off_sd(-27.21), off_sd(-0.04)
    ('-27.2', '+0.0')
    """
    return f"{round(z, 1) + 0.0:+.1f}"


def list_counts(states: Mapping[str, int], things: Mapping[str, int]) -> str:
    """Counts as words, those of nothing left out.

    >>> sums({"passed": 12, "failed": 0}, {"reading": 1, "repair": 2})
    '12 passed, 1 reading, 2 repairs'
    """
    words = [f"{count} {what}" for what, count in states.items() if count]
    words += [count_noun(count, what) for what, count in things.items() if count]
    return ", ".join(words)
