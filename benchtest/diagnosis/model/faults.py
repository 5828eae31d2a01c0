"""What may be wrong with a prop, and how likely that is before anything was seen."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from benchtest.circuit.netlist import fuse_ohm, has_fuse
from benchtest.diagnosis.model.wiring_faults import (
    DataRemap,
    DeadCopper,
    other_orders,
    recoloured,
    shorts,
    supplied,
    swaps,
)
from benchtest.prop.data_path import data_hops, data_order
from benchtest.prop.design import Design
from benchtest.prop.joints import Joint, data_joints, power_joints
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
]

LEAST_OHM, MOST_OHM = 0.03, 30.0
"""Range of a resistive joint. Below, it is as good as its neighbours; above, it is open."""


@dataclass(frozen=True, slots=True)
class Priors:
    """Odds of each fault against none, for one joint or one node of a fresh, hand-made prop.

    Common practice, no source: about one prop in five has a bad power joint, one in twenty a bad
    data joint, and a node is dead once in some thousands. Of a dozen strands one is turned round
    in one prop of fifty, and two are taken for each other in one of a hundred.
    """

    resistive: float = 4e-3
    open: float = 1e-3
    data_open: float = 2e-3
    dead_node: float = 1e-4
    dark_node: float = 1e-4
    """A node that is dark and passes its data on."""
    no_data_out: float = 5e-5
    reversed: float = 1.5e-3
    """A strand: less than a data joint, for its arrows can be seen."""
    swapped: float = 1e-3
    """Two neighbours of the data path."""
    colour_setting: float = 5e-3
    """The prop's setting: it is wrong for the first unit of a design, and put right then."""
    colour_strand: float = 5e-4
    """A strand: it takes one of another make among the rest."""
    short: float = 5e-3
    """The prop: a bridge of solder between the rails, or a fuse gone, in one of two hundred."""
    fuse: float = 5e-3
    """A feed beside others: its fuse has blown, or its supply is off or unplugged."""


@dataclass(frozen=True)
class ChainFault:
    """A fault that no one power joint makes: of data, of a node, of wiring or of a setting.

    It leaves nodes dark that should be lit: `start` and `stop` bound them by their place in the
    order that data reaches them. `remap` tells nodes something else than it should; `shorted`
    takes the volts away.
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
        joints: power joints, each of which may be resistive or open; behind them the fuses of feeds
            beside others, each of which may be blown.
        chain: faults of the data line and of nodes, and all others that are no power joint's.
        priors: odds of each kind against none.
        order: places of nodes in the order that data reaches them, shape (nodes,).
        often: how much likelier than its kind the bench has found some places, by name.
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
    """Every single fault of a design, in the order of its file."""
    odds = priors or Priors()
    order = data_order(design)
    chain = [
        *_open_data(design, odds),
        *_bad_nodes(design, order, odds),
        *_reversed(design, odds),
        *_swapped(design, odds),
        *_colour_orders(design, odds),
        *_short(design, order, odds),
    ]
    joints = (*power_joints(design), *fuses(design))
    return FaultSpace(joints, tuple(chain), odds, order, rate_factors or {})


def fuses(design: Design) -> list[Joint]:
    """The fuse of each feed whose `+` copper another one feeds too.

    Without it that one carries all. A lone feed's fuse takes all volts: see `wiring.shorts`.
    """
    beside = {name for _, feeds in supplied(design) if len(feeds) > 1 for name in feeds}
    return [
        Joint(feed.name, "+", (), ohm=fuse_ohm(feed))
        for feed in design.feeds
        if feed.name in beside and has_fuse(design, feed)
    ]


def _open_data(design: Design, odds: Priors) -> list[ChainFault]:
    """Each data joint: everything after it stays dark."""
    end = design.node_count
    return [
        ChainFault(joint.name, "data-open", start, end, odds.data_open)
        for joint, start in zip(data_joints(design), data_joint_starts(design), strict=True)
    ]


def data_joint_starts(design: Design) -> list[int]:
    """Chain place of the first node after each data joint, in the order of `data_joints`."""
    starts, place = [0], 0
    linked = {frozenset((link.first, link.second)) for link in design.links}
    for leaving, entering in data_hops(design):
        place += design.strand(leaving.strand).nodes
        starts += [place] if frozenset((leaving, entering)) in linked else [place, place]
    return starts


def _bad_nodes(design: Design, order: NDArray[np.intp], odds: Priors) -> list[ChainFault]:
    """Each node: dark with all after it, dark alone, or lit with all after it dark."""
    count, found = design.node_count, []
    passes_by = design.node.backup_data
    for place, index in enumerate(order.tolist()):
        where = str(design.node_at(index))
        alone = odds.dark_node + (odds.dead_node if passes_by else 0.0)
        found.append(ChainFault(where, "dead-node", place, place + 1, alone))
        if not passes_by:
            found.append(ChainFault(where, "dead-node", place, count, odds.dead_node))
            if place + 1 < count:
                found.append(ChainFault(where, "no-data-out", place + 1, count, odds.no_data_out))
    return found


def _reversed(design: Design, odds: Priors) -> list[ChainFault]:
    """Each strand put in the wrong way round: data finds no way in, and its volts are right."""
    end, place, found = design.node_count, 0, []
    for entry in design.data_path:
        found.append(ChainFault(str(entry.strand), "reversed", place, end, odds.reversed))
        place += design.strand(entry.strand).nodes
    return found


def _swapped(design: Design, odds: Priors) -> list[ChainFault]:
    return [
        ChainFault(where, "swapped", 0, 0, odds.swapped, remap=remap)
        for where, remap in swaps(design)
    ]


def _colour_orders(design: Design, odds: Priors) -> list[ChainFault]:
    """Each order but the right one, of the whole prop and of each strand."""
    orders, found = other_orders(design.node.colours), []
    for order in orders:
        remap = recoloured(np.arange(design.node_count), order)
        part = odds.colour_setting / len(orders)
        found.append(ChainFault(COLOUR_ORDER, "colour-order", 0, 0, part, remap=remap))
    for strand, start in zip(design.strands, design.first_index, strict=True):
        for order in orders:
            remap = recoloured(np.arange(start, start + strand.nodes), order)
            part, where = odds.colour_strand / len(orders), str(strand.number)
            found.append(ChainFault(where, "colour-order", 0, 0, part, remap=remap))
    return found


def _short(design: Design, order: NDArray[np.intp], odds: Priors) -> list[ChainFault]:
    """Each piece of copper without volts: all that it supplies is dark, and what follows.

    Named by its first feed.
    """
    pieces = {(s.strands, s.amps_sd): (feed, s) for feed, s in reversed(shorts(design))}
    ways, found = list(pieces.values())[::-1], []
    for feed, shorted in ways:
        dead = np.isin(order, shorted.nodes(design))
        start, part = int(np.flatnonzero(dead)[0]), odds.short / len(ways)
        end = design.node_count
        found.append(ChainFault(feed, "short", start, end, part, shorted=shorted))
    return found
