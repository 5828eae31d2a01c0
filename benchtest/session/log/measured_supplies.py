"""A design with the volts that its supplies were measured at before power."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

from benchtest.errors import InputError, did_you_mean
from benchtest.input_files import printable
from benchtest.prop.design import Design, Feed
from benchtest.session.log.events import CheckMade
from benchtest.session.log.power_checks import SUPPLY_SHARE, Key, judge


def measured_supplies(design: Design, checks: Mapping[Key, CheckMade]) -> dict[str, float]:
    """Volts of supplies that a unit's readings are weighed by, by feed. [V]

    Supplies that should be equal and are a tenth of a volt apart drive amperes through the joints
    between them. What such a joint drops is a product of two things not known, and a sound joint
    of three times its usual resistance would be called bad: so the volts that somebody measured
    stand in for the design's. One supply alone moves all volts alike, so its volts are what healthy
    ones are compared with; they keep the tolerance of a supply, since they may be a slip of the
    pen or sag under load.

    Args:
        design: the prop.
        checks: what was made sure of before power, by check and feed.
    """
    feeds = {feed.name for feed in design.feeds}
    return {
        made.feed: made.volts
        for made in checks.values()
        if made.check == "supply" and made.passed and made.volts is not None and made.feed in feeds
    }


def typed_supplies(design: Design, texts: Sequence[str]) -> dict[str, float]:
    """Volts of supplies as somebody typed them, by feed. [V]

    Args:
        design: the prop.
        texts: each a feed and its volts, such as `left=5.05`.

    Raises:
        InputError: a feed is unknown or named twice, or its volts are none that a prop may have.
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
        made = judge(design, ("supply", feed.name), text)
    except InputError as fault:
        raise InputError(f"feed {feed.name}: {fault}") from None
    if not made.passed or made.volts is None:
        raise InputError(
            f'feed {feed.name}: "{printable(text)}" should be within {100 * SUPPLY_SHARE:g} % of '
            f"{feed.volts:g} V, and at most {design.node.most_v:g} V; measure again, or set that "
            "supply before anything else"
        )
    return made.volts


def with_measured_supplies(design: Design, checks: Mapping[Key, CheckMade]) -> Design:
    """The design with the supplies as they were measured; see `measured_supplies`."""
    return design.with_supply_volts(measured_supplies(design, checks))
