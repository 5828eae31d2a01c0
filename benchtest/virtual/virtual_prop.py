"""Virtual prop: frames in; its nodes follow its data line, its circuit and its faults.

It is one built copy of a design, with deviations that its maker cannot know, drawn from a seed.
"""

from __future__ import annotations

import dataclasses
import math
import zlib
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from benchtest.circuit.network import Circuit
from benchtest.circuit.node_loads import node_light
from benchtest.circuit.solution import Solution, solve
from benchtest.circuit.tolerance import HAND_SOLDERED, Tolerances
from benchtest.diagnosis.model.faults import data_joint_starts
from benchtest.diagnosis.model.wiring_faults import dead_copper
from benchtest.errors import CircuitFault
from benchtest.evidence.meter import DEFAULT_METER, Meter
from benchtest.prop.design import Design, Feed, FeedName, Probe
from benchtest.prop.joints import Joint, data_joints, data_order, power_joints, strand_starts
from benchtest.prop.notation import parse_location, parse_node
from benchtest.virtual.injected_faults import (
    InjectedFault,
    JointFault,
    NodeFault,
    WiringFault,
    data_remap,
)

_BoolArray = NDArray[np.bool_]


class DataLine:
    """The data line of a prop with given faults.

    Attributes:
        dark: nodes that never light, shape (nodes,), prop order.
    """

    def __init__(self, design: Design, faults: Iterable[InjectedFault]) -> None:
        given = list(faults)
        count = design.node_count
        self._backup = design.node.backup_data
        self._order = data_order(design)
        self.dark: _BoolArray = np.zeros(count, dtype=bool)
        self._silent: _BoolArray = np.zeros(count, dtype=bool)
        for fault in given:
            if isinstance(fault, NodeFault):
                node = parse_node(fault.where, design)
                index = design.index(node.strand, node.node)
                self.dark[index] = fault.state != "no-data-out"
                self._silent[index] = fault.state != "dark"
        open_joints = {fault.where for fault in given}
        starts = zip(data_joints(design), data_joint_starts(design), strict=True)
        ends = [start for joint, start in starts if joint.name in open_joints]
        turned = {f.where for f in given if isinstance(f, WiringFault) and f.what == "reversed"}
        for entry, start in zip(design.data_path, strand_starts(design), strict=True):
            if str(entry.strand) in turned:  # data enter at its output end and do not pass
                ends.append(start)
        self._lines = design.data_lines
        self._ends = [
            min((end for end in ends if start <= end < stop), default=stop)
            for start, stop in self._lines
        ]

    def reached(self, awake: _BoolArray) -> _BoolArray:
        """Return the nodes that data reach.

        A node without supply forwards nothing. A backup line bypasses one silent node, since it
        connects each node to the node before last; two silent nodes in a row stop it.

        Args:
            awake: nodes whose logic has supply, shape (nodes,), prop order.

        Returns:
            Nodes that receive data, shape (nodes,), prop order.
        """
        order = self._order
        silent = self._silent[order] | ~awake[order]
        stops = silent & np.append(silent[1:], False) if self._backup else silent
        along = np.ones(len(order), dtype=bool)
        for (start, stop), end in zip(self._lines, self._ends, strict=True):
            along[end:stop] = False
            # the nodes after a stop are those after its last node
            last = np.flatnonzero(stops[start:stop])[:1] + (2 if self._backup else 1)
            if len(last):
                along[start + last[0] : stop] = False
        reached = np.empty(len(order), dtype=bool)
        reached[order] = along
        return reached & awake


Chance = np.random.Generator


@dataclass(frozen=True)
class BuiltUnit:
    """A unit as built.

    Attributes:
        design: the design with this unit's own wire, copper, fuses, supplies and node current.
        joint_ohm: every power joint. [Ω]
        node_factor: current of each node's channels over the unit's own, shape (nodes,). A dark
            node's current is the unit's: too little for its own spread to be measured.
        meter_gain: reading of the bench meter at 1 V, within its class.
    """

    design: Design
    joint_ohm: dict[str, float]
    node_factor: NDArray[np.float64]
    meter_gain: float


def build_unit(
    design: Design,
    seed: int | None,
    meter_percent: float,
    tolerances: Tolerances = HAND_SOLDERED,
) -> BuiltUnit:
    """Build one copy of a design.

    Args:
        design: the prop.
        seed: seed of the unit's deviations; None builds it exactly as designed.
        meter_percent: accuracy class of the bench meter.
        tolerances: one standard deviation of each figure.
    """
    made = power_joints(design)
    if seed is None:
        same = {joint.name: joint.ohm for joint in made}
        return BuiltUnit(design, same, np.ones(design.node_count), 1.0)
    rng = np.random.default_rng([seed, 0])
    own = _with_feed_losses(_with_tolerances(design, tolerances, rng), seed, tolerances)
    joints = {joint.name: draw_joint_ohm(joint, rng, tolerances) for joint in made}
    # a current sink never draws a negative current
    nodes = np.maximum(1.0 + tolerances.node * rng.normal(size=design.node_count), 0.0)
    gain = 1.0 + meter_percent / 100.0 * float(rng.uniform(-1.0, 1.0))
    return BuiltUnit(own, joints, nodes, gain)


