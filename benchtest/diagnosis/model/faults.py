"""Single faults of a prop, and their prior odds."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from benchtest.circuit.netlist import fuse_ohm, has_fuse
from benchtest.diagnosis.model.mapping_faults import mapping_faults
from benchtest.diagnosis.model.wiring_faults import (
    DataRemap,
    DeadCopper,
    connected_supplies,
    dead_copper,
    other_orders,
    recoloured,
    swaps,
)
from benchtest.prop.design import Design
from benchtest.prop.joints import (
    Joint,
    data_hops,
    data_joints,
    data_order,
    path_hops,
    power_joints,
    strand_starts,
)
from benchtest.prop.notation import COLOUR_ORDER

FaultKind = Literal[
    "resistive",
    "open",
    "data-open",
    "dead-node",
    "no-data-out",
    "colour-order",
    "reversed",
    "swapped",
    "short",
    "mapping",
]


@dataclass(frozen=True, slots=True)
class Priors:
    """Prior odds of each fault against none, for one joint or one node of a new, hand-made prop.

    Common practice, no source: about one prop in five has a bad power joint, one in twenty a bad
    data joint, and one node in some thousands is dead. Of a dozen strands one is reversed in one
    prop of fifty, and two are swapped in one of a hundred.
    """

    resistive: float = 4e-3
    open: float = 1e-3
    data_open: float = 2e-3
    dead_node: float = 1e-4
    dark_node: float = 1e-4
    """A node that is dark and passes its data on."""
    no_data_out: float = 5e-5
    reversed: float = 1.5e-3
    """A strand: less likely than a data joint, for its arrows can be seen."""
    swapped: float = 1e-3
    """Two strands adjacent on the data path."""
    colour_setting: float = 5e-3
    """The prop's setting: wrong for the first unit of a design, and corrected then."""
    colour_strand: float = 5e-4
    """A strand: one of another make among the rest."""
    short: float = 5e-3
    """The prop: a solder bridge between the rails, or a blown fuse, in one of two hundred."""
    mapping: float = 1e-2
    """The prop's controller: set otherwise than the prop file has it in one of a hundred tests, for
    the first unit of a design; weighed once something was seen amiss."""
    fuse: float = 5e-3
    """A feed next to others: its fuse is blown, or its supply is off or unplugged."""


@dataclass(frozen=True)
class ChainFault:
    """A fault other than a single power joint: of data, a node, the wiring or a setting.

    Attributes:
        where: joint, node, strand, feed or setting at fault.
        kind: kind of fault.
        start: first dark node, as a position in the order in which data reaches the nodes.
        stop: position after the last dark node; equal to `start` if no node is dark.
        odds: prior odds against no fault.
        remap: data that nodes receive instead of their own; None if unchanged.
        shorted: copper without voltage; None if all has voltage.
    """

    where: str
    kind: FaultKind
    start: int
    stop: int
    odds: float
    remap: DataRemap | None = None
    shorted: DeadCopper | None = None


@dataclass(frozen=True)
class FaultSpace:
    """Every single fault of one design.

    Attributes:
        joints: power joints, each of which may be resistive or open, followed by the fuses of feeds
            next to others, each of which may be blown.
        chain: all other faults: of the data line, of nodes, of the wiring and of settings.
        priors: odds of each kind against none.
        order: node indices in the order in which data reaches the nodes, shape (nodes,).
        rate_factors: factor on the odds of places found faulty more often than their kind, by name.
    """

    joints: tuple[Joint, ...]
    chain: tuple[ChainFault, ...]
    priors: Priors
    order: NDArray[np.intp]
    rate_factors: Mapping[str, float] = field(default_factory=dict)

    @property
    def soldered(self) -> int:
        """Number of `joints` that are not fuses; these come first."""
        return sum(not joint.is_fuse for joint in self.joints)


def fault_space(
    design: Design, priors: Priors | None = None, rate_factors: Mapping[str, float] | None = None
) -> FaultSpace:
    """Return every single fault of a design, in the order of its file.

    Args:
        design: the prop.
        priors: odds of each kind; None for those of a hand-made prop.
        rate_factors: see `FaultSpace`; None for no factors.
    """
    odds = priors or Priors()
    order = data_order(design)
    chain = [
        *_open_data(design, odds),
        *_bad_nodes(design, order, odds),
        *_reversed(design, odds),
        *_swapped(design, odds),
        *_colour_orders(design, odds),
        *_short(design, order, odds),
        *_mappings(design, odds),
    ]
    joints = (*power_joints(design), *fuses(design))
    return FaultSpace(joints, tuple(chain), odds, order, rate_factors or {})


