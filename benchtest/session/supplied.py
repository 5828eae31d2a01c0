"""A design with the volts that its supplies were measured at before power."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace

from benchtest.prop.design import Design
from benchtest.session.checks import Key
from benchtest.session.events import CheckMade


def as_supplied(design: Design, checks: Mapping[Key, CheckMade]) -> Design:
    """The design that a unit's readings are weighed by.

    Supplies that should be equal and are a tenth of a volt apart drive amperes through the joints
    between them. What such a joint drops is a product of two things not known, and a sound joint
    of three times its usual resistance would be called bad: so the volts that somebody measured
    stand in for the design's. One supply alone moves all volts alike, as readings tell anyway.

    Args:
        design: the prop.
        checks: what was made sure of before power, by check and feed.
    """
    if len(design.feeds) < 2:
        return design
    volts = {
        made.feed: made.volts
        for made in checks.values()
        if made.check == "supply" and made.passed and made.volts is not None
    }
    feeds = tuple(replace(feed, volts=volts.get(feed.name, feed.volts)) for feed in design.feeds)
    return design if feeds == design.feeds else replace(design, feeds=feeds)
