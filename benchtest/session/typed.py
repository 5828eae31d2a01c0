"""A reading as it is being typed: what it says, and whether a slip of the pen explains it."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from benchtest.errors import InputError
from benchtest.evidence.meter import Meter
from benchtest.evidence.reading import check_volts, parse_number

FAR_SD = 8.0
"""Standard deviations past which a slip is looked for."""
SLIPS = (-1.0, 0.001, 1000.0, 0.1, 10.0, 0.01, 100.0, -0.001, -1000.0)
"""What a reading is multiplied by when leads or ranges are mixed up, or a digit is missed."""
NEAR_SHARE, NEAR_V = 0.05, 1e-4
"""How near to a healthy unit's volts a slip must bring a reading to be offered."""
NEAR_STEP = 0.01
"""Part of a meter's step that a number as it was typed may be off a whole one."""
ABOVE_SUPPLY = 1.1
"""No point of a prop is farther from another than its highest supply; supplies are set by hand."""


@dataclass(frozen=True, slots=True)
class Typed:
    """A reading as it is being typed, beside what a healthy unit shows."""

    volts: float | None
    expected_v: float
    sd_v: float
    z: float | None
    hint: str = ""
    meant_v: float | None = None
    """What was meant, where a slip of the pen explains it better. [V]"""


def judge_typed(
    text: str, expected_v: float, sd_v: float, meter: Meter, most_v: float = np.inf
) -> Typed:
    """A reading beside what a healthy unit shows.

    Args:
        text: what was typed so far.
        expected_v: what a healthy unit shows. [V]
        sd_v: standard deviation of what healthy units show. [V]
        meter: what it was read with.
        most_v: the prop's highest supply, which no reading exceeds. [V]
    """
    try:
        volts = volts_of(text)
    except InputError as error:
        return Typed(None, expected_v, sd_v, None, str(error) if text else "")
    meant_v = _meant(volts, expected_v, sd_v, meter, most_v)
    hint = "" if meant_v is None else f"did you mean {meant_v:.4g}?"
    try:
        check_volts(volts, meter)
    except InputError as error:
        return Typed(None, expected_v, sd_v, None, hint or str(error), meant_v)
    return Typed(volts, expected_v, sd_v, _z(volts, expected_v, sd_v, meter), hint, meant_v)


def volts_of(text: str) -> float:
    """Volts as people type them; `12.3m` is millivolts.

    Raises:
        InputError: it is no number.

    >>> volts_of("12.3m")
    0.0123
    """
    word = text.strip()
    for ending in ("mV", "m"):
        if word.endswith(ending):
            return parse_number(word.removesuffix(ending).strip(), "millivolts") / 1e3
    return parse_number(word.removesuffix("V").strip(), "volts")


def _z(volts: float, expected_v: float, sd_v: float, meter: Meter) -> float:
    limit_v = meter.error_limit_v(min(abs(volts), meter.ranges_v[-1]))
    return (volts - expected_v) / float(np.hypot(sd_v, limit_v / 2.0))


def _can_show(meter: Meter, volts: float) -> bool:
    """True where these volts are whole steps of the range that the meter reads them on."""
    steps = volts / meter.resolution_v(min(abs(volts), meter.ranges_v[-1]))
    return abs(steps - round(steps)) < NEAR_STEP


def _meant(
    volts: float, expected_v: float, sd_v: float, meter: Meter, most_v: float
) -> float | None:
    """What was meant, where a reading is far off and a slip brings it home.

    A reading that the prop cannot give at all need not come so near: a fault may have moved it.
    """
    if abs(_z(volts, expected_v, sd_v, meter)) < FAR_SD:
        return None
    tried = [volts * factor for factor in SLIPS]
    if _can_show(meter, volts):  # else the meter has more digits than it is said to have
        tried = [meant_v for meant_v in tried if _can_show(meter, meant_v)]
    for meant_v in tried:
        if abs(meant_v - expected_v) < NEAR_SHARE * abs(expected_v) + NEAR_V:
            return meant_v
    if abs(volts) <= ABOVE_SUPPLY * most_v:
        return None
    on_mv = abs(expected_v) <= meter.ranges_v[0]
    if on_mv and abs(volts) * 1e-3 <= ABOVE_SUPPLY * most_v:
        return volts * 1e-3  # the display said mV
    possible = [v for v in tried if abs(v) <= ABOVE_SUPPLY * most_v]
    near = [v for v in possible if 0.5 * abs(expected_v) > abs(v - expected_v)]
    return min(near, key=lambda v: abs(v - expected_v), default=None)
