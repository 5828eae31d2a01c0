"""Checks before power: resistance between the rails, polarity, fuse, supply volts.

A repair may short a feed, so some are made again after it. Measured supply volts replace those of
the design.
"""

from __future__ import annotations

import math
from collections.abc import Collection, Iterable, Mapping, Sequence

from benchtest.errors import InputError, did_you_mean
from benchtest.evidence.readings import parse_number
from benchtest.input_files import printable
from benchtest.prop.design import Design, Feed
from benchtest.prop.notation import (
    ColourOrderSetting,
    ControllerSetting,
    location_feed,
    location_strands,
    parse_location,
)
from benchtest.session.log.events import CHECKS, Check, CheckMade

MAX_SHORT_OHM = 5.0
"""Resistance of rails that touch. Common practice, no source: leads alone read 0.2 to 0.5 Ω."""
MIN_RAILS_OHM = 100.0
"""Resistance between good rails; below, something is wrong or a capacitor still charges. Common
practice, no source: nodes draw next to nothing at the volts of an ohmmeter."""
SUPPLY_TOLERANCE = 0.05
"""Tolerance of a supply, as a share of the design's volts. Common practice, no source."""
DECIMAL_SLIPS = (0.1, 10.0, 0.01, 100.0, 0.001, 1000.0)
"""Factors of a misplaced decimal point, and of millivolts for volts."""
MAX_SLIP_SHARE = 0.2
"""Deviation from the design's volts up to which such a slip is assumed. Ours: a supply is rarely
farther off, and never by a factor of ten."""

CheckKey = tuple[Check, str]
"""One check of one feed."""

CAUTIONS: Mapping[Check, str] = {
    "rails": "Supply unplugged, capacitors empty.",
    "polarity": "Supply unplugged. Mains wiring is for a licensed electrician.",
    "fuse": "Supply unplugged. One fuse for each lead, at the source.",
    "supply": "Prop not connected. Take off rings. Touch the terminals with the probe tips only.",
}


_SHORT_NAMES: Mapping[Check, str] = {
    "rails": "rails OL",
    "polarity": "polarity",
    "fuse": "fuse",
    "supply": "supply volts",
}


def all_checks(design: Design) -> list[CheckKey]:
    """Return every check of every feed, in their order."""
    return [(check, feed.name) for check in CHECKS for feed in design.feeds]


def due_checks(
    design: Design, made: Mapping[CheckKey, CheckMade], again: Collection[CheckKey], fresh: bool
) -> list[CheckKey]:
    """Return the checks to make now.

    Args:
        design: the prop.
        made: the last check of each kind and feed.
        again: checks to repeat after a repair.
        fresh: nothing was lit and looked at yet.
    """

    def due(key: CheckKey) -> bool:
        if key in again:
            return True
        return made[key].passed is False if key in made else fresh

    return [key for key in all_checks(design) if due(key)]


def check_unit(check: Check) -> str:
    """Return the unit of the number that a check asks for; empty if it asks for none."""
    return {"rails": "Ω", "supply": "V"}.get(check, "")


def name_checks(keys: Iterable[CheckKey], supplies: Mapping[str, object] | None = None) -> str:
    """Return the kinds of some checks by their short names.

    Args:
        keys: the checks.
        supplies: volts of each supply that are known already, by feed.

    >>> name_checks([("rails", "left"), ("rails", "right"), ("supply", "left")])
    'rails OL, supply volts'
    """
    known = supplies or {}
    words = [
        f"{_SHORT_NAMES[check]} {known[feed]}"
        if check == "supply" and feed in known
        else _SHORT_NAMES[check]
        for check, feed in keys
    ]
    return ", ".join(dict.fromkeys(words))


def check_question(design: Design, key: CheckKey, failed: CheckMade | None = None) -> str:
    """Return the question of a check; after a failure, the remedy."""
    check, name = key
    feed = _feed(design, name)
    if failed is not None and failed.passed is False:
        return _remedy(feed, failed)
    if check == "rails":
        return f"Ohms between + and - at feed {name}? Expect OL or more than {MIN_RAILS_OHM:g} Ω."
    if check == "polarity":
        return f"Does + of feed {name} go to + of the supply, at both ends of the cable?"
    if check == "fuse" and feed.fuse_a is not None:
        return f"Is an intact fuse of {feed.fuse_a:g} A or less fitted in feed {name}?"
    if check == "fuse":
        return f"The prop file names no fuse for feed {name}. Is one fitted that suits its wire?"
    return f"Volts of the supply for feed {name}? It should be {feed.volts:g} V."


