"""Repair instructions for each kind of fault."""

from __future__ import annotations

from collections.abc import Callable

from benchtest.diagnosis.finding import Suspect
from benchtest.diagnosis.model.faults import FaultKind
from benchtest.diagnosis.model.wiring_faults import connected_supplies
from benchtest.prop.design import BusPad, Design, FeedName
from benchtest.prop.joints import Joint
from benchtest.prop.notation import (
    COLOUR_ORDER,
    CONTROLLER,
    ColourOrderSetting,
    Location,
    location_feed,
    location_strands,
    name_locations,
    parse_location,
)

MAX_PLACES_NEAR = 3
"""Places to search for a short in one sentence."""


def repair_text(suspect: Suspect, design: Design) -> str:
    """Return one or two short sentences: what to do about a suspect, and what to inspect first."""
    where = suspect.where
    if suspect.growing or suspect.intermittent:
        found = _GROWING if suspect.growing else _INTERMITTENT
        return f"{found}; {fault_repair_text(design, where, 'resistive')}"
    text = fault_repair_text(design, where, suspect.fault)
    if suspect.near:
        text += f"; look first near {' and '.join(suspect.near[:MAX_PLACES_NEAR])}"
    return text


def fault_repair_text(design: Design, where: str, fault: FaultKind) -> str:
    """Return what to do about a kind of fault at a place, and what to inspect first."""
    if fault in ("resistive", "open"):
        return _power_text(design, where, fault)
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


def suspect_name(suspect: Suspect, design: Design) -> str:
    """Return the place of a suspect and its fault in a few words: `9A + at foot`, `node 4.17 dead`.

    A joint of some resistance has no word for its fault.
    """
    name = _place_name(parse_location(suspect.where, design), design)
    fault = "intermittent" if suspect.intermittent else _FAULT_WORDS[suspect.fault]
    return f"{name} {fault}".rstrip()


def _place_name(location: Location, design: Design) -> str:
    match location:
        case Joint(conductor=conductor, ends=ends):
            wire = "data" if conductor == "d" else conductor
            if (feed := location_feed(location)) is not None:
                return f"feed {feed} {wire}"
            at = [] if len(ends) > 1 else [design.bus_of(ends[0])]
            where = f" at {at[0].name}" if at and at[0] is not None else ""
            return f"{' to '.join(map(str, ends))} {wire}{where}"
        case FeedName(feed):
            return f"feed {feed}"
        case ColourOrderSetting():
            return "colour order"
    return name_locations([location])[0]


_FAULT_WORDS: dict[FaultKind, str] = {
    "resistive": "",
    "open": "open",
    "data-open": "open",
    "dead-node": "dead",
    "no-data-out": "passes no data",
    "colour-order": "other colours",
    "reversed": "reversed",
    "swapped": "exchanged",
    "short": "short",
}
_GROWING = "grows as it warms: read the drop across it again after a minute of full white"
_INTERMITTENT = "intermittent: move its wire with a dry stick while you read the drop across it"


def _power_text(design: Design, where: str, fault: FaultKind) -> str:
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


def _reversed_text(design: Design, where: str) -> str:
    return (
        f"switch off; separate strand {where} at both ends, turn it so that its arrows point along "
        "the data line, and remake its joints"
    )


def _swapped_text(design: Design, where: str) -> str:
    one, two = location_strands(parse_location(where, design))
    return (
        f"strands {one} and {two} are in each other's place on the data line: switch off and "
        "uncross their data wires, or renumber them in the prop file"
    )


def _colour_order_text(design: Design, where: str) -> str:
    if where != COLOUR_ORDER:
        return (
            f"light strand {where} red, green and blue alone; where only this strand shows other "
            "colours, put in one of the same make as the rest"
        )
    return (
        "light red, green and blue alone, and set colour_order under [node] in the prop file "
        f'(now "{design.node.colour_order}") by what you see'
    )


def _short_text(design: Design, where: str) -> str:
    feeds = next(feeds for _, feeds in connected_supplies(design) if where in feeds)
    names = [feed.name for feed in design.feeds if feed.name in feeds]
    plural = "s" if len(names) > 1 else ""
    return (
        f"switch off and unplug feed{plural} {' and '.join(names)}; look at the fuse{plural}, and "
        "if the rails read below 5 ohms both ways round, for a bridge between them; never put in a "
        "larger fuse or none"
    )


def _mapping_text(design: Design, where: str) -> str:
    setting = where.removeprefix(f"{CONTROLLER} ")
    key, _, value = setting.partition("=")
    lead = design.outputs[0]
    change = "; set one like the other, nothing on the prop is at fault"
    if key == "slots":
        theirs = dict(part.split("=") for part in setting.split(","))
        ours = _slots_text(lead.slots, design.node.channels, packed=lead.packed)
        channels = design.node.channels
        found = _slots_text(int(theirs["slots"]), channels, packed=theirs["packed"] == "true")
        return f"your controller uses {found}; the prop file says {ours}{change}"
    if key == "without":
        return (
            f"your controller shows nothing from universe {value} on; switch that universe on "
            "there, or raise its number of universes or nodes: nothing on the prop is at fault"
        )
    if key == "channels":
        return (
            f"your controller counts {value} channels for each node; the prop file says "
            f"{design.node.channels}{change}"
        )
    if key == "outputs":
        one, _, other = value.partition("-")
        return (
            f"outputs {other} and {one} are exchanged at the controller; switch off and exchange "
            "the two plugs, or their addresses"
        )
    if "," in value:
        place = setting.replace("=", " ").replace(",", ", ")
        ours = f"universe {lead.universe}, channel {lead.channel}"
        return f"your controller begins at {place}; the prop file says {ours}{change}"
    ours = str(lead.universe if key == "universe" else lead.channel)
    return f"your controller begins at {key} {value}; the prop file says {ours}{change}"


def _slots_text(slots: int, channels: int, *, packed: bool) -> str:
    if packed:
        return f"{slots} slots of each universe (nodes may span two)"
    return f"{slots - slots % channels} slots of each universe (whole nodes only)"


_WIRING: dict[FaultKind, Callable[[Design, str], str]] = {
    "reversed": _reversed_text,
    "swapped": _swapped_text,
    "colour-order": _colour_order_text,
    "short": _short_text,
    "mapping": _mapping_text,
}
