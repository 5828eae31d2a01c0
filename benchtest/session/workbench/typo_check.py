"""A reading while it is typed: its volts, and whether it is a likely typing error."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal

import numpy as np

from benchtest.errors import InputError
from benchtest.evidence.meter import Meter
from benchtest.evidence.readings import check_volts, count_decimals, parse_number
from benchtest.formatting import MILLIVOLTS_BELOW_V, format_value
from benchtest.records.record_limits import MAX_DECIMALS

MIN_TYPO_SD = 8.0
"""Deviation from a healthy unit, in standard deviations, from which a typo is looked for."""
TYPO_FACTORS = (-1.0, 0.001, 1000.0, 0.1, 10.0, 0.01, 100.0, -0.001, -1000.0)
"""Factors between a number and what was meant: swapped leads, wrong range, missed digit."""
DROP_TYPO_FACTORS = (0.001, -1.0, -0.001)
"""Factors for a drop that no fault can show, the commonest first: millivolts typed as volts."""
NEAR_SHARE, NEAR_V = 0.05, 1e-4
"""Deviation from a healthy unit up to which a corrected number is offered, as a share and in volts.
"""
NEAR_STEP = 0.01
"""Deviation from a whole number of steps of the meter, in steps."""
ABOVE_SUPPLY = 1.1
"""Limit of volts between two points, as a multiple of the highest supply, which is set by hand."""
ON_RAILS = 0.5
"""Share of the highest supply from which volts are rail volts, not a drop."""

Unit = Literal["V", "mV"]


@dataclass(frozen=True, slots=True)
class TypedReading:
    """A reading while it is typed, next to a healthy unit's."""

    volts: float | None
    expected_v: float
    sd_v: float
    z: float | None
    hint: str = ""
    meant_v: float | None = None
    """Volts that were likely meant; None unless the number is a likely typo. [V]"""
    is_impossible: bool = False
    """True if no fault of the model can show such volts, and no typo explains them."""

    @property
    def is_doubtful(self) -> bool:
        """True if the user must confirm it."""
        return self.meant_v is not None or self.is_impossible


def entry_unit(expected_v: float) -> Unit:
    """Return the unit of a bare number: that of the healthy figure next to the field.

    >>> entry_unit(0.0002), entry_unit(4.86)
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
) -> TypedReading:
    """Return a reading next to a healthy unit's.

    Args:
        text: content of the field; a bare number is in `entry_unit(expected_v)`.
        expected_v: volts of a healthy unit. [V]
        sd_v: standard deviation of healthy units. [V]
        meter: the meter.
        most_v: the prop's highest supply, which no reading exceeds. [V]
        possible_v: lowest and highest volts under any fault; None if not known. [V]
    """
    unit = entry_unit(expected_v)
    try:
        volts = parse_volts(text, unit)
    except InputError as error:
        return TypedReading(None, expected_v, sd_v, None, str(error) if text else "")
    meant_v = None
    if _is_bare(text) and unit == "mV":
        meant_v = _meant_volts(volts, expected_v, meter, most_v)
    if meant_v is None:
        meant_v = _meant(volts, expected_v, sd_v, meter, most_v, possible_v)
    hint = "" if meant_v is None else f"did you mean {format_number(meant_v, unit)} {unit}?"
    try:
        check_volts(volts, meter)
    except InputError as error:
        return TypedReading(None, expected_v, sd_v, None, hint or str(error), meant_v)
    odd = meant_v is None and is_impossible(volts, possible_v)
    if odd:
        hint = _impossible(volts, possible_v)
    return TypedReading(
        volts, expected_v, sd_v, _z(volts, expected_v, sd_v, meter), hint, meant_v, odd
    )


def is_impossible(volts: float, possible_v: tuple[float, float] | None) -> bool:
    """Return True if no fault of the model can show these volts."""
    return possible_v is not None and not possible_v[0] <= volts <= possible_v[1]


def _impossible(volts: float, possible_v: tuple[float, float] | None) -> str:
    assert possible_v is not None
    low, high = (format_value(one, "V") for one in possible_v)
    return f"no fault shows {format_value(volts, 'V')} here ({low} to {high})."


def parse_volts(text: str, unit: Unit = "V") -> float:
    """Return volts from typed text.

    Args:
        text: a number with or without a unit: `4.86`, `4.86 V`, `12.3m`, `12.3 mV`.
        unit: unit of a bare number.

    Raises:
        InputError: not a number.

    >>> parse_volts("12.3m"), parse_volts("0.2", "mV"), parse_volts("0.2V", "mV")
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
    """Return the decimals of typed volts; None unless in plain decimals.

    Args:
        text: a number with or without a unit.
        unit: unit of a bare number.

    >>> volt_decimals("4.870"), volt_decimals("12.3m"), volt_decimals("0.2", "mV")
    (3, 4, 4)
    """
    word = text.strip()
    number = word.removesuffix("V").removesuffix("m")
    in_mv = "m" in word or (unit == "mV" and not word.endswith("V"))
    decimals = count_decimals(number.strip())
    return None if decimals is None else min(decimals + 3 * in_mv, MAX_DECIMALS)


def format_number(volts: float, unit: Unit) -> str:
    """Return volts as a bare number in the unit of the field.

    >>> format_number(0.0312, "mV"), format_number(4.86, "V")
    ('31.2', '4.86')
    """
    return f"{volts * 1e3 if unit == 'mV' else volts:.6g}"


def _is_bare(text: str) -> bool:
    return text.strip()[-1:].isdigit() or text.strip()[-1:] == "."


def _meant_volts(volts: float, expected_v: float, meter: Meter, most_v: float) -> float | None:
    """Return the volts of a number that was typed in volts into a field for millivolts.

    None unless the meter has such digits in volts only, and the volts are those between two rails
    or of a healthy unit.
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
    """Return True for volts so far from a healthy unit's that a typo is looked for."""
    return abs(_z(volts, expected_v, sd_v, meter)) >= MIN_TYPO_SD


def _can_show(meter: Meter, volts: float) -> bool:
    """Return True if these volts are a whole number of steps of the meter's range."""
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
    """Return the volts meant if a reading is far off and a typo explains it; else None.

    The corrected volts of a reading that the prop cannot show need not be so near a healthy unit's,
    since a fault may have moved them.
    """
    if not is_far(volts, expected_v, sd_v, meter):
        return None
    # a meter with more digits than its class states may show any number
    any_digits = not _can_show(meter, volts)

    def tries(factors: Sequence[float]) -> list[float]:
        meant = [volts * factor for factor in factors]
        return [one for one in meant if any_digits or _can_show(meter, one)]

    tried = tries(TYPO_FACTORS)
    for meant_v in tried:
        if _is_near(meant_v, expected_v):
            return meant_v
    if is_impossible(volts, possible_v) and entry_unit(expected_v) == "mV":
        # a drop depends on the fault: the commonest typo first
        return next((v for v in tries(DROP_TYPO_FACTORS) if not is_impossible(v, possible_v)), None)
    if abs(volts) <= ABOVE_SUPPLY * most_v:
        return None
    on_mv = abs(expected_v) <= meter.ranges_v[0]
    if on_mv and abs(volts) * 1e-3 <= ABOVE_SUPPLY * most_v:
        return volts * 1e-3  # the display showed mV
    possible = [v for v in tried if abs(v) <= ABOVE_SUPPLY * most_v]
    near = [v for v in possible if 0.5 * abs(expected_v) > abs(v - expected_v)]
    return min(near, key=lambda v: abs(v - expected_v), default=None)