def _remedy(feed: Feed, failed: CheckMade) -> str:
    if failed.check == "rails" and (failed.ohm is None or failed.ohm < MAX_SHORT_OHM):
        return f"Rails touch at feed {feed.name}. Do not power it. Find the bridge, measure again."
    if failed.check == "rails":
        return f"Low reading at feed {feed.name}. Swap the meter leads and wait for it to rise."
    if failed.check == "polarity":
        return f"Do not power it. Swap the leads of feed {feed.name}, then check again."
    if failed.check == "fuse":
        return f"Do not power it. Fit the right fuse in feed {feed.name}, then check again."
    if failed.volts is not None and failed.volts < 0.0:
        return f"Negative volts at feed {feed.name}: swap the reversed leads, measure again."
    return f"Set the supply of feed {feed.name} to {feed.volts:g} V, then measure again."


def judge_check(design: Design, key: CheckKey, text: str) -> CheckMade:
    """Return a check from the number that the meter showed.

    Raises:
        InputError: not a number, or the check is visual.
    """
    check, name = key
    if check == "rails":
        ohm = parse_ohms(text)
        shown = ohm if math.isfinite(ohm) else None
        return CheckMade(check, name, ohm >= MIN_RAILS_OHM, ohm=shown)
    if check == "supply":
        volts = parse_number(text.strip().removesuffix("V").strip(), "volts")
        feed = _feed(design, name)
        near = abs(volts - feed.volts) <= SUPPLY_TOLERANCE * feed.volts
        return CheckMade(check, name, near and volts <= design.node.most_v, volts=volts)
    raise InputError("this check is visual: press Space for yes, x for no")


def meant_supply(design: Design, key: CheckKey, text: str) -> str:
    """Return the supply volts that were likely meant if the decimal point is misplaced.

    Empty without a likely slip; a minus sign means reversed leads, not a slip.
    """
    check, name = key
    if check != "supply":
        return ""
    try:
        volts = parse_number(text.strip().removesuffix("V").strip(), "volts")
    except InputError:
        return ""
    feed_v = _feed(design, name).volts
    for factor in DECIMAL_SLIPS:
        if abs(volts * factor - feed_v) <= MAX_SLIP_SHARE * feed_v:
            return f"{volts * factor:.6g}"
    return ""


def parse_ohms(text: str) -> float:
    """Return ohms from a meter's display: `470`, `12k`, `1.2M`, `OL` for over range.

    Raises:
        InputError: not a resistance.

    >>> parse_ohms("12.5k"), parse_ohms("OL")
    (12500.0, inf)
    """
    word = text.strip().removesuffix("Ω").strip()
    if word.upper() in ("OL", "0L", "O.L"):
        return math.inf
    factor = {"k": 1e3, "K": 1e3, "M": 1e6}.get(word[-1:], 1.0)
    ohm = parse_number(word[:-1].strip() if factor > 1.0 else word, "ohms")
    if ohm < 0.0:
        raise InputError(
            f"ohms: {ohm:g}; a charged capacitor reads below zero: wait, then read again"
        )
    return ohm * factor


def _feed(design: Design, name: str) -> Feed:
    for feed in design.feeds:
        if feed.name == name:
            return feed
    raise InputError(f'feed "{name[:40]}": the prop has no feed of that name')


def feeds_soldered(design: Design, where: str) -> frozenset[str]:
    """Return the feeds with a copper connection to the place of a soldered repair.

    At a node or a data joint both rails are within two millimetres, so solder bridges them there as
    easily as at a power joint. Only the order of colours is corrected without soldering.

    Args:
        design: the prop.
        where: a joint (`4A+`), a node (`4.17`), a strand (`4`), two of them (`4 5`), a feed's name
            or `colour_order`.

    Raises:
        NameFault: the design has no such place.
    """
    location = parse_location(where, design)
    if isinstance(location, ColourOrderSetting | ControllerSetting):
        return frozenset()
    places = {str(number) for number in location_strands(location)}
    places |= {feed for feed in [location_feed(location)] if feed is not None}
    part = _joined(design)
    parts = {part[place] for place in places}
    return frozenset(feed.name for feed in design.feeds if part[feed.name] in parts)


