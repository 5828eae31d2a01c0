"""A prop that is not there: frames in; it obeys its data line, its circuit and its faults."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from benchtest.circuit.network import Circuit, Solution
from benchtest.diagnosis.faults import data_joint_starts
from benchtest.evidence.meter import DEFAULT_METER, Meter
from benchtest.prop.chain import data_order
from benchtest.prop.design import Design, Probe
from benchtest.prop.joints import HEALTHY_JOINT_OHM, data_joints
from benchtest.prop.names import joint_by_name, parse_node
from benchtest.virtual.built import Built, build
from benchtest.virtual.faults import Fault, JointFault, NodeFault

FloatArray = NDArray[np.float64]


class VirtualProp:
    """One unit with hidden faults.

    Its figures differ from the design's as a built unit's do, so whoever looks for the fault has
    no better a model of it than of a real one.
    """

    def __init__(
        self,
        design: Design,
        faults: Sequence[Fault] = (),
        seed: int | None = None,
        meter: Meter = DEFAULT_METER,
    ) -> None:
        self.design = design
        self.meter = meter
        self.faults: dict[str, Fault] = {fault.where: fault for fault in faults}
        self.built: Built = build(design, seed, meter.percent)
        self._order = data_order(design)
        self._noise = np.random.default_rng(0 if seed is None else seed + 1)
        self._exact = seed is None
        self._latched = np.zeros((design.node_count, design.node.channels), dtype=np.uint8)
        self._wanted = self._latched
        self._circuit: Circuit | None = None
        self._solution: Solution | None = None

    # -- frames in ---------------------------------------------------------------------------

    def receive(self, frame: NDArray[np.uint8]) -> None:
        """Take one frame, shape (nodes, colours), prop order. Nodes without data keep theirs."""
        self._wanted = frame
        reached = self._reached()
        latched = np.where(reached[:, None], frame, self._latched).astype(np.uint8)
        if not np.array_equal(latched, self._latched):
            self._latched = latched
            self._solution = None

    def go_dark(self) -> None:
        """What a controller does when it hears nothing more: a dark frame."""
        self.receive(np.zeros_like(self._latched))

    def _reached(self) -> NDArray[np.bool_]:
        """Nodes that data reaches and whose logic runs, shape (nodes,)."""
        count = self.design.node_count
        along = np.ones(count, dtype=bool)
        joints = data_joints(self.design)
        starts = data_joint_starts(self.design)
        for joint, start in zip(joints, starts, strict=True):
            if joint.name in self.faults:
                along[start:] = False
        awake = self._powered()[self._order]
        for fault in self.faults.values():
            if isinstance(fault, NodeFault):
                place = self._place(fault.where)
                if fault.state == "no-data-out" or not self._passes(fault):
                    along[place + 1 :] = False
                if fault.state != "no-data-out":
                    along[place] = False
        asleep = np.flatnonzero(~awake)
        if len(asleep):
            along[asleep[0] :] = False
        reached = np.zeros(count, dtype=bool)
        reached[self._order] = along
        return reached

    def _passes(self, fault: NodeFault) -> bool:
        return fault.state == "dark" or self.design.node.backup_data

    def _place(self, node: str) -> int:
        name = parse_node(node, self.design)
        index = self.design.index(name.strand, name.node)
        return int(np.flatnonzero(self._order == index)[0])

    def _powered(self) -> NDArray[np.bool_]:
        """Nodes whose supply keeps their logic going with what is lit now, shape (nodes,)."""
        return np.asarray(self.solution.node_v >= self.design.node.logic_v)

    # -- what it does ------------------------------------------------------------------------

    @property
    def solution(self) -> Solution:
        """Volts and currents with what is latched now."""
        if self._solution is None:
            self._solution = self._settle()
        return self._solution

    def _settle(self) -> Solution:
        """Nodes that starve until their logic stops lose their data, and go dark."""
        if self._circuit is None:
            self._circuit = Circuit(self.built.design, self._joint_ohm())
        duty = self.asked() * self.built.node_factor[:, None]
        for fault in self.faults.values():
            if isinstance(fault, NodeFault) and fault.state != "no-data-out":
                node = parse_node(fault.where, self.design)
                duty[self.design.index(node.strand, node.node)] = 0.0
        solution = self._circuit.solve(duty)
        asleep = solution.node_v < self.design.node.logic_v
        if (asleep & self._latched.any(axis=1)).any():
            self._latched[asleep] = 0
            duty[asleep] = 0.0
            solution = self._circuit.solve(duty)
        return solution

    def _joint_ohm(self) -> dict[str, float]:
        changed = {
            fault.where: fault.ohm
            for fault in self.faults.values()
            if isinstance(fault, JointFault) and not fault.where.endswith("d")
        }
        return {**self.built.joint_ohm, **changed}

    def light(self) -> FloatArray:
        """Light of each channel over that of a healthy node at full, shape (nodes, colours)."""
        full_a = self.built.design.node.channel_ma * 1e-3
        return np.asarray(self.solution.channel_a / (full_a * self.built.node_factor[:, None]))

    def asked(self) -> FloatArray:
        """Light that what is latched would give on a full supply, shape (nodes, colours)."""
        return np.asarray(self._latched / 255.0)

    def wanted(self) -> NDArray[np.uint8]:
        """The last frame that came in, shape (nodes, colours)."""
        return self._wanted

    def latched(self) -> NDArray[np.uint8]:
        """What each node was last told, shape (nodes, colours)."""
        return self._latched

    # -- the bench meter ---------------------------------------------------------------------

    def volts(self, probe: Probe) -> float:
        """What a meter without error would read. [V]"""
        return self.solution.volts(probe)

    def measure(self, probe: Probe) -> float:
        """What the bench meter shows: its gain, its last digit, and the step of its range. [V]"""
        volts = self.volts(probe)
        if self._exact:
            return volts
        volts *= self.built.meter_gain
        step = self.meter.resolution_v(volts)
        shaken = volts + step * float(self._noise.normal(0.0, 0.5))
        return round(shaken / step) * step

    def amps(self, feed: str) -> float:
        """What a feed gives. [A]"""
        return self.solution.feed_a[feed]

    # -- work on it --------------------------------------------------------------------------

    def repair(self, where: str) -> bool:
        """Remake a joint or replace a node. True where that was what was wrong.

        Raises:
            NameFault: the prop has no such joint or node.
        """
        if "." in where:
            where = str(parse_node(where, self.design))
        else:
            joint = joint_by_name(where, self.design)
            if joint.is_power:
                self.built.joint_ohm[joint.name] = HEALTHY_JOINT_OHM
        was_wrong = self.faults.pop(where, None) is not None
        self._circuit = self._solution = None
        return was_wrong

    def describe(self) -> str:
        """The hidden faults, for those who asked to see them."""
        return ", ".join(str(fault) for fault in self.faults.values()) or "none"
