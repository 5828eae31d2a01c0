"""A reading as it is being typed: its volts, and whether a slip of the pen explains it."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal

import numpy as np

from benchtest.errors import InputError
from benchtest.evidence.meter import Meter
from benchtest.evidence.readings import check_volts, count_decimals, parse_number
from benchtest.formatting import format_value
from benchtest.records.record_limits import MAX_DECIMALS

FAR_SD = 8.0
"""Standard deviations past which a slip is looked for."""
SLIPS = (-1.0, 0.001, 1000.0, 0.1, 10.0, 0.01, 100.0, -0.001, -1000.0)
"""Factors that a reading is off by when leads or ranges are mixed up, or a digit is missed."""
DROP_SLIPS = (0.001, -1.0, -0.001)
"""The same of a drop that no fault shows, the commonest first: millivolts kept as volts."""
NEAR_SHARE, NEAR_V = 0.05, 1e-4
"""Distance from a healthy unit's volts up to which a slip is offered."""
NEAR_STEP = 0.01
"""Part of a meter's step that a number as it was typed may be off a whole one."""
ABOVE_SUPPLY = 1.1
"""No point of a prop is farther from another than its highest supply; supplies are set by hand."""
ON_RAILS = 0.5
"""Share of the highest supply from which volts are those between two rails, not a drop."""
MILLIVOLTS_BELOW_V = 0.6
"""A figure below this is shown in millivolts, as on a meter of 6000 counts. [V]"""

Unit = Literal["V", "mV"]


@dataclass(frozen=True, slots=True)
class Typed:
    """A reading as it is being typed, next to a healthy unit's."""

    volts: float | None
    expected_v: float
    sd_v: float
    z: float | None
    hint: str = ""
    meant_v: float | None = None
    """Volts that were likely meant, where a slip of the pen explains the reading better. [V]"""
    is_impossible: bool = False
    """No fault of the model shows such volts, and no slip of the pen explains them."""

    @property
    def is_doubtful(self) -> bool:
        """True where it is asked about before it is kept."""
        return self.meant_v is not None or self.is_impossible


def unit_of(expected_v: float) -> Unit:
    """Return the unit of a bare number, that of the healthy figure next to the field.

    >>> unit_of(0.0002), unit_of(4.86)
    ('mV', 'V')
    """
    return "mV" if abs(expected_v) < MILLIVOLTS_BELOW_V else "V"


def judge_typed(
    text: str,
    expected_v: float,
    sd_v: float,
    meter: Meter,
    most_v: float = np.inf,
    possible_v: tuple[float, float] | None = None,
) -> Typed:
    """Return a reading next to a healthy unit's.

    Args:
        text: what was typed so far; a bare number is in `unit_of(expected_v)`.
        expected_v: what a healthy unit shows. [V]
        sd_v: standard deviation of what healthy units show. [V]
        meter: what it was read with.
        most_v: the prop's highest supply, which no reading exceeds. [V]
        possible_v: least and most that any fault shows there; None where not known. [V]
    """
    unit = unit_of(expected_v)
    try:
        volts = volts_of(text, unit)
    except InputError as error:
        return Typed(None, expected_v, sd_v, None, str(error) if text else "")
    meant_v = None
    if _is_bare(text) and unit == "mV":
        meant_v = _meant_volts(volts, expected_v, meter, most_v)
    if meant_v is None:
        meant_v = _meant(volts, expected_v, sd_v, meter, most_v, possible_v)
    hint = "" if meant_v is None else f"did you mean {number_text(meant_v, unit)} {unit}?"
    try:
        check_volts(volts, meter)
    except InputError as error:
        return Typed(None, expected_v, sd_v, None, hint or str(error), meant_v)
    odd = meant_v is None and is_impossible(volts, possible_v)
    if odd:
        hint = _impossible(volts, possible_v)
    return Typed(volts, expected_v, sd_v, _z(volts, expected_v, sd_v, meter), hint, meant_v, odd)


def is_impossible(volts: float, possible_v: tuple[float, float] | None) -> bool:
    """Return True where no fault of the model shows these volts."""
    return possible_v is not None and not possible_v[0] <= volts <= possible_v[1]


def _impossible(volts: float, possible_v: tuple[float, float] | None) -> str:
    assert possible_v is not None
    low, high = (format_value(one, "V") for one in possible_v)
    return f"no fault shows {format_value(volts, 'V')} here ({low} to {high})."


