"""What an honest pair of eyes would write down in front of the virtual prop."""

from __future__ import annotations

from dataclasses import dataclass
from itertools import pairwise

import numpy as np

from benchtest.diagnosis.looks import DARK_SHARE, DIM_SHARE, WARM_SHARE
from benchtest.evidence.marks import SEEN, Mark, Seen
from benchtest.prop.lit import Lit
from benchtest.virtual.prop import VirtualProp


@dataclass(frozen=True, slots=True)
class Sight:
    """Nodes `first` to `last` of a strand that should be lit, and how they look."""

    strand: int
    first: int
    last: int
    seen: Seen

    def mark(self, lit: Lit) -> Mark:
        """What to write down, with these strands lit."""
        return Mark(lit, self.strand, self.first, self.last, self.seen)


def observe(prop: VirtualProp) -> list[Sight]:
    """How every node that should be lit looks, in runs of nodes that look alike."""
    words = _words(prop)
    sights = []
    for strand, start in zip(prop.design.strands, prop.design.first_index, strict=True):
        row = words[start : start + strand.nodes]
        edges = np.flatnonzero(np.diff(row)) + 1
        bounds = [0, *edges.tolist(), strand.nodes]
        for low, high in pairwise(bounds):
            if row[low] >= 0:
                sights.append(Sight(strand.number, low + 1, high, SEEN[int(row[low])]))
    return sights


def _words(prop: VirtualProp) -> np.ndarray:
    """Place in `SEEN` of each node's look, -1 for nodes that should be dark; shape (nodes,)."""
    wanted, latched = prop.wanted(), prop.latched()
    should = np.asarray(wanted.any(axis=1))
    asked = np.where(wanted > 0, wanted / 255.0, np.nan)
    share = prop.light() / asked
    with np.errstate(invalid="ignore"):
        strongest = np.nanmax(np.where(should[:, None], share, 0.0), axis=1)
        weakest = np.nanmin(np.where(should[:, None], share, 0.0), axis=1)
    words = np.full(len(should), SEEN.index("ok"))
    words[weakest < WARM_SHARE * strongest] = SEEN.index("warm")
    words[strongest < DIM_SHARE] = SEEN.index("dim")
    words[strongest < DARK_SHARE] = SEEN.index("dark")
    held = (latched != wanted).any(axis=1) & latched.any(axis=1)
    words[held] = SEEN.index("stuck")
    words[~should] = -1
    return words
