"""A virtual prop in this very process: no packets, for who needs only its volts and its looks."""

from __future__ import annotations

from typing import Any

import numpy as np

from benchtest.drive.universe_layout import Frame
from benchtest.prop.notation import parse_probe
from benchtest.virtual.observer import Observation, observe
from benchtest.virtual.virtual_prop import VirtualProp, frame_checksum


class InProcessProp:
    """A prop with its light, its meter and a pair of eyes."""

    def __init__(self, prop: VirtualProp) -> None:
        self.prop = prop

    def show(self, frame: Frame, ramp_s: float = 0.0) -> None:
        """Show a frame; what comes up by a ramp elsewhere is there at once."""
        self.prop.receive(frame)

    def dark(self) -> None:
        """Everything off."""
        self.show(np.zeros_like(self.prop.sent_frame()))

    def measure(self, probe: str) -> float:
        """What the bench meter shows at a probe. [V]"""
        return self.prop.measure(parse_probe(probe, self.prop.design))

    def look(self) -> list[Observation]:
        """How every node that should be lit looks."""
        return observe(self.prop)

    def state(self) -> dict[str, Any]:
        """The mark of the frame that it heard last."""
        return {"frame": frame_checksum(self.prop.sent_frame())}

    def repair(self, where: str) -> bool:
        """Work on a joint or node; True where that was what was wrong."""
        return self.prop.repair(where)
