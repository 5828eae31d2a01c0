"""The way data takes through the prop."""

from __future__ import annotations

from itertools import accumulate, pairwise
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

if TYPE_CHECKING:
    from benchtest.prop.design import Design, StrandEnd


def data_hops(design: Design) -> list[tuple[StrandEnd, StrandEnd]]:
    """Each step of data from one strand to the next: (end it leaves by, end it enters by)."""
    path = design.data_path
    return [(before.other, after) for before, after in pairwise(path)]


def strand_starts(design: Design) -> list[int]:
    """Place along the data line of each strand's first node, in the order of data."""
    counts = [design.strand(entry.strand).nodes for entry in design.data_path]
    return [0, *accumulate(counts[:-1])]


def data_order(design: Design) -> NDArray[np.intp]:
    """Nodes in the order data reaches them, as places in arrays over all nodes. Shape (nodes,).

    A frame in prop order `frame[nodes, channels]` goes onto the wire as `frame[data_order]`.
    """
    return np.concatenate([strand_order(design, entry) for entry in design.data_path])


def strand_order(design: Design, entry: StrandEnd) -> NDArray[np.intp]:
    """Nodes of one strand in the order of data that enter at this end. Shape (its nodes,)."""
    start = design.first_index[entry.strand - 1]
    run = np.arange(start, start + design.strand(entry.strand).nodes)
    return run if entry.end == "A" else run[::-1]
