"""A virtual prop in this process, without packets.

It has those methods of `RemoteProp` that need only the prop's volts and its light, and stands in
for one.
"""

from __future__ import annotations

from typing import Any

import numpy as np

from benchtest.drive.universe_layout import Frame
from benchtest.prop.notation import parse_probe
from benchtest.virtual.observer import Observation, observe
from benchtest.virtual.virtual_prop import VirtualProp, frame_checksum


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
