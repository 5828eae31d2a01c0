"""A reading as it is being typed: what it says, and whether a slip of the pen explains it."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from benchtest.errors import InputError
from benchtest.evidence.meter import Meter
from benchtest.evidence.reading import check_volts, parse_number

FAR_SD = 8.0
"""Standard deviations past which a slip is looked for."""
SLIPS = (-1.0, 0.001, 1000.0, 0.1, 10.0, 0.01, 100.0)
"""What a reading is multiplied by when leads or ranges are mixed up, or a digit is missed."""


@dataclass(frozen=True, slots=True)
class Typed:
    """A reading as it is being typed, beside what a healthy unit shows."""

    volts: float | None
    expected_v: float
    sd_v: float
    z: float | None
    hint: str = ""


def judge_typed(text: str, expected_v: float, sd_v: float, meter: Meter) -> Typed:
    """A reading beside what a healthy unit shows.

    Args:
        text: what was typed so far.
        expected_v: what a healthy unit shows. [V]
        sd_v: standard deviation of what healthy units show. [V]
        meter: what it was read with.
    """
    try:
        volts = check_volts(volts_of(text), meter)
    except InputError as error:
        return Typed(None, expected_v, sd_v, None, str(error) if text else "")
    z = (volts - expected_v) / float(np.hypot(sd_v, meter.error_limit_v(volts) / 2.0))
    return Typed(volts, expected_v, sd_v, z, _slip(volts, expected_v, z))


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


def _slip(volts: float, expected_v: float, z: float) -> str:
    """A guess at what was meant, where a reading is far off and a slip explains it."""
    if abs(z) < FAR_SD:
        return ""
    for factor in SLIPS:
        meant = volts * factor
        if abs(meant - expected_v) < 0.05 * abs(expected_v) + 1e-4:
            return f"did you mean {meant:.4g}?"
    return ""
