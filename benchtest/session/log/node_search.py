"""Search for a node that fails, by halves: light a part and ask if all of it lights."""

from __future__ import annotations

from dataclasses import dataclass, replace

from benchtest.errors import InputError
from benchtest.prop.design import Design, NodeName
from benchtest.session.log.events import PartSeen


@dataclass(frozen=True, slots=True)
class Search:
    """State of a search.

    Places count from 1 in the order that data reaches the nodes. Either one node fails, or it and
    all after it; the first that fails is in the first half that does not wholly light.

    >>> search = Search(None, 1, 360)
    >>> while not search.found:
    ...     search = search.after(search.half[1] < 217)
    >>> search.low, search.looks
    (217, 8)
    """

    strand: int | None
    low: int
    high: int
    looks: int = 0

    @property
    def half(self) -> tuple[int, int]:
        """First and last place of the part to light next."""
        return self.low, (self.low + self.high) // 2

    @property
    def found(self) -> bool:
        """True once only one node is left."""
        return self.low == self.high

    @property
    def lost(self) -> bool:
        """True if every part was lit: the search cannot find the fault."""
        return self.low > self.high

    def after(self, right: bool) -> Search:
        """Return the search after a look at the half: all of it lit, or not."""
        high = self.half[1]
        if right:
            return replace(self, low=high + 1, looks=self.looks + 1)
        return replace(self, high=high, looks=self.looks + 1)


def search_nodes(design: Design, strand: int | None) -> list[NodeName]:
    """Return the nodes of a strand, or of the whole prop, in the order of the data."""
    found: list[NodeName] = []
    for entry in design.data_path:
        if strand is None or entry.strand == strand:
            nodes = range(1, design.strand(entry.strand).nodes + 1)
            order = nodes if entry.end == "A" else reversed(nodes)
            found.extend(NodeName(entry.strand, node) for node in order)
    return found


def begin_search(design: Design, strand: int | None) -> Search:
    """Return a new search of a strand, or of the whole prop."""
    return Search(strand, 1, design.strand(strand).nodes if strand else design.node_count)


def next_search(search: Search | None, design: Design, what: PartSeen) -> Search:
    """Return the search after a look at a part.

    Raises:
        InputError: the prop has no such strand, or the part is not the half to look at.
    """
    if what.strand is not None and not 1 <= what.strand <= len(design.strands):
        raise InputError(f"strand {what.strand}: the prop has 1 to {len(design.strands)}")
    if search is None or search.strand != what.strand:
        search = begin_search(design, what.strand)
    if (what.first, what.last) != search.half:
        raise InputError(f"places {what.first} to {what.last} are not the half to be looked at")
    return search.after(what.right)
