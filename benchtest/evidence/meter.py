"""A hand meter: how fine it reads, and how far it may be off."""

from __future__ import annotations

import re
from dataclasses import dataclass

from benchtest.errors import InputError
from benchtest.input_files import printable

_SPEC = re.compile(r"^\s*(\d{1,2}(?:\.\d+)?)\s*%\s*\+\s*(\d{1,4})\s*/\s*(\d{4,7})\s*$", re.ASCII)

MIN_COUNTS, MAX_COUNTS = 1000, 1_000_000
"""Counts that hand and bench meters have: 3½ to 6½ digits."""


@dataclass(frozen=True, slots=True)
class Meter:
    """Direct-current volts of one meter, written `0.5%+3/6000`.

    Its ranges are three decades of its counts: 600 mV, 6 V and 60 V for 6000 counts, 200 mV, 2 V
    and 20 V for 2000. Other counts follow the same rule: the first range is the counts' leading
    digits as tenths of a volt.
    """

    percent: float
    """Accuracy, in per cent of the reading."""
    digits: int
    """Accuracy, in steps of the range."""
    counts: int
    """Steps of the range."""
    steps_v: tuple[float, ...] = ()
    """Coarser steps than its own that readings are written down in, by range; 0 where they are
    its own. [V]"""

    @classmethod
    def parse(cls, text: str) -> Meter:
        """Read accuracy, digits and counts.

        Raises:
            InputError: the text is not of that form, or the counts are no meter's.

        >>> Meter.parse("0.5%+3/6000").ranges_v
        (0.6, 6.0, 60.0)
        """
        if not (found := _SPEC.match(text)):
            raise InputError(
                f'meter "{printable(text)}": write accuracy, digits and counts as on its data '
                'sheet, such as "0.5%+3/6000"'
            )
        meter = cls(float(found[1]), int(found[2]), int(found[3]))
        if not MIN_COUNTS <= meter.counts <= MAX_COUNTS:
            raise InputError(
                f'meter "{printable(text)}": {meter.counts} counts; give {MIN_COUNTS} to '
                f"{MAX_COUNTS}"
            )
        return meter

    def __str__(self) -> str:
        return f"{self.percent:g}%+{self.digits}/{self.counts}"

    @property
    def ranges_v(self) -> tuple[float, float, float]:
        """Full scale of its three ranges. [V]"""
        leading = float(f"{self.counts:.6e}".partition("e")[0])  # 6000 counts: 6
        first_v = leading / 10.0
        return round(first_v, 9), round(first_v * 10.0, 9), round(first_v * 100.0, 9)

    def range_v(self, volts: float) -> float:
        """Full scale of the range that a meter chooses for these volts. [V]

        Raises:
            InputError: the volts are beyond its largest range.
        """
        for full_v in self.ranges_v:
            if abs(volts) <= full_v:
                return full_v
        raise InputError(
            f"{volts:g} V is beyond the meter's largest range, {self.ranges_v[-1]:g} V; "
            "look at the reading's decimal point, or name the meter with --meter"
        )

    def resolution_v(self, volts: float) -> float:
        """One step of the range that these volts are read on. [V]"""
        return self.range_v(volts) / self.counts

    def error_limit_v(self, volts: float) -> float:
        """Limit of error that its maker gives at these volts. [V]"""
        return self.percent / 100.0 * abs(volts) + self.digits * self.resolution_v(volts)


DEFAULT_METER = Meter(0.5, 3, 6000)
"""An ordinary 6000-count hand meter."""