def checks_after(design: Design, where: str) -> frozenset[CheckKey]:
    """Return the checks to repeat before power after a repair.

    These are the resistance between the rails of every feed with a copper connection to the place
    and, after work on a feed's own joint or cable, its polarity.

    Raises:
        NameFault: the design has no such place.
    """
    feeds = feeds_soldered(design, where)
    own = {location_feed(parse_location(where, design))}
    rails = {("rails", name) for name in feeds}
    return frozenset(key for key in all_checks(design)
                     if key in rails or (key[0] == "polarity" and key[1] in own))  # fmt: skip


def _joined(design: Design) -> dict[str, str]:
    """Return a label for every strand (by number) and feed, equal for connected ones.

    Either rail connects: supplies that share only a return are checked together.
    """
    label = {str(strand.number): str(strand.number) for strand in design.strands}
    label |= {feed.name: feed.name for feed in design.feeds}
    groups = [[str(end.strand) for end in bus.ends] for bus in design.buses]
    groups += [[str(link.first.strand), str(link.second.strand)]
               for link in design.links if link.rails]  # fmt: skip
    groups += [[feed.name, str(feed.at.strand)] for feed in design.feeds]
    for first, *others in groups:
        for other in others:
            old, new = label[other], label[first]
            label = {name: new if one == old else one for name, one in label.items()}
    return label


def measured_supplies(design: Design, checks: Mapping[CheckKey, CheckMade]) -> dict[str, float]:
    """Return the measured volts of each supply, by feed. [V]

    Supplies that differ by a tenth of a volt drive amperes through the joints between them. The
    drop across such a joint is a product of two unknowns, and a good joint of three times its usual
    resistance would be reported bad. So the measured volts replace those of the design. A single
    supply moves all volts alike; its volts keep the tolerance of a supply, since they may be a
    typing error or sag under load.

    Args:
        design: the prop.
        checks: the last check of each kind and feed.
    """
    feeds = {feed.name for feed in design.feeds}
    return {
        made.feed: made.volts
        for made in checks.values()
        if made.check == "supply" and made.passed and made.volts is not None and made.feed in feeds
    }


def parse_supplies(design: Design, texts: Sequence[str]) -> dict[str, float]:
    """Return supply volts from text, by feed. [V]

    Args:
        design: the prop.
        texts: feed and volts, such as `left=5.05`.

    Raises:
        InputError: a feed is unknown or named twice, or its volts are out of range.
    """
    found: dict[str, float] = {}
    feeds = {feed.name: feed for feed in design.feeds}
    for text in texts:
        name, sign, volts = (part.strip() for part in text.partition("="))
        if not sign:
            first = design.feeds[0]
            raise InputError(
                f'"{printable(text)}": write feed=volts, such as {first.name}={first.volts:.2f}'
            )
        if name not in feeds:
            raise InputError(
                f'feed "{printable(name)}": the prop has none of that name'
                f"{did_you_mean(name, feeds)} (of {', '.join(feeds)})"
            )
        if name in found:
            raise InputError(f"feed {name}: is given twice")
        found[name] = _volts_of(design, feeds[name], volts)
    return found


def _volts_of(design: Design, feed: Feed, text: str) -> float:
    try:
        made = judge_check(design, ("supply", feed.name), text)
    except InputError as fault:
        raise InputError(f"feed {feed.name}: {fault}") from None
    if not made.passed or made.volts is None:
        raise InputError(
            f'feed {feed.name}: "{printable(text)}" must be within {100 * SUPPLY_TOLERANCE:g} % '
            f"of {feed.volts:g} V, and at most {design.node.most_v:g} V; measure again, or set "
            "that supply first"
        )
    return made.volts


def with_measured_supplies(design: Design, checks: Mapping[CheckKey, CheckMade]) -> Design:
    """Return the design with its supplies as measured; see `measured_supplies`."""
    return design.with_supply_volts(measured_supplies(design, checks))
