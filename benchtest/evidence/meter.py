"""Meters: ranges, resolution and limits of error."""

from __future__ import annotations

import re
from dataclasses import dataclass

from benchtest.errors import InputError
from benchtest.input_files import printable

_SPEC = re.compile(r"^\s*(\d{1,2}(?:\.\d+)?)\s*%\s*\+\s*(\d{1,4})\s*/\s*(\d{4,7})\s*$", re.ASCII)

_MIN_COUNTS, _MAX_COUNTS = 1000, 1_000_000
"""Counts of hand and bench meters: 3½ to 6½ digits."""


@dataclass(frozen=True, slots=True)
class Meter:
    """The DC volts function of a meter, written `0.5%+3/6000`.

    Its ranges are three decades of its counts: 600 mV, 6 V and 60 V for 6000 counts, 200 mV, 2 V
    and 20 V for 2000. In general the first range is the leading digits of the counts in tenths of
    a volt.
    """

    percent: float
    """Accuracy as a share of the reading. [%]"""
    digits: int
    """Accuracy in steps of the range, added to `percent`."""
    counts: int
    """Steps of each range."""
    steps_v: tuple[float, ...] = ()
    """Steps that readings are rounded to where they are coarser than the meter's, by range; 0 where
    they are not. [V]"""

    @classmethod
    def parse(cls, text: str) -> Meter:
        """Read accuracy, digits and counts.

        Raises:
            InputError: another form, or counts that no meter has.

        >>> Meter.parse("0.5%+3/6000").ranges_v
        (0.6, 6.0, 60.0)
        """
        if not (found := _SPEC.match(text)):
            raise InputError(
                f'meter "{printable(text)}": write accuracy, digits and counts as on its data '
                'sheet, such as "0.5%+3/6000"'
            )
        meter = cls(float(found[1]), int(found[2]), int(found[3]))
        if not _MIN_COUNTS <= meter.counts <= _MAX_COUNTS:
            raise InputError(
                f'meter "{printable(text)}": {meter.counts} counts; give {_MIN_COUNTS} to '
                f"{_MAX_COUNTS}"
            )
        return meter

    def __str__(self) -> str:
        return f"{self.percent:g}%+{self.digits}/{self.counts}"

    @property
    def ranges_v(self) -> tuple[float, float, float]:
        """Full scale of the three ranges. [V]"""
        leading = float(f"{self.counts:.6e}".partition("e")[0])  # 6000 counts: 6
        first_v = leading / 10.0
        return round(first_v, 9), round(first_v * 10.0, 9), round(first_v * 100.0, 9)

    def range_v(self, volts: float) -> float:
        """Return the full scale of the smallest range that shows these volts. [V]

        Raises:
            InputError: the volts exceed the largest range.
        """
        for full_v in self.ranges_v:
            if abs(volts) <= full_v:
                return full_v
        raise InputError(
            f"{volts:g} V exceeds the meter's largest range, {self.ranges_v[-1]:g} V; "
            "check the decimal point of the reading, or give the meter with --meter"
        )

    def resolution_v(self, volts: float) -> float:
        """Return one step, full scale over counts, of the range for these volts. [V]"""
        return self.range_v(volts) / self.counts

    def error_limit_v(self, volts: float) -> float:
        """Return the maker's limit of error at these volts: share of reading plus digits. [V]"""
        return self.percent / 100.0 * abs(volts) + self.digits * self.resolution_v(volts)


DEFAULT_METER = Meter(0.5, 3, 6000)
"""An ordinary 6000-count hand meter."""
