"""Supply volts of the same evening, so that one bench supply is measured once for all units."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import datetime, timedelta

from benchtest.session.log.events import CheckMade
from benchtest.session.log.power_checks import CheckKey
from benchtest.session.session import Session, decode_events

MAX_AGE = timedelta(hours=12)
"""Age of a measurement that is still offered: one evening."""
MAX_SESSIONS = 5
"""Number of earlier sessions of the design that are searched."""


@dataclass(frozen=True, slots=True)
class MeasuredSupply:
    """Volts of one supply, and the unit at which they were measured."""

    tag: str
    volts: float

    def __str__(self) -> str:
        return f"as {self.tag}: {self.volts:g} V"


def passed_check(key: CheckKey, supplies: Mapping[str, MeasuredSupply]) -> CheckMade:
    """Return a passed check, with the volts that its supply had at an earlier unit.

    Args:
        key: kind of check, and feed.
        supplies: result of `evening_supplies`.
    """
    check, feed = key
    known = supplies.get(feed) if check == "supply" else None
    if known is None:
        return CheckMade(check, feed, passed=True)
    return CheckMade(check, feed, passed=True, volts=known.volts, like=known.tag)


def evening_supplies(session: Session) -> dict[str, MeasuredSupply]:
    """Return the supply volts measured at other units of the design this evening, by feed."""
    begun = datetime.fromisoformat(session.row.started_at)
    found: dict[str, MeasuredSupply] = {}
    rows = [
        row
        for row in session.shelf.sessions()
        if row.id != session.row.id
        and row.design_text == session.row.design_text
        and abs(begun - datetime.fromisoformat(row.started_at)) <= MAX_AGE
    ]
    for row in reversed(rows[-MAX_SESSIONS:]):
        for logged in reversed(decode_events(session.shelf.events(row.id))):
            made = logged.what
            if (
                isinstance(made, CheckMade)
                and made.check == "supply"
                and made.passed
                and made.volts is not None
                and not made.lit
            ):
                found.setdefault(made.feed, MeasuredSupply(made.like or row.tag, made.volts))
    return found
