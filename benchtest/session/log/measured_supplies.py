"""Supply volts as measured, put into the design."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

from benchtest.errors import InputError, did_you_mean
from benchtest.input_files import printable
from benchtest.prop.design import Design, Feed
from benchtest.session.log.events import CheckMade
from benchtest.session.log.power_checks import SUPPLY_TOLERANCE, CheckKey, judge_check


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
