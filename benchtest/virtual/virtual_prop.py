"""A prop that is not there: frames in; it obeys its data line, its circuit and its faults."""

from __future__ import annotations

import zlib
from collections.abc import Sequence
from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from benchtest.circuit.network import Circuit
from benchtest.circuit.node_loads import node_light
from benchtest.circuit.solution import Solution, solve
from benchtest.diagnosis.model.wiring_faults import shorts
from benchtest.errors import CircuitFault
from benchtest.evidence.meter import DEFAULT_METER, Meter
from benchtest.prop.design import Design, Probe
from benchtest.prop.joints import Joint
from benchtest.prop.notation import parse_location
from benchtest.virtual.built_unit import BuiltUnit, build_unit, draw_joint_ohm
from benchtest.virtual.data_line import DataLine
from benchtest.virtual.injected_faults import InjectedFault, JointFault, WiringFault, data_remap

_FloatArray = NDArray[np.float64]


def frame_checksum(frame: NDArray[np.uint8]) -> str:
    """A short word by which two frames are known to be the same."""
    return f"{zlib.crc32(np.ascontiguousarray(frame).tobytes()):08x}"


class VirtualProp:
    """One unit with hidden faults.

    Its figures differ from the design's as a built unit's do, so whoever looks for the fault has
    no better a model of it than of a real one.
    """

    def __init__(
        self,
        design: Design,
        faults: Sequence[InjectedFault] = (),
        seed: int | None = None,
        meter: Meter = DEFAULT_METER,
        built: BuiltUnit | None = None,
    ) -> None:
        """Build it.

        Args:
            design: what its maker meant to build.
            faults: what went wrong, one at most for each joint, node or strand.
            seed: of this unit's own figures and its meter's errors; None is a unit exactly as
                designed and a meter without error.
            meter: the meter on its bench.
            built: the unit's own figures where they are not to be drawn from the seed.
        """
        self.design = design
        self.meter = meter
        self.faults: dict[str, InjectedFault] = {fault.where: fault for fault in faults}
        self.built: BuiltUnit = built or build_unit(design, seed, meter.percent)
        self._chance = None if seed is None else np.random.default_rng([seed, 1])
        self._latched = np.zeros((design.node_count, design.node.channels), dtype=np.uint8)
        self._wanted = self._latched
        self._fallen = np.zeros(design.node_count, dtype=bool)
        self._wire_up()

    def _wire_up(self) -> None:
        """What follows from the faults."""
        wiring = [fault for fault in self.faults.values() if isinstance(fault, WiringFault)]
        misled = [data_remap(fault, self.design) for fault in wiring]
        self._misled = [one for one in misled if one is not None]
        self._line = DataLine(self.design, self.faults.values())
        dead = {fault.where for fault in wiring if fault.what == "short"}
        self._circuit = Circuit(_without_volts(self.built.design, dead), self._joint_ohm())
        self._solution: Solution | None = None

    # -- frames in ---------------------------------------------------------------------------

    def receive(self, frame: NDArray[np.uint8]) -> None:
        """Take one frame, shape (nodes, colours), prop order. Nodes without data keep theirs."""
        self._wanted = frame.copy()
        awake = self.solution.node_v >= self.design.node.logic_v
        reached = self._line.reached(awake)
        latched = np.where(reached[:, None], self.told(), self._latched).astype(np.uint8)
        if not np.array_equal(latched, self._latched):
            self._latched = latched
            self._solution = None

    # -- what it does ------------------------------------------------------------------------

    @property
    def solution(self) -> Solution:
        """Volts and currents with what is latched now."""
        if self._solution is None:
            self._solution = self._settle()
        return self._solution

    def _settle(self) -> Solution:
        """Nodes that starve until their logic stops lose their data, and go dark."""
        duty = self._latched / 255.0 * self.built.node_factor[:, None]
        duty[self._line.dark] = 0.0
        solution = solve(self._circuit, duty)
        asleep = solution.node_v < self.design.node.logic_v
        self._fallen = asleep & self._latched.any(axis=1)
        if self._fallen.any():
            self._latched[asleep] = 0
            duty[asleep] = 0.0
            solution = solve(self._circuit, duty)
        return solution

    def _joint_ohm(self) -> dict[str, float]:
        changed = {
            fault.where: fault.ohm
            for fault in self.faults.values()
            if isinstance(fault, JointFault) and fault.part != "data joint"
        }
        return {**self.built.joint_ohm, **changed}

    def light(self) -> _FloatArray:
        """Light of each channel over that of a healthy node at full, shape (nodes, colours)."""
        asked = self.solution.duty / self.built.node_factor[:, None]
        return asked * node_light(self.built.design.node, self.solution.node_v)

    def sent_frame(self) -> NDArray[np.uint8]:
        """The last frame that came in, shape (nodes, colours)."""
        return self._wanted

    def told(self) -> NDArray[np.uint8]:
        """What that frame says to each node as the prop is wired, shape (nodes, colours)."""
        told = self._wanted
        for misled in self._misled:
            told = misled.told(told)
        return told

    def latched(self) -> NDArray[np.uint8]:
        """What each node was last told, shape (nodes, colours)."""
        return self._latched

    def browned_out(self) -> NDArray[np.bool_]:
        """Nodes that took the last light and starved of it: they flash at each frame, (nodes,)."""
        _ = self.solution
        return self._fallen

    # -- the bench meter ---------------------------------------------------------------------

    def volts(self, probe: Probe) -> float:
        """What a meter without error would read. [V]"""
        return self.solution.volts(probe)

    def measure(self, probe: Probe) -> float:
        """What the bench meter shows: its gain, its last digits, and the step of its range. [V]

        Raises:
            InputError: the volts are beyond its largest range.
        """
        volts = self.volts(probe)
        if self._chance is None:
            return volts
        volts *= self.built.meter_gain
        step_v = self.meter.resolution_v(volts)
        # its class allows it that many digits, and showing a whole step takes up half of one
        most = max(self.meter.digits - 0.5, 0.0)
        off = float(np.clip(self._chance.normal(0.0, self.meter.digits / 3.0), -most, most))
        return round(round(volts / step_v + off) * step_v, 9)

    def amps(self, feed: str) -> float:
        """What a feed gives. [A]"""
        return self.solution.feed_a[feed]

    # -- work on it --------------------------------------------------------------------------

    def inject_fault(self, fault: InjectedFault) -> None:
        """Let something break while the prop runs; nodes keep what they were told last.

        Raises:
            CircuitFault: with that its circuit has no solution; it stays as it was.
        """
        before = dict(self.faults)
        self.faults[fault.where] = fault
        try:
            self._wire_up()
        except CircuitFault:
            self.faults = before
            self._wire_up()
            raise

    def repair(self, where: str) -> bool:
        """Remake a joint, replace a node, put wiring right. True where that was what was wrong.

        Raises:
            NameFault: the prop has no such thing.
        """
        location = parse_location(where, self.design)
        was_wrong = self.faults.pop(str(location), None) is not None
        if isinstance(location, Joint) and location.is_power and not was_wrong:
            self._remake(location)
        self._wire_up()
        self.receive(self._wanted)  # a controller goes on sending its last frame down the line
        return was_wrong

    def _remake(self, joint: Joint) -> None:
        """Give a healthy joint the resistance of a new one."""
        if self._chance is not None:
            self.built.joint_ohm[joint.name] = draw_joint_ohm(joint, self._chance)


def _without_volts(design: Design, dead: set[str]) -> Design:
    """The design whose supplies hold back, or whose fuses are gone, on the copper of some feeds."""
    gone: set[str] = set()
    for feed, shorted in shorts(design):
        gone |= shorted.feeds if feed in dead else set()
    if not gone:
        return design
    feeds = tuple(replace(f, volts=0.0) if f.name in gone else f for f in design.feeds)
    return replace(design, feeds=feeds)
