"""A unit that is driven on loopback, and its operation by keys."""

from __future__ import annotations

import socket
import time

import numpy as np

from benchtest.diagnosis import Finding, NextReading
from benchtest.drive.universe_layout import Frame, frame_from_slots
from benchtest.prop.design import Design
from benchtest.prop.lit_set import LitSet, all_lit
from benchtest.prop.notation import parse_probe
from benchtest.session.workbench.workbench import Workbench

LOOPBACK = "127.0.0.1"
SOON_S = 10.0


class Prop:
    """Receiver in place of a prop, on loopback only."""

    def __init__(self, design: Design) -> None:
        self.design = design
        self._socket = socket.socket(socket.AF_INET, socket.SOCK_DGRAM)
        self._socket.bind((LOOPBACK, 0))
        self._socket.settimeout(SOON_S)
        self.port: int = self._socket.getsockname()[1]

    def shows(self, wanted: Frame) -> bool:
        """Return whether the wanted frame arrives in time."""
        due_s = time.monotonic() + SOON_S
        while time.monotonic() < due_s:
            octets = self._socket.recv(2000)
            # ANSI E1.31-2018, table 4-1: universe at octets 113-114, slots from octet 126 on
            universe = int.from_bytes(octets[113:115], "big")
            frame = frame_from_slots(self.design, {universe: octets[126:]})
            if np.array_equal(frame, wanted):
                return True
        return False

    def close(self) -> None:
        self._socket.close()


def dark(design: Design) -> Frame:
    return np.zeros((design.node_count, design.node.channels), np.uint8)


def pass_all(workbench: Workbench) -> None:
    for _ in workbench.design.strands:
        workbench.walk.judge(passed=True)


def asks(workbench: Workbench, lit: str = "all", probe: str = "4B") -> None:
    """Let the guidance ask for a reading, as a finding would."""
    strands = (
        all_lit(workbench.design).strands if lit == "all" else frozenset(map(int, lit.split()))
    )
    ask = NextReading(LitSet(strands), parse_probe(probe, workbench.design), 0.5, settled=False)
    workbench.active.finding = Finding(0.5, (), (), ask, (), None)
