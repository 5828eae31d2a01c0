"""What to do about a suspect, in the words of somebody at the bench."""

from __future__ import annotations

from benchtest.diagnosis.faults import FaultKind
from benchtest.prop.design import Design
from benchtest.prop.names import joint_by_name


def repair_words(design: Design, where: str, fault: FaultKind) -> str:
    """One or two short sentences: what to do, where, and what must be looked at first."""
    if fault in ("resistive", "open"):
        return _power(design, where, fault)
    if fault == "data-open":
        return f"switch off; reflow data joint {where}, then the next one along the data line"
    if fault == "dead-node":
        return (
            f"switch off; look for a crack or a bridge at node {where}, reflow its pads, "
            "else replace the node"
        )
    return f"switch off; reflow the data output of node {where}, else replace the node"


def _power(design: Design, where: str, fault: FaultKind) -> str:
    joint = joint_by_name(where, design)
    rail = "supply" if joint.conductor == "+" else "return"
    feeds = {feed.name for feed in design.feeds}
    if where[:-1] in feeds:
        thing = f"feed joint {where} ({rail} cable onto its pad)"
        return f"switch off; reflow {thing}, and look at fuse holder and cable lug while there"
    if "~" in where:
        return f"switch off; cut out and remake joint {where} ({rail}), wire to wire"
    verb = "resolder" if fault == "open" else "reflow"
    bus = joint.near.place if joint.near is not None else ""
    return f"switch off; {verb} joint {where} ({rail} wire onto pad {bus}); tug it when cold"