def _with_feed_losses(design: Design, seed: int, tolerances: Tolerances) -> Design:
    """Return the design with one unit's feeds: longer or thinner cables, supplies that sag.

    Both only lower the voltage. Exponential, with the root mean square of the tolerances.
    """
    rng = np.random.default_rng([seed, 2])  # an independent series: the other values do not change

    def fed(feed: Feed) -> Feed:
        longer = 1.0 + tolerances.cable * float(rng.exponential(math.sqrt(0.5)))
        source_ohm = tolerances.source_ohm * float(rng.exponential(math.sqrt(0.5)))
        wire = dataclasses.replace(feed.wire, ratio=feed.wire.ratio * longer)
        if feed.source_mohm:
            source_ohm = feed.source_mohm * 1e-3
        return dataclasses.replace(feed, wire=wire, source_mohm=source_ohm * 1e3)

    return dataclasses.replace(design, feeds=tuple(map(fed, design.feeds)))


def draw_joint_ohm(joint: Joint, rng: Chance, tolerances: Tolerances = HAND_SOLDERED) -> float:
    """Draw the resistance of a joint made by a careful person. [Ω]"""
    return float(joint.ohm * tolerances.joint_factor ** rng.normal())


def _with_tolerances(design: Design, tolerances: Tolerances, rng: Chance) -> Design:
    """Return the design with one unit's values, each off by its own factor."""

    def near_one(sd: float) -> float:
        return math.exp(sd * float(rng.normal()))

    replace = dataclasses.replace
    current, wire, copper = (
        near_one(sd) for sd in (tolerances.current, tolerances.wire, tolerances.copper)
    )
    scaled = design.scaled(current=current, wire=wire, copper=copper)
    return replace(
        scaled,
        feeds=tuple(
            replace(
                feed,
                volts=feed.volts * near_one(tolerances.supply),
                fuse_mohm=feed.fuse_mohm * near_one(tolerances.fuse),
            )
            for feed in scaled.feeds
        ),
    )


_FloatArray = NDArray[np.float64]


def frame_checksum(frame: NDArray[np.uint8]) -> str:
    """Return a checksum that identifies a frame."""
    return f"{zlib.crc32(np.ascontiguousarray(frame).tobytes()):08x}"


