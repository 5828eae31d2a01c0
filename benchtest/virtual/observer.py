"""What an honest pair of eyes would write down in front of the virtual prop."""

from __future__ import annotations

from dataclasses import dataclass
from itertools import pairwise

import numpy as np

from benchtest.diagnosis.likelihood.marks import DARK_SHARE, DIM_SHARE, WARM_SHARE
from benchtest.evidence.marks import SEEN, Mark, Seen
from benchtest.prop.lit_set import LitSet
from benchtest.virtual.virtual_prop import VirtualProp


@dataclass(frozen=True, slots=True)
class Observation:
    """Nodes `first` to `last` of a strand, and how they look."""

    strand: int
    first: int
    last: int
    seen: Seen

    def mark(self, lit: LitSet) -> Mark:
        """What to write down, with these strands lit."""
        return Mark(lit, self.strand, self.first, self.last, self.seen)


def observe(prop: VirtualProp) -> list[Observation]:
    """How every node that should be lit looks, in runs of nodes that look alike.

    Of nodes that should be dark only those are spoken of that shine all the same.
    """
    words = _observed_states(prop)
    sights = []
    for strand, start in zip(prop.design.strands, prop.design.first_index, strict=True):
        row = words[start : start + strand.nodes]
        edges = np.flatnonzero(np.diff(row)) + 1
        bounds = [0, *edges.tolist(), strand.nodes]
        for low, high in pairwise(bounds):
            if row[low] >= 0:
                sights.append(Observation(strand.number, low + 1, high, SEEN[int(row[low])]))
    return sights


def _observed_states(prop: VirtualProp) -> np.ndarray:
    """Place in `SEEN` of each node's look, -1 for nodes that are rightly dark; shape (nodes,)."""
    fallen = prop.browned_out()  # first: nodes that starve lose what they were told
    wanted, told, latched = prop.sent_frame(), prop.told(), prop.latched()
    should, shines = np.asarray(wanted.any(axis=1)), np.asarray(latched.any(axis=1))
    light = prop.light()
    asked = np.where(latched > 0, latched / 255.0, np.nan)
    with np.errstate(invalid="ignore"):
        share = np.where(shines[:, None], light / asked, 0.0)
    strongest, weakest = np.nanmax(share, axis=1), np.nanmin(share, axis=1)
    words = np.full(len(should), SEEN.index("ok"))
    words[((told > 0) != (wanted > 0)).any(axis=1)] = SEEN.index("wrong-colour")
    words[weakest < WARM_SHARE * strongest] = SEEN.index("warm")
    words[strongest < DIM_SHARE] = SEEN.index("dim")
    words[strongest < DARK_SHARE] = SEEN.index("dark")
    words[((latched != told).any(axis=1) | ~should) & shines] = SEEN.index("stuck")
    words[fallen & should] = SEEN.index("flicker")
    words[~should & (strongest < DARK_SHARE)] = -1
    return words
