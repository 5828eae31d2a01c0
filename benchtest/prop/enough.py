"""Evidence from which a sign-off is offered in place of further readings."""

from __future__ import annotations

import math
import re
from dataclasses import dataclass

from benchtest.errors import InputError
from benchtest.input_files import printable

MIN_ENOUGH_PROBABILITY = 0.95
"""Probability of a sound unit from which a sign-off is offered. A unit is sound with about this
probability once no suspect is left that keeps it indoors."""
MAX_ENOUGH_PROBABILITY = 0.99
"""Largest probability that may be asked for: no series of readings reaches much more."""
_ENOUGH = re.compile(r"\s*(\d{1,6}(?:[.,]\d{1,6})?)\s*(%|mOhm|mΩ)\s*", re.IGNORECASE)


@dataclass(frozen=True, slots=True)
class EnoughRule:
    """Evidence from which a sign-off is offered in place of further readings."""

    probability: float = MIN_ENOUGH_PROBABILITY
    """Least probability of a sound unit."""
    ohm: float = math.inf
    """Resistance above which every joint must be excluded. [Ω]"""

    def __str__(self) -> str:
        """Return the rule as it is written: `99%`, or `100mOhm`."""
        if math.isfinite(self.ohm):
            return f"{self.ohm * 1e3:g}mOhm"
        return f"{self.probability * 100.0:g}%"


USUAL_RULE = EnoughRule()


def parse_enough(text: str) -> EnoughRule:
    """Read the evidence that a person wants before a sign-off.

    Args:
        text: a probability in percent, or a resistance in milliohms.

    Raises:
        InputError: neither of them, or less than a sign-off takes anyway.

    >>> parse_enough("99%").probability, parse_enough("100 mOhm").ohm
    (0.99, 0.1)
    """
    found = _ENOUGH.fullmatch(text)
    value = 0.0 if found is None else float(found[1].replace(",", "."))
    if found is None or value == 0.0:
        raise InputError(
            f'enough "{printable(text[:20])}": give a probability such as 99%, or the resistance '
            "that every joint is to stay below, such as 100mOhm"
        )
    if found[2] != "%":
        return EnoughRule(ohm=value / 1e3)
    least, most = 100.0 * MIN_ENOUGH_PROBABILITY, 100.0 * MAX_ENOUGH_PROBABILITY
    if not least <= value <= most:
        raise InputError(f"enough: {value:g} % is not from {least:g} to {most:g} %")
    return EnoughRule(probability=value / 100.0)