class VirtualProp:
    """One unit with hidden faults.

    Its values deviate from the design as a built unit's do, so that a diagnosis has no better model
    of it than of a real unit.
    """

    def __init__(
        self,
        design: Design,
        faults: Sequence[InjectedFault] = (),
        seed: int | None = None,
        meter: Meter = DEFAULT_METER,
        built: BuiltUnit | None = None,
    ) -> None:
        """Build the unit.

        Args:
            design: the intended design.
            faults: injected faults, at most one for each joint, node or strand.
            seed: seed of the unit's deviations and its meter's errors; None for a unit exactly as
                designed and a meter without error.
            meter: the meter on its bench.
            built: the unit's values, if not drawn from the seed.
        """
        self.design = design
        self.meter = meter
        self.faults: dict[str, InjectedFault] = {fault.where: fault for fault in faults}
        self.built: BuiltUnit = built or build_unit(design, seed, meter.percent)
        self._chance = None if seed is None else np.random.default_rng([seed, 1])
        self._latched = np.zeros((design.node_count, design.node.channels), dtype=np.uint8)
        self._sent = self._latched
        self._browned_out = np.zeros(design.node_count, dtype=bool)
        self._wire_up()

    def _wire_up(self) -> None:
        """Build data line and circuit from the faults."""
        wiring = [fault for fault in self.faults.values() if isinstance(fault, WiringFault)]
        remap = [data_remap(fault, self.design) for fault in wiring]
        self._misled = [one for one in remap if one is not None]
        self._line = DataLine(self.design, self.faults.values())
        dead = {fault.where for fault in wiring if fault.what == "short"}
        self._circuit = Circuit(_without_volts(self.built.design, dead), self._joint_ohm())
        self._solution: Solution | None = None

    # -- frames in ---------------------------------------------------------------------------

    def receive(self, frame: NDArray[np.uint8]) -> None:
        """Receive one frame, shape (nodes, colours), prop order; nodes without data keep theirs."""
        self._sent = frame.copy()
        awake = self.solution.node_v >= self.design.node.logic_v
        reached = self._line.reached(awake)
        latched = np.where(reached[:, None], self.received_data(), self._latched).astype(np.uint8)
        if not np.array_equal(latched, self._latched):
            self._latched = latched
            self._solution = None

    # -- its state ---------------------------------------------------------------------------

    @property
    def solution(self) -> Solution:
        """Voltages and currents with the latched data."""
        if self._solution is None:
            self._solution = self._settle()
        return self._solution

    def _settle(self) -> Solution:
        """Solve the circuit; nodes whose logic loses its supply lose their data and go dark."""
        duty = self._latched / 255.0 * self.built.node_factor[:, None]
        duty[self._line.dark] = 0.0
        solution = solve(self._circuit, duty)
        asleep = solution.node_v < self.design.node.logic_v
        self._browned_out = asleep & self._latched.any(axis=1)
        if self._browned_out.any():
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
        """Return each channel's light over a healthy node's at full, shape (nodes, colours)."""
        asked = self.solution.duty / self.built.node_factor[:, None]
        return asked * node_light(self.built.design.node, self.solution.node_v)

    def sent_frame(self) -> NDArray[np.uint8]:
        """Return the last frame received, shape (nodes, colours)."""
        return self._sent

    def received_data(self) -> NDArray[np.uint8]:
        """Return the data for each node as the prop is wired, shape (nodes, colours)."""
        data = self._sent
        for remap in self._misled:
            data = remap.received(data)
        return data

    def latched(self) -> NDArray[np.uint8]:
        """Return the data that each node latched last, shape (nodes, colours)."""
        return self._latched

    def browned_out(self) -> NDArray[np.bool_]:
        """Return nodes that reset for lack of supply: they flash at each frame, shape (nodes,)."""
        _ = self.solution
        return self._browned_out

    # -- the bench meter ---------------------------------------------------------------------

    def volts(self, probe: Probe) -> float:
        """Return the reading of a meter without error. [V]"""
        return self.solution.volts(probe)

    def measure(self, probe: Probe) -> float:
        """Return the bench meter's reading, with its gain, its last digits and its step. [V]

        Raises:
            InputError: the voltage is over its largest range.
        """
        volts = self.volts(probe)
        if self._chance is None:
            return volts
        volts *= self.built.meter_gain
        step_v = self.meter.resolution_v(volts)
        # its class allows this many digits, of which rounding to a whole step uses half
        most = max(self.meter.digits - 0.5, 0.0)
        off = float(np.clip(self._chance.normal(0.0, self.meter.digits / 3.0), -most, most))
        return round(round(volts / step_v + off) * step_v, 9)

    def amps(self, feed: str) -> float:
        """Return the current of a feed. [A]"""
        return self.solution.feed_a[feed]

    # -- faults and repairs ------------------------------------------------------------------

    def inject_fault(self, fault: InjectedFault) -> None:
        """Inject a fault while the prop runs; nodes keep their data.

        Raises:
            CircuitFault: the circuit has no solution with it; the prop is unchanged.
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
        """Repair a joint, a node or the wiring; return True if it was faulty.

        Raises:
            NameFault: the prop has no such place.
        """
        location = parse_location(where, self.design)
        was_wrong = self.faults.pop(str(location), None) is not None
        if isinstance(location, FeedName) and not was_wrong:
            was_wrong = self._part_rails(location.feed)
        if isinstance(location, Joint) and location.is_power and not was_wrong:
            self._remake(location)
        self._wire_up()
        self.receive(self._sent)  # a controller keeps sending its last frame
        return was_wrong

    def _part_rails(self, feed: str) -> bool:
        """Remove a short that is named by another feed of the same copper."""
        for name, shorted in dead_copper(self.design):
            fault = self.faults.get(name)
            wiring = isinstance(fault, WiringFault) and fault.what == "short"
            if wiring and feed in shorted.feeds:
                del self.faults[name]
                return True
        return False

    def _remake(self, joint: Joint) -> None:
        """Give a healthy joint the resistance of a new one."""
        if self._chance is not None:
            self.built.joint_ohm[joint.name] = draw_joint_ohm(joint, self._chance)


def _without_volts(design: Design, dead: set[str]) -> Design:
    """Return the design without voltage on the copper of feeds that are shut down or blown."""
    gone: set[str] = set()
    for feed, shorted in dead_copper(design):
        gone |= shorted.feeds if feed in dead else set()
    if not gone:
        return design
    feeds = tuple(replace(f, volts=0.0) if f.name in gone else f for f in design.feeds)
    return replace(design, feeds=feeds)
