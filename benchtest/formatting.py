"""Numbers, quantities and times as text, and numbers from typed text."""

from __future__ import annotations

import re
from collections.abc import Mapping, Sequence
from datetime import UTC, datetime


def count_noun(number: int, noun: str) -> str:
    """Return a number with its noun, in the plural where there is not exactly one.

    >>> count_noun(1, "reading"), count_noun(0, "needless repair")
    ('1 reading', '0 needless repairs')
    """
    return f"{number} {noun}{'' if number == 1 else 's'}"


def list_counts(states: Mapping[str, int], things: Mapping[str, int]) -> str:
    """Return counts separated by commas, without those that are 0.

    Args:
        states: counts of participles, which have no plural.
        things: counts of nouns.

    >>> list_counts({"passed": 12, "failed": 0}, {"reading": 1, "repair": 2})
    '12 passed, 1 reading, 2 repairs'
    """
    counts = [f"{count} {state}" for state, count in states.items() if count]
    counts += [count_noun(count, noun) for noun, count in things.items() if count]
    return ", ".join(counts)


def name_strands(numbers: Sequence[int], most: int = 4) -> str:
    """Return strands by their numbers; of more than `most`, the first and how many more.

    >>> name_strands([7]), name_strands([4, 7]), name_strands([1, 2, 3, 4, 5, 6])
    ('strand 7', 'strands 4, 7', 'strands 1, 2, 3, 4 and 2 more')
    """
    listed = ", ".join(map(str, numbers[:most]))
    more = f" and {len(numbers) - most} more" if len(numbers) > most else ""
    return f"strand{'' if len(numbers) == 1 else 's'} {listed}{more}"


def float_from_text(text: str) -> float:
    """Return the number that a person typed.

    Raises:
        ValueError: not a number. `4_8` is rejected too: Python would read it as 48.

    >>> float_from_text(" 4.8")
    4.8
    """
    return float(text.replace("_", " "))


def format_percent(probability: float) -> str:
    """Return a probability in percent; never certain, never impossible.

    >>> format_percent(0.934), format_percent(0.9991), format_percent(0.0004)
    ('93 %', 'over 99 %', 'under 1 %')
    """
    if probability > 0.995:
        return "over 99 %"
    return "under 1 %" if probability < 0.005 else f"{probability * 100:.0f} %"


def format_ohms(ohm: float) -> str:
    """Return a resistance with two digits, in milliohms below 1 Ω.

    >>> format_ohms(0.0335), format_ohms(2.04)
    ('34 mΩ', '2 Ω')
    """
    if ohm < 0.995:
        return f"{float(f'{ohm * 1e3:.2g}'):g} mΩ"
    return f"{float(f'{ohm:.2g}'):g} Ω"


MILLIVOLTS_BELOW_V = 0.6
"""Limit of figures in millivolts, as on a meter of 6000 counts. [V]"""


def format_value(value: float, unit: str) -> str:
    """Return a reading with the digits of a bench meter; volts below 0.6 V in millivolts.

    >>> format_value(-0.0004, "V"), format_value(4.5, "V"), format_value(-0.00001, "V")
    ('-0.4 mV', '4.500 V', '0.0 mV')
    """
    if unit == "V" and abs(value) < MILLIVOLTS_BELOW_V:
        return f"{round(value * 1e3, 1) + 0.0:.1f} mV"
    return f"{value:.3f} {unit}"


USUAL_SD = 2.0
"""Usual spread of healthy units around their mean, in standard deviations: 95 % of a normal
distribution."""
FAR_SD = 10.0
"""Deviation from a healthy unit that is called far, in standard deviations."""


def format_with_spread(volts: float, sd_v: float) -> str:
    """Return volts of a healthy unit with their usual spread in one unit; millivolts below 0.6 V.

    >>> format_with_spread(4.694, 0.076), format_with_spread(0.0004, 0.0001)
    ('4.694 V, give or take 0.152', '0.4 mV, give or take 0.2')
    """
    shown = format_value(volts, "V")
    spread_v = USUAL_SD * sd_v
    spread = f"{spread_v * 1e3:.1f}" if shown.endswith("mV") else f"{spread_v:.3f}"
    return f"{shown}, give or take {spread}"


def deviation_word(z: float) -> str:
    """Return a deviation from a healthy unit in one or two words.

    Args:
        z: the deviation, in standard deviations.

    >>> [deviation_word(z) for z in (-1.9, 2.5, -27.0)]
    ['fits', 'high', 'far low']
    """
    if abs(z) <= USUAL_SD:
        return "fits"
    side = "low" if z < 0.0 else "high"
    return f"far {side}" if abs(z) > FAR_SD else side


def describe_deviation(volts: float, expected_v: float, z: float) -> str:
    """Return how far a reading is from a healthy unit's, in words.

    Args:
        volts: the reading. [V]
        expected_v: volts of a healthy unit. [V]
        z: the deviation, in standard deviations.

    >>> describe_deviation(4.0, 4.9, -9.7)
    '0.900 V lower than a good unit, outside its spread'
    >>> describe_deviation(0.0004, 0.0005, -1.0)
    'fits a good unit'
    """
    if abs(z) <= USUAL_SD:
        return "fits a good unit"
    side = "lower" if volts < expected_v else "higher"
    how = "far outside" if abs(z) > FAR_SD else "outside"
    off = format_value(abs(volts - expected_v), "V")
    return f"{off} {side} than a good unit, {how} its spread"


def format_sd(z: float) -> str:
    """Return a difference in standard deviations with its sign; zero is always `+0.0`.

    >>> format_sd(-27.21), format_sd(-0.04), format_sd(557.96)
    ('-27.2', '+0.0', '+558')
    """
    return f"{round(z, 1) + 0.0:+.1f}" if abs(z) < 99.95 else f"{z:+.0f}"


def epoch_ms(stamp: str) -> int | None:
    """Return the time since 1970 of an ISO 8601 time stamp; None without a UTC offset. [ms]

    >>> epoch_ms("1970-01-01T01:00:01.500+01:00")
    1500
    >>> epoch_ms("this evening"), epoch_ms("2026-11-25T18:00:00")
    (None, None)
    """
    try:
        moment = datetime.fromisoformat(stamp)
    except ValueError:
        return None
    if moment.utcoffset() is None:
        return None
    since = moment - datetime(1970, 1, 1, tzinfo=UTC)
    return round(since.total_seconds() * 1e3)


_SPOKEN = (
    (re.compile(r"(?<=\d)-(?=\d)"), " to "),
    (re.compile(r"(?<=[AB\d ])\+(?=[\s,.?;:>]|$)"), " plus"),
    (re.compile(r"(?<=[AB\d ])-(?=[\s,.?;:>]|$)"), " minus"),
    (re.compile(r"(?<=\d)\s?mV\b"), " millivolts"),
    (re.compile(r"(?<=\d)\s?V\b"), " volts"),
    (re.compile(r"(?<=\d)\s?mΩ"), " milliohms"),
    (re.compile(r"Ω"), " ohms"),
    (re.compile(r"(?<=\d)([AB])\b"), r" \1"),
    (re.compile(r"\s+"), " "),
)


def spoken_text(text: str) -> str:
    """Return a text with its signs and units as words, for a voice.

    >>> spoken_text("Red on wire 2B +, black on foot 4 -. Strands 1-6 lit. 0.6 mV?")
    'Red on wire 2 B plus, black on foot 4 minus. Strands 1 to 6 lit. 0.6 millivolts?'
    """
    for pattern, words in _SPOKEN:
        text = pattern.sub(words, text)
    return text.strip()