def volts_of(text: str, unit: Unit = "V") -> float:
    """Return volts as people type them.

    Args:
        text: a number, perhaps with its unit: `4.86`, `4.86 V`, `12.3m`, `12.3 mV`.
        unit: of a number without one.

    Raises:
        InputError: not a number.

    >>> volts_of("12.3m"), volts_of("0.2", "mV"), volts_of("0.2V", "mV")
    (0.0123, 0.0002, 0.2)
    """
    word = text.strip()
    for ending in ("mV", "m"):
        if word.endswith(ending):
            return parse_number(word.removesuffix(ending).strip(), "millivolts") / 1e3
    if word.endswith("V") or unit == "V":
        return parse_number(word.removesuffix("V").strip(), "volts")
    return parse_number(word, "millivolts") / 1e3


def volt_decimals(text: str, unit: Unit = "V") -> int | None:
    """Return the decimals of volts as people type them; None where not in plain decimals.

    Args:
        text: a number, perhaps with its unit.
        unit: of a number without one.

    >>> volt_decimals("4.870"), volt_decimals("12.3m"), volt_decimals("0.2", "mV")
    (3, 4, 4)
    """
    word = text.strip()
    number = word.removesuffix("V").removesuffix("m")
    in_mv = "m" in word or (unit == "mV" and not word.endswith("V"))
    decimals = count_decimals(number.strip())
    return None if decimals is None else min(decimals + 3 * in_mv, MAX_DECIMALS)


def number_text(volts: float, unit: Unit) -> str:
    """Return volts as a bare number of the field's unit.

    >>> number_text(0.0312, "mV"), number_text(4.86, "V")
    ('31.2', '4.86')
    """
    return f"{volts * 1e3 if unit == 'mV' else volts:.6g}"


def _is_bare(text: str) -> bool:
    return text.strip()[-1:].isdigit() or text.strip()[-1:] == "."


def _meant_volts(volts: float, expected_v: float, meter: Meter, most_v: float) -> float | None:
    """Return the volts of a number that was typed in volts into a field of millivolts.

    Only where the meter has no such digits in millivolts and has them in volts, and the volts are
    those between two rails or a healthy unit's own.
    """
    as_v = volts * 1e3
    if _can_show(meter, volts) or not _can_show(meter, as_v):
        return None
    on_rails = ON_RAILS * most_v <= abs(as_v) <= ABOVE_SUPPLY * most_v
    return as_v if on_rails or _is_near(as_v, expected_v) else None


def _z(volts: float, expected_v: float, sd_v: float, meter: Meter) -> float:
    limit_v = meter.error_limit_v(min(abs(volts), meter.ranges_v[-1]))
    return (volts - expected_v) / float(np.hypot(sd_v, limit_v / 2.0))


def is_far(volts: float, expected_v: float, sd_v: float, meter: Meter) -> bool:
    """Return True where volts are so far from a healthy unit's that a slip is looked for."""
    return abs(_z(volts, expected_v, sd_v, meter)) >= FAR_SD


def _can_show(meter: Meter, volts: float) -> bool:
    """Return True where these volts are whole steps of the range that they are read on."""
    steps = volts / meter.resolution_v(min(abs(volts), meter.ranges_v[-1]))
    return abs(steps - round(steps)) < NEAR_STEP


def _is_near(volts: float, expected_v: float) -> bool:
    return abs(volts - expected_v) < NEAR_SHARE * abs(expected_v) + NEAR_V


def _meant(
    volts: float,
    expected_v: float,
    sd_v: float,
    meter: Meter,
    most_v: float,
    possible_v: tuple[float, float] | None,
) -> float | None:
    """Return what was meant, where a reading is far off and a slip brings it home.

    A reading that the prop cannot give at all need not come so near: a fault may have moved it.
    """
    if not is_far(volts, expected_v, sd_v, meter):
        return None
    # with more digits than it is said to have, a meter may show anything
    any_digits = not _can_show(meter, volts)

    def tries(factors: Sequence[float]) -> list[float]:
        meant = [volts * factor for factor in factors]
        return [one for one in meant if any_digits or _can_show(meter, one)]

    tried = tries(SLIPS)
    for meant_v in tried:
        if _is_near(meant_v, expected_v):
            return meant_v
    if is_impossible(volts, possible_v) and unit_of(expected_v) == "mV":
        # a drop may be anything that a fault makes of it: the commonest slip first
        return next((v for v in tries(DROP_SLIPS) if not is_impossible(v, possible_v)), None)
    if abs(volts) <= ABOVE_SUPPLY * most_v:
        return None
    on_mv = abs(expected_v) <= meter.ranges_v[0]
    if on_mv and abs(volts) * 1e-3 <= ABOVE_SUPPLY * most_v:
        return volts * 1e-3  # the display said mV
    possible = [v for v in tried if abs(v) <= ABOVE_SUPPLY * most_v]
    near = [v for v in possible if 0.5 * abs(expected_v) > abs(v - expected_v)]
    return min(near, key=lambda v: abs(v - expected_v), default=None)
