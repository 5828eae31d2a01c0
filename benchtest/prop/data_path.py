"""The data path: strands and nodes in the order that data reaches them."""

from __future__ import annotations

from itertools import accumulate, pairwise

import numpy as np
from numpy.typing import NDArray

from benchtest.prop.design import Design, StrandEnd


def data_hops(design: Design) -> list[tuple[StrandEnd, StrandEnd]]:
    """Return each hop of data to the next strand: (end it leaves by, end it enters by)."""
    return [(entry.other, following) for entry, following in pairwise(design.data_path)]


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
