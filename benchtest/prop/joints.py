"""The joints of a design in the order of its file, and its data path.

The data path is the order in which data reaches strands and nodes.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from itertools import accumulate, pairwise
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from benchtest.errors import NameFault, did_you_mean
from benchtest.input_files import printable
from benchtest.prop.design import (
    HEALTHY_JOINT_OHM,
    RAILS,
    Bus,
    BusPad,
    Design,
    Feed,
    FeedName,
    Link,
    Point,
    Probe,
    Rail,
    StrandEnd,
)


def path_hops(design: Design) -> list[tuple[StrandEnd, StrandEnd]]:
    """Return neighbours on the data path: (end that data leaves by, end that it enters by)."""
    return [(entry.other, following) for entry, following in pairwise(design.data_path)]


def data_hops(design: Design) -> list[tuple[StrandEnd, StrandEnd]]:
    """Return each hop of data to the next strand on the same output, as `path_hops`."""
    heads = {start for start, _ in design.data_lines}
    hops = zip(path_hops(design), strand_starts(design)[1:], strict=True)
    return [hop for hop, start in hops if start not in heads]


def strand_starts(design: Design) -> list[int]:
    """Return the place along the data line of each strand's first node, in the order of data."""
    counts = [design.strand(entry.strand).nodes for entry in design.data_path]
    return [0, *accumulate(counts[:-1])]


def data_order(design: Design) -> NDArray[np.intp]:
    """Return nodes in the order that data reaches them, shape (nodes,).

    The values are places in arrays over all nodes: a frame in prop order, `frame[nodes, channels]`,
    is sent as `frame[data_order]`.
    """
    return np.concatenate([strand_order(design, entry) for entry in design.data_path])


def strand_order(design: Design, entry: StrandEnd) -> NDArray[np.intp]:
    """Return the nodes of one strand in the order of data that enters at this end.

    The values are places in arrays over all nodes, shape (nodes of the strand,).
    """
    start = design.first_index[entry.strand - 1]
    run = np.arange(start, start + design.strand(entry.strand).nodes)
    return run if entry.end == "A" else run[::-1]


@dataclass(frozen=True, slots=True)
class Joint:
    """One made connection of one conductor.

    A data joint and a fuse have no `near` and `far` point, as no meter reads a drop across them.
    """

    name: str
    conductor: Literal["+", "-", "d"]
    ends: tuple[StrandEnd, ...]
    """Strand ends that it connects; none for a feed's joint."""
    near: Point | None = None
    far: Point | None = None
    ohm: float = HEALTHY_JOINT_OHM
    """Resistance when healthy; not used for a data joint. [Ω]"""

    @property
    def strands(self) -> tuple[int, ...]:
        """Strands whose ends it connects; none for a feed's joint."""
        return tuple(end.strand for end in self.ends)

    @property
    def is_power(self) -> bool:
        return self.conductor != "d"

    @property
    def is_fuse(self) -> bool:
        """True for the fuse of a feed, which is intact or blown and has no drop to be read."""
        return self.is_power and self.near is None

    @property
    def probe(self) -> Probe:
        """The probe of the drop across the joint.

        Raises:
            ValueError: a data joint or a fuse.
        """
        if self.near is None or self.far is None:
            raise ValueError(f"{self.name} has no two points for the leads of a meter")
        return Probe(self.near, self.far)

    def __str__(self) -> str:
        return self.name


def power_joints(design: Design) -> list[Joint]:
    """Return the joints of both rails: of feeds first, then bus by bus, then of links.

    The order is that of the file, so that two runs agree to the last digit.
    """
    found = [_feed_joint(feed, rail) for feed in design.feeds for rail in RAILS]
    found += [
        _bus_joint(bus, end, rail) for bus in design.buses for end in bus.ends for rail in RAILS
    ]
    found += [_link_joint(link, rail) for link in design.links for rail in link.rails]
    return found


def _feed_joint(feed: Feed, rail: Rail) -> Joint:
    """Return the joint of a feed's cable on one rail."""
    near, far = Point(FeedName(feed.name), rail), Point(feed.at, rail)
    return Joint(f"{feed.name}{rail}", rail, (), near, far, feed.joint_ohm)


def _bus_joint(bus: Bus, end: StrandEnd, rail: Rail) -> Joint:
    """Return the joint between a bus and one of its strand ends on one rail."""
    near, far = Point(BusPad(bus.name, end.strand), rail), Point(end, rail)
    return Joint(f"{end}{rail}", rail, (end,), near, far, bus.joint_ohm)


def _link_joint(link: Link, rail: Rail) -> Joint:
    """Return the joint of a link on one of its rails."""
    near, far = Point(link.first, rail), Point(link.second, rail)
    ends = (link.first, link.second)
    return Joint(f"{link.name}{rail}", rail, ends, near, far, link.joint_ohm)


def data_joints(design: Design) -> list[Joint]:
    """Return the joints of the data lines in the order of data, the controller's first.

    Each output of the controller has a joint at the first strand that it reaches. A hop over a
    link is one joint (`1B~2Bd`); any other hop is two, out of one strand end and into the next. A
    data line's last strand end carries nothing and is left out.
    """
    links = {frozenset((link.first, link.second)): link for link in reversed(design.links)}
    first = design.data_path[0]
    found = [Joint(f"{first}d", "d", (first,))]
    hops = set(data_hops(design))
    for leaving, entering in path_hops(design):
        if (leaving, entering) not in hops:
            found.append(Joint(f"{entering}d", "d", (entering,)))
        elif (link := links.get(frozenset((leaving, entering)))) is not None:
            found.append(Joint(f"{link.name}d", "d", (leaving, entering)))
        else:
            found += [
                Joint(f"{leaving}d", "d", (leaving,)),
                Joint(f"{entering}d", "d", (entering,)),
            ]
    return found


def find_joint(name: str, design: Design) -> Joint:
    """Return the joint of a name, such as `4A+`, `4Ad`, `main-` or `1B~2B+`.

    Raises:
        NameFault: the prop has no such joint.
    """
    word = name.strip()
    joints = data_joints(design) if word.endswith("d") else _power_joints_at(word, design)
    for joint in joints:
        if joint.name == word:
            return joint
    known = [joint.name for joint in (*power_joints(design), *data_joints(design))]
    form = "; write an end and its rail or d (4A+, 4Ad), a feed's (main-) or a link's (1B~2B+)"
    hint = did_you_mean(word, known) or form
    raise NameFault(f'{design.name} has no joint "{printable(word)}"{hint}')


def _power_joints_at(name: str, design: Design) -> Iterator[Joint]:
    """Yield the few power joints that a name may be of: a large prop has hundreds."""
    rail: Rail = "+" if name.endswith("+") else "-"
    place = name[:-1]
    for feed in design.feeds:
        if feed.name == place:
            yield _feed_joint(feed, rail)
    for link in design.links:
        if rail in link.rails and link.name == place:
            yield _link_joint(link, rail)
    for bus in design.buses:
        for end in bus.ends:
            if str(end) == place:
                yield _bus_joint(bus, end, rail)