def fuses(design: Design) -> list[Joint]:
    """Return the fuse of each feed whose supply rail has another feed too.

    With its fuse blown, the other feed carries all current. A lone feed's fuse removes all voltage:
    see `wiring_faults.dead_copper`.
    """
    shared = {name for _, feeds in connected_supplies(design) if len(feeds) > 1 for name in feeds}
    return [
        Joint(feed.name, "+", (), ohm=fuse_ohm(feed))
        for feed in design.feeds
        if feed.name in shared and has_fuse(design, feed)
    ]


def _open_data(design: Design, odds: Priors) -> list[ChainFault]:
    """Return the fault of each data joint: all nodes after it stay dark."""
    return [
        ChainFault(joint.name, "data-open", start, design.line_end(start), odds.data_open)
        for joint, start in zip(data_joints(design), data_joint_starts(design), strict=True)
    ]


def data_joint_starts(design: Design) -> list[int]:
    """Return the chain position of the first node after each data joint, in `data_joints` order."""
    starts = [0]
    linked = {frozenset((link.first, link.second)) for link in design.links}
    hops = set(data_hops(design))
    for hop, place in zip(path_hops(design), strand_starts(design)[1:], strict=True):
        starts += [place] if hop not in hops or frozenset(hop) in linked else [place, place]
    return starts


def _bad_nodes(design: Design, order: NDArray[np.intp], odds: Priors) -> list[ChainFault]:
    """Return the faults of each node.

    It is dark with all nodes after it, dark alone, or lit with all nodes after it dark.
    """
    found = []
    has_backup = design.node.backup_data
    for place, index in enumerate(order.tolist()):
        where, end = str(design.node_at(index)), design.line_end(place)
        single_odds = odds.dark_node + (odds.dead_node if has_backup else 0.0)
        found.append(ChainFault(where, "dead-node", place, place + 1, single_odds))
        if not has_backup:
            found.append(ChainFault(where, "dead-node", place, end, odds.dead_node))
            if place + 1 < end:
                found.append(ChainFault(where, "no-data-out", place + 1, end, odds.no_data_out))
    return found


def _reversed(design: Design, odds: Priors) -> list[ChainFault]:
    """Return each strand installed backwards: data finds no input, and its voltages are normal."""
    return [
        ChainFault(str(entry.strand), "reversed", start, design.line_end(start), odds.reversed)
        for entry, start in zip(design.data_path, strand_starts(design), strict=True)
    ]


def _swapped(design: Design, odds: Priors) -> list[ChainFault]:
    """Return each pair of adjacent strands exchanged."""
    return [
        ChainFault(where, "swapped", 0, 0, odds.swapped, remap=remap)
        for where, remap in swaps(design)
    ]


def _colour_orders(design: Design, odds: Priors) -> list[ChainFault]:
    """Return each wrong colour order, of the whole prop and of each strand."""
    orders, found = other_orders(design.node.colours), []
    for order in orders:
        remap = recoloured(np.arange(design.node_count), order)
        each = odds.colour_setting / len(orders)
        found.append(ChainFault(COLOUR_ORDER, "colour-order", 0, 0, each, remap=remap))
    for strand, start in zip(design.strands, design.first_index, strict=True):
        for order in orders:
            remap = recoloured(np.arange(start, start + strand.nodes), order)
            each, where = odds.colour_strand / len(orders), str(strand.number)
            found.append(ChainFault(where, "colour-order", 0, 0, each, remap=remap))
    return found


def _mappings(design: Design, odds: Priors) -> list[ChainFault]:
    """Return each setting of the controller that may disagree with the prop file."""
    return [
        ChainFault(
            fault.where,
            "mapping",
            fault.start,
            fault.stop,
            odds.mapping * fault.share,
            remap=fault.remap,
        )
        for fault in mapping_faults(design)
    ]


def _short(design: Design, order: NDArray[np.intp], odds: Priors) -> list[ChainFault]:
    """Return each piece of copper without voltage, named by its first feed.

    All nodes on it are dark, and so are those after it on their data line. Half of the odds are a
    short, half a blown fuse, even where a piece has several feeds, whose fuses are joints: see
    `fuses`.
    """
    # of equal pieces the reversed order keeps the first feed's
    by_piece = {(s.strands, s.amps_sd): (feed, s) for feed, s in reversed(dead_copper(design))}
    pieces, found = list(by_piece.values())[::-1], []
    count = len({shorted.strands for _, shorted in pieces})
    for feed, shorted in pieces:
        dead = np.isin(order, shorted.nodes(design))
        places, each = np.flatnonzero(dead), odds.short / (2.0 * count)
        start, end = int(places[0]), design.line_end(int(places[-1]))
        found.append(ChainFault(feed, "short", start, end, each, shorted=shorted))
    return found
