"""What to do about a suspect, in the words of somebody at the bench."""

from __future__ import annotations

from collections.abc import Callable

from benchtest.diagnosis.model.faults import FaultKind
from benchtest.diagnosis.model.wiring_faults import supplied
from benchtest.prop.design import BusPad, Design, FeedName
from benchtest.prop.joints import Joint
from benchtest.prop.notation import COLOUR_ORDER, location_feed, parse_location


def repair_words(design: Design, where: str, fault: FaultKind) -> str:
    """One or two short sentences: what to do, where, and what must be looked at first."""
    if fault in ("resistive", "open"):
        return _power(design, where, fault)
    if fault in _WIRING:
        return _WIRING[fault](design, where)
    if fault == "data-open":
        return f"switch off; reflow data joint {where}, then the next one along the data line"
    if fault == "dead-node":
        return (
            f"switch off; look for a crack or a bridge at node {where}, reflow its pads, "
            "else replace the node"
        )
    return f"switch off; reflow the data output of node {where}, else replace the node"


def unsteady_words(design: Design, where: str, *, growing: bool) -> str:
    """Return what to do about a joint whose resistance changed while it was read."""
    if growing:
        found = "grows as it warms: read the drop across it again after a minute of full white"
    else:
        found = "intermittent: move its wire with a dry stick while you read the drop across it"
    return f"{found}; {repair_words(design, where, 'resistive')}"


def _power(design: Design, where: str, fault: FaultKind) -> str:
    joint = parse_location(where, design)
    if isinstance(joint, FeedName):
        rating = next(feed.fuse_a for feed in design.feeds if feed.name == where)
        fuse = "its fuse" if rating is None else f"its fuse of {rating:g} A"
        return (
            f"switch off; no current comes from feed {where}: look at {fuse} and the holder, and "
            "whether its supply is on; before a new fuse of the same rating goes in, read ohms "
            "between the rails (below 5 ohms both ways round: a bridge)"
        )
    assert isinstance(joint, Joint)
    rail = "supply" if joint.conductor == "+" else "return"
    if location_feed(joint) is not None:
        thing = f"feed joint {where} ({rail} cable onto its pad)"
        return f"switch off; reflow {thing}, and look at fuse holder and cable lug while there"
    if len(joint.ends) == 2:
        return f"switch off; cut out and remake joint {where} ({rail}), wire to wire"
    verb = "resolder" if fault == "open" else "reflow"
    (end,) = joint.ends
    bus = design.bus_of(end)
    pad = "" if bus is None else f" {BusPad(bus.name, end.strand)}"
    return f"switch off; {verb} joint {where} ({rail} wire onto pad{pad}); tug it when cold"


def _turn(design: Design, where: str) -> str:
    return (
        f"switch off; part strand {where} at both ends, turn it so that its arrows point along the "
        "data line, and remake its joints"
    )


def _uncross(design: Design, where: str) -> str:
    one, two = where.split()
    return (
        f"strands {one} and {two} are in each other's place on the data line: switch off and "
        "uncross their data wires, or renumber them in the prop file"
    )


def _set_order(design: Design, where: str) -> str:
    if where != COLOUR_ORDER:
        return (
            f"light strand {where} red, green and blue alone; where only this strand shows other "
            "colours, put in one of the same make as the rest"
        )
    return (
        "light red, green and blue alone, and set colour_order under [node] in the prop file "
        f'(now "{design.node.colour_order}") by what you see'
    )


def _find_short(design: Design, where: str) -> str:
    feeds = next(feeds for _, feeds in supplied(design) if where in feeds)
    names = [feed.name for feed in design.feeds if feed.name in feeds]
    plural = "s" if len(names) > 1 else ""
    return (
        f"switch off and unplug feed{plural} {' and '.join(names)}; look at the fuse{plural}, and "
        "if the rails read below 5 ohms both ways round, for a bridge between them; never put in a "
        "larger fuse or none"
    )


_WIRING: dict[FaultKind, Callable[[Design, str], str]] = {
    "reversed": _turn,
    "swapped": _uncross,
    "colour-order": _set_order,
    "short": _find_short,
}
