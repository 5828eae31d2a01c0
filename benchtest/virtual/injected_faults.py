"""Faults for injection into a virtual prop, in the contract's notation: `4A+=0.8`, `4.17=dead`."""

from __future__ import annotations

import math
from collections.abc import Iterable
from dataclasses import dataclass
from typing import Literal

import numpy as np

from benchtest.diagnosis.model.faults import fuses
from benchtest.diagnosis.model.wiring_faults import DataRemap, recoloured, swaps
from benchtest.errors import InputError, did_you_mean
from benchtest.formatting import float_from_text
from benchtest.prop.design import Design, FeedName, NodeName, StrandEnd
from benchtest.prop.joints import Joint, strand_order
from benchtest.prop.notation import (
    COLOUR_ORDER,
    ColourOrderSetting,
    ControllerSetting,
    StrandNumbers,
    parse_location,
)

NodeState = Literal["dead", "dark", "no-data-out"]
_NODE_STATES: tuple[NodeState, ...] = ("dead", "dark", "no-data-out")
"""dead: dark, and forwards no data (a backup line bypasses it); dark: forwards its data;
no-data-out: lit, but no node after it gets data.
"""


@dataclass(frozen=True, slots=True)
class JointFault:
    """A power joint of given resistance, `math.inf` for open; an open data joint; a blown fuse."""

    where: str
    ohm: float
    part: Literal["power joint", "data joint", "fuse"] = "power joint"

    def __str__(self) -> str:
        if self.part == "fuse":
            return f"{self.where}=blown"
        return f"{self.where}={'open' if math.isinf(self.ohm) else format(self.ohm, 'g')}"


@dataclass(frozen=True, slots=True)
class NodeFault:
    """A faulty node."""

    where: str
    state: NodeState

    def __str__(self) -> str:
        return f"{self.where}={self.state}"


@dataclass(frozen=True, slots=True)
class WiringFault:
    """Wrongly connected strands, a wrong colour order, or a shorted feed.

    `what` is `reversed`, `swapped`, `short`, or the colour order of the nodes, such as `GRB`.
    """

    where: str
    """In the diagnosis's notation: `4`, `4 5`, `colour_order` or a feed."""
    what: str

    def __str__(self) -> str:
        if self.what == "swapped":
            return "{}=swapped:{}".format(*self.where.split())
        return f"{self.where}={self.what}"


InjectedFault = JointFault | NodeFault | WiringFault


def parse_fault(text: str, design: Design) -> InjectedFault:
    """Parse one fault.

    Raises:
        InputError: the text has another form, or the prop has no such joint or node.
    """
    where, equals, what = (part.strip() for part in text.partition("="))
    if not equals or not where or not what:
        raise InputError(
            f'fault "{text[:40]}": write joint=ohms (4A+=0.8), joint=open (4Ad=open), '
            "node=dead (4.17=dead), 4=reversed, 4=swapped:5, 4=GRB, colour_order=GRB, main=short "
            "or main=blown"
        )
    match location := parse_location(where, design):
        case NodeName():
            return _node_fault(location, what)
        case StrandNumbers():
            return _strand_fault(location, what, design)
        case ColourOrderSetting():
            return WiringFault(where, _order(where, what, design))
        case FeedName():
            return _feed_fault(where, what, design)
        case Joint():
            return _joint_fault(location, what, text)
        case ControllerSetting():
            raise InputError(
                f'fault "{text[:40]}": set the controller by --output, such as '
                "--output slots=512,packed=true"
            )


def parse_faults(texts: Iterable[str], design: Design) -> list[InjectedFault]:
    """Parse faults; a joint or node may have only one.

    Raises:
        InputError: a fault is invalid, or a place occurs twice.
    """
    found: dict[str, InjectedFault] = {}
    for text in texts:
        fault = parse_fault(text, design)
        if fault.where in found:
            raise InputError(f"fault {fault}: {fault.where} has {found[fault.where]} already")
        found[fault.where] = fault
    return list(found.values())


def _joint_fault(joint: Joint, what: str, text: str) -> JointFault:
    if joint.is_power:
        return JointFault(joint.name, math.inf if what == "open" else _ohms(text, what))
    if what != "open":
        raise InputError(f'fault "{text[:40]}": a data joint is good or open; write {joint}=open')
    return JointFault(joint.name, math.inf, "data joint")


def _feed_fault(where: str, what: str, design: Design) -> JointFault | WiringFault:
    if what == "blown" and where in {fuse.name for fuse in fuses(design)}:
        return JointFault(where, math.inf, "fuse")
    if what not in ("short", "blown"):
        raise InputError(
            f'fault {where}: "{what[:20]}"; write {where}=short, or {where}=blown for its fuse'
        )
    return WiringFault(
        where, "short"
    )  # without other feeds, a blown fuse removes all voltage as a short does


def _node_fault(node: NodeName, what: str) -> NodeFault:
    for state in _NODE_STATES:
        if what == state:
            return NodeFault(str(node), state)
    known = ", ".join(_NODE_STATES)
    raise InputError(f'fault {node}: "{what[:20]}"; give {known}{did_you_mean(what, _NODE_STATES)}')


def _strand_fault(location: StrandNumbers, what: str, design: Design) -> WiringFault:
    strand, *others = location.numbers
    if others:
        raise InputError(f'fault {location}: give one strand, such as "{strand}=reversed"')
    if what == "reversed":
        return WiringFault(str(strand), what)
    word, _, other = what.partition(":")
    if word == "swapped":
        pairs = [pair for pair, _ in swaps(design)]
        for pair in (f"{strand} {other.strip()}", f"{other.strip()} {strand}"):
            if pair in pairs:
                return WiringFault(pair, "swapped")
        raise InputError(
            f'fault {strand}: "{what[:20]}"; name its neighbour on the data path: '
            f"{strand}=swapped:{_neighbour(strand, pairs)}"
        )
    return WiringFault(str(strand), _order(str(strand), what, design))


def _neighbour(strand: int, pairs: list[str]) -> str:
    near = [pair.split() for pair in pairs if str(strand) in pair.split()]
    return next((name for pair in near for name in pair if name != str(strand)), "?")


def _order(where: str, what: str, design: Design) -> str:
    right = design.node.colour_order
    if sorted(what.upper()) != sorted(right) or what.upper() == right:
        words = f'fault {where}: "{what[:20]}"; give a colour order other than {right}'
        raise InputError(words + (", reversed or swapped:5" if where != COLOUR_ORDER else ""))
    return what.upper()


def data_remap(fault: WiringFault, design: Design) -> DataRemap | None:
    """Return the change of each node's data by a fault; None if the fault changes no data."""
    if fault.what == "swapped":
        return dict(swaps(design))[fault.where]
    if fault.what in ("reversed", "short"):
        return None
    nodes = np.arange(design.node_count)
    if fault.where != COLOUR_ORDER:
        nodes = strand_order(design, StrandEnd(int(fault.where), "A"))
    right = design.node.colour_order
    letters = [colour[0].upper() for colour in design.node.colours]
    # a channel uses the position of its own colour in the order that the chip assumes
    taken = [right[fault.what.index(letter)] for letter in letters]
    return recoloured(nodes, tuple(letters.index(letter) for letter in taken))


def _ohms(text: str, what: str) -> float:
    try:
        ohm = float_from_text(what)
    except ValueError:
        ohm = math.nan
    if not 0.0 <= ohm <= 1e6:
        raise InputError(f'fault "{text[:40]}": give ohms from 0 to 1000000, or open')
    return ohm
