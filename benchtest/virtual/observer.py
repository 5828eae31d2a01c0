"""Observer that reports what a person would see at the virtual prop.

`InProcessProp` has those methods of `RemoteProp` that need only the prop's volts and its light, and
stands in for one.
"""

from __future__ import annotations

from dataclasses import dataclass
from itertools import pairwise
from typing import Any

import numpy as np

from benchtest.drive.universe_layout import Frame
from benchtest.evidence.marks import DARK_SHARE, DIM_SHARE, SEEN, WARM_SHARE, Mark, Seen
from benchtest.prop.lit_set import LitSet
from benchtest.prop.notation import parse_probe
from benchtest.virtual.virtual_prop import VirtualProp, frame_checksum


@dataclass(frozen=True, slots=True)
class Observation:
    """Appearance of nodes `first` to `last` of a strand."""

    strand: int
    first: int
    last: int
    seen: Seen

    def mark(self, lit: LitSet) -> Mark:
        """Return the mark for this observation, with these strands lit."""
        return Mark(lit, self.strand, self.first, self.last, self.seen)


def observe(prop: VirtualProp) -> list[Observation]:
    """Return the appearance of every node that should be lit, as runs of equal nodes.

    Nodes that should be dark are included only if they shine.
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
    """Return each node's appearance as an index in `SEEN`, -1 if correctly dark; shape (nodes,)."""
    browned_out = prop.browned_out()  # first: nodes that lose their supply lose their data
    sent, received, latched = prop.sent_frame(), prop.received_data(), prop.latched()
    should, shines = np.asarray(sent.any(axis=1)), np.asarray(latched.any(axis=1))
    light = prop.light()
    asked = np.where(latched > 0, latched / 255.0, np.nan)
    with np.errstate(invalid="ignore"):
        share = np.where(shines[:, None], light / asked, 0.0)
    strongest, weakest = np.nanmax(share, axis=1), np.nanmin(share, axis=1)
    words = np.full(len(should), SEEN.index("ok"))
    words[((received > 0) != (sent > 0)).any(axis=1)] = SEEN.index("wrong-colour")
    words[weakest < WARM_SHARE * strongest] = SEEN.index("warm")
    words[strongest < DIM_SHARE] = SEEN.index("dim")
    words[strongest < DARK_SHARE] = SEEN.index("dark")
    words[((latched != received).any(axis=1) | ~should) & shines] = SEEN.index("stuck")
    words[browned_out & should] = SEEN.index("flicker")
    words[~should & (strongest < DARK_SHARE)] = -1
    return words


class InProcessProp:
    """A prop with its light, its meter and an observer."""

    def __init__(self, prop: VirtualProp) -> None:
        self.prop = prop

    def show(self, frame: Frame, ramp_s: float = 0.0) -> None:
        """Show a frame at once; a ramp has no effect here."""
        self.prop.receive(frame)

    def dark(self) -> None:
        """Turn everything off."""
        self.show(np.zeros_like(self.prop.sent_frame()))

    def measure(self, probe: str) -> float:
        """Return the bench meter's reading at a probe. [V]"""
        return self.prop.measure(parse_probe(probe, self.prop.design))

    def look(self) -> list[Observation]:
        """Return the appearance of every node that should be lit."""
        return observe(self.prop)

    def state(self) -> dict[str, Any]:
        """Return the checksum of the frame received last."""
        return {"frame": frame_checksum(self.prop.sent_frame())}

    def repair(self, where: str) -> bool:
        """Repair a joint or node; return True if it was faulty."""
        return self.prop.repair(where)
