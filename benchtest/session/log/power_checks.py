"""What is made sure of before power: resistance between the rails, polarity, fuse, supply volts."""

from __future__ import annotations

import math
from collections.abc import Collection, Mapping

from benchtest.errors import InputError
from benchtest.evidence.readings import parse_number
from benchtest.prop.design import Design, Feed
from benchtest.session.log.events import CHECKS, Check, CheckMade

SHORT_OHM = 5.0
"""Below this the rails touch. Common practice, no source: meter leads alone read 0.2 to 0.5 Ω."""
LOW_OHM = 100.0
"""Below this something is wrong or a capacitor still charges. Common practice, no source: nodes at
the volts of an ohmmeter draw next to nothing."""
SUPPLY_SHARE = 0.05
"""How far a supply may be from the design's volts. Common practice, no source."""
POINT_SLIPS = (0.1, 10.0, 0.01, 100.0, 0.001, 1000.0)
"""Factors of a point in a wrong place, and of millivolts for volts."""
POINT_NEAR_SHARE = 0.2
"""How near to the design's volts such a slip must bring a supply. Ours: a supply is rarely farther
off, and never by a factor of ten."""

Key = tuple[Check, str]
"""One check of one feed."""

CAUTIONS: Mapping[Check, str] = {
    "rails": "Supply unplugged, capacitors empty.",
    "polarity": "Supply unplugged. Mains wiring is for a licensed electrician.",
    "fuse": "Supply unplugged. One fuse for each lead, at the source.",
    "supply": "Prop not connected. Rings off; only the tips touch.",
}


def all_checks(design: Design) -> list[Key]:
    """Every check of every feed, in the order they are made."""
    return [(check, feed.name) for check in CHECKS for feed in design.feeds]


def due_checks(
    design: Design, made: Mapping[Key, CheckMade], again: Collection[Key], fresh: bool
) -> list[Key]:
    """Checks that must be made now.

    Args:
        design: the prop.
        made: the last of each check.
        again: checks that a repair since calls for.
        fresh: nothing was lit and looked at yet.
    """

    def due(key: Key) -> bool:
        if key in again:
            return True
        return made[key].passed is False if key in made else fresh

    return [key for key in all_checks(design) if due(key)]


def unit_of(check: Check) -> str:
    """What the meter shows in a check; empty where no number is asked for."""
    return {"rails": "Ω", "supply": "V"}.get(check, "")


def question(design: Design, key: Key, failed: CheckMade | None = None) -> str:
    """What is asked; after a failure, what to do about it first."""
    check, name = key
    feed = _feed(design, name)
    if failed is not None and failed.passed is False:
        return f"{_remedy(feed, failed)} Then measure again."
    if check == "rails":
        return f"Ohms between + and - at feed {name}? Right is OL, or above {LOW_OHM:g}."
    if check == "polarity":
        return f"Does + of feed {name} go to + of the supply, at both ends of the cable?"
    if check == "fuse" and feed.fuse_a is not None:
        return f"Is a whole fuse of {feed.fuse_a:g} A, no larger, in feed {name}?"
    if check == "fuse":
        return f"The prop file names no fuse for feed {name}. Is one fitted that suits its wire?"
    return f"Volts of the supply for feed {name}? It should be {feed.volts:g} V."


def _remedy(feed: Feed, failed: CheckMade) -> str:
    if failed.check == "rails" and (failed.ohm is None or failed.ohm < SHORT_OHM):
        return f"Rails touch at feed {feed.name}. No power: find the bridge."
    if failed.check == "rails":
        return f"Low at feed {feed.name}: swap the leads, wait until it climbs."
    if failed.check == "polarity":
        return f"No power: swap the leads of feed {feed.name}."
    if failed.check == "fuse":
        return f"No power: put the right fuse into feed {feed.name}."
    if failed.volts is not None and failed.volts < 0.0:
        return f"Minus: leads or supply of feed {feed.name} are the wrong way round."
    return f"Set the supply of feed {feed.name} to {feed.volts:g} V first."


def judge(design: Design, key: Key, text: str) -> CheckMade:
    """A check by what the meter showed.

    Raises:
        InputError: it is no number.
    """
    check, name = key
    if check == "rails":
        ohm = ohms_of(text)
        shown = ohm if math.isfinite(ohm) else None
        return CheckMade(check, name, ohm >= LOW_OHM, ohm=shown)
    if check == "supply":
        volts = parse_number(text.strip().removesuffix("V").strip(), "volts")
        feed = _feed(design, name)
        near = abs(volts - feed.volts) <= SUPPLY_SHARE * feed.volts
        return CheckMade(check, name, near and volts <= design.node.most_v, volts=volts)
    raise InputError("this one is seen, not measured: press space where it is so, else x")


def meant_supply(design: Design, key: Key, text: str) -> str:
    """Return the volts that were likely meant where a supply's have the point in a wrong place.

    Empty where no such slip explains them; a minus is no slip but leads that are exchanged.
    """
    check, name = key
    if check != "supply":
        return ""
    try:
        volts = parse_number(text.strip().removesuffix("V").strip(), "volts")
    except InputError:
        return ""
    feed_v = _feed(design, name).volts
    for factor in POINT_SLIPS:
        if abs(volts * factor - feed_v) <= POINT_NEAR_SHARE * feed_v:
            return f"{volts * factor:.6g}"
    return ""


def ohms_of(text: str) -> float:
    """Ohms as meters show them: `470`, `12k`, `1.2M`, and `OL` for more than the meter reads.

    Raises:
        InputError: it is none of these.

    >>> ohms_of("12.5k"), ohms_of("OL")
    (12500.0, inf)
    """
    word = text.strip().removesuffix("Ω").strip()
    if word.upper() in ("OL", "0L", "O.L"):
        return math.inf
    factor = {"k": 1e3, "K": 1e3, "M": 1e6}.get(word[-1:], 1.0)
    ohm = parse_number(word[:-1].strip() if factor > 1.0 else word, "ohms")
    if ohm < 0.0:
        raise InputError(f"ohms: {ohm:g}; below zero a charged capacitor is read: wait, then again")
    return ohm * factor


def _feed(design: Design, name: str) -> Feed:
    for feed in design.feeds:
        if feed.name == name:
            return feed
    raise InputError(f'feed "{name[:40]}": the prop has none of that name')
