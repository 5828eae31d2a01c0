"""Units of the any-prop study: what is wrong with each, and what a meter and eyes find on it.

Truth is not the model. A unit has its own node current, wire, copper, supplies, joints and nodes,
and its loads are of other figures than the diagnosis assumes: a bin for each strand, headroom and
quiescent current off, copper warm, strands not quite as long as designed.

Operating points come from ngspice on the deck of `benchtest netlist` where that takes at most a
second or so, else from our own circuit; `Unit.truth` has which.
"""

from __future__ import annotations

import math
import tempfile
from collections.abc import Callable, Mapping
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from benchtest.circuit.network import Circuit
from benchtest.circuit.node_loads import node_light
from benchtest.circuit.solution import solve
from benchtest.circuit.spice import spice_deck
from benchtest.diagnosis.model.wiring_faults import swaps
from benchtest.evidence.meter import DEFAULT_METER, Meter
from benchtest.prop.design import (
    BusPad,
    Design,
    FeedName,
    NodeName,
    Point,
    Probe,
    StrandEnd,
    rail_probe,
)
from benchtest.prop.joints import Joint, data_hops, data_joints, power_joints
from benchtest.prop.notation import COLOUR_ORDER, meter_places, parse_place
from benchtest.virtual.injected_faults import InjectedFault, WiringFault, data_remap, parse_fault
from benchtest.virtual.virtual_prop import DataLine
from tests.bench.any_prop_designs import Chance, Made, chance_of
from tests.outside.ngspice import by_ngspice

FloatArray = NDArray[np.float64]

SOUND = (
    "sound",
    "sound, supply sags",
    "sound, long feed cable",
    "sound, supply off",
    "sound, two reels",
    "sound, warm copper",
    "sound, other meter",
    "sound, 10 mV steps",
)
SINGLE = (
    "resistive",
    "open",
    "data open",
    "node dead",
    "node dark",
    "no data out",
    "reversed",
    "swapped",
    "strand's colours",
    "colour setting",
    "hard short",
    "short of ohms",
    "fuse blown",
    "warm joint",
)
SEVERAL = ("two", "three")
STATES = (
    *("sound",) * 4,
    *SOUND[1:],
    *("resistive",) * 8,
    *("open",) * 3,
    *("data open",) * 2,
    *("node dead",) * 2,
    *SINGLE[4:],
    *("two",) * 4,
    "three",
)
"""One block of units; each block is shuffled by itself, so that rare states come as often."""

MIN_FAULT_OHM, MAX_FAULT_OHM = 0.03, 30.0
SHORT_OHM = (0.05, 2.0)
HARD_SHORT_OHM = 0.01
BLOWN_MOHM = 1e9
"""A blown fuse: 1 MΩ, so that every solver has a path. [mΩ]"""
BLOWS_AT = 1.6
"""Share of its rating from which a fuse of a shorted prop is taken to blow at once. Ours."""
LIMIT_A = 30.0
"""Current into a short of a supply without a rating in the prop file. [A]"""
LIMIT_SHARE = 1.1
"""Current limit of a supply as a share of its rating. Common practice, no source."""
SAG_MOHM = 20.0
CABLE_FACTOR = 1.5
OFF_SHARE = 0.03
REEL_SHARE = 1.0 / 6.0
WARM_CELSIUS = 45.0
HOT_CELSIUS = 60.0
BIN_SD, HEADROOM_SD_V, QUIESCENT_FACTOR, PITCH_SD = 0.03, 0.15, 1.5, 0.02
CURRENT_SD, NODE_SD, WIRE_SD, COPPER_SD, SUPPLY_SD = 0.08, 0.04, 0.08, 0.15, 0.01
JOINT_FACTOR = 1.8
"""Spread of units: the design's own figures, common practice; see `circuit/tolerance.py`."""
OTHER_BIN = 0.2
"""Share of units whose nodes are of another bin than the kind's, where the file gives none."""
CCA_SHARE, CCA_FACTOR = 0.03, 1.58
"""Share of units whose copper wire is copper-clad aluminium, and its resistance over copper's."""
MEANWHILE = {
    "supply sags": 0.06,
    "long feed cable": 0.06,
    "supply off": 0.08,
    "two reels": 0.06,
    "other meter": 0.06,
    "10 mV steps": 0.04,
}
"""Probability of each condition, drawn in addition to a unit's state."""
WARMS = 0.35
"""Share of its way to its warm resistance that a joint goes during one reading under load."""
WARM_A = 0.1
"""Current from which it warms. [A]"""

MOST_SPICE_NODES = 200
"""Nodes up to which ngspice gives the truth; beyond, one operating point takes seconds."""
OURS_ONLY = ("regulated",)
"""Families with two solutions or none: which one a solver finds is its own affair."""


@dataclass(frozen=True)
class Hidden:
    """Faults of a unit and its deviations from the design.

    Attributes:
        state: family, of `SOUND`, `SINGLE` or `SEVERAL`.
        faults: as `simulate --fault` takes them, and `foot:4=short:0.5`, `main=fuse` and
            `4A+=warm:0.02:0.6` (cold and warm resistance).
        conditions: what else is not as designed.
    """

    state: str
    faults: tuple[str, ...]
    conditions: tuple[str, ...]


def state_of(seed: int, number: int) -> str:
    """Return the family of a unit's state."""
    block, place = divmod(number, len(STATES))
    order = np.random.default_rng([seed, block, 7]).permutation(len(STATES))
    return STATES[int(order[place])]


def hidden_of(made: Made, seed: int, number: int) -> Hidden:
    """Draw what is wrong with a unit."""
    chance, state = chance_of(seed, number, 1), state_of(seed, number)
    _, comma, special = state.partition(", ")
    conditions = {name for name, share in MEANWHILE.items() if chance.random() < share}
    if state.startswith("sound"):
        conditions = set()
        faults: list[str] = []
    else:
        faults = _faults(made.design, state, chance)
    if comma:
        conditions.add(special)
    if chance.random() < CCA_SHARE and not any(s.wire.clad for s in made.design.strands):
        conditions.add("clad wire")
    if not made.is_measured and made.design.node.channel_bins_ma and chance.random() < OTHER_BIN:
        conditions.add("other bin")
    return Hidden(state, tuple(faults), tuple(sorted(conditions)))


def _faults(design: Design, state: str, chance: Chance) -> list[str]:
    if state in SINGLE:
        return [_fault(design, state, chance)]
    count = 2 if state == "two" else 3
    others = ["data open", "node dead", "node dark", "open"]
    found: dict[str, str] = {}
    while len(found) < count:
        kind = str(chance.choice(others)) if chance.random() < 0.25 else "resistive"
        fault = _fault(design, kind, chance)
        found.setdefault(fault.partition("=")[0], fault)
    return list(found.values())


def _fault(design: Design, state: str, chance: Chance) -> str:
    joints = [joint.name for joint in power_joints(design)]
    strands = [strand.number for strand in design.strands]
    node = design.node_at(int(chance.integers(design.node_count)))
    letters = [colour[0].upper() for colour in design.node.colours]
    orders = _other_orders(design.node.colour_order)
    order = orders[int(chance.integers(len(orders)))]
    pads = [pad for bus in design.buses for pad in bus.pads]
    short_at = pads[int(chance.integers(len(pads)))] if pads else design.feeds[0].at
    ohm = float(np.exp(chance.uniform(np.log(MIN_FAULT_OHM), np.log(MAX_FAULT_OHM))))
    cold_ohm = float(np.exp(chance.uniform(np.log(0.005), np.log(0.1))))
    short_ohm = float(np.exp(chance.uniform(*np.log(SHORT_OHM))))
    pairs = [pair for pair, _ in swaps(design)]
    pair = pairs[int(chance.integers(len(pairs)))].split() if pairs else ["1", "1"]
    assert len(letters) >= 3
    return {
        "resistive": f"{chance.choice(joints)}={ohm:.4g}",
        "open": f"{chance.choice(joints)}=open",
        "data open": f"{chance.choice([j.name for j in data_joints(design)])}=open",
        "node dead": f"{node}=dead",
        "node dark": f"{node}=dark",
        "no data out": f"{node}=no-data-out",
        "reversed": f"{chance.choice(strands)}=reversed",
        "swapped": f"{pair[0]}=swapped:{pair[1]}",
        "strand's colours": f"{chance.choice(strands)}={order}",
        "colour setting": f"{COLOUR_ORDER}={order}",
        "hard short": f"{short_at}=short:{HARD_SHORT_OHM}",
        "short of ohms": f"{short_at}=short:{short_ohm:.4g}",
        "fuse blown": f"{chance.choice([feed.name for feed in design.feeds])}=fuse",
        "warm joint": f"{chance.choice(joints)}=warm:{cold_ohm:.4g}:{cold_ohm * 10:.4g}",
    }[state]


def _other_orders(right: str) -> list[str]:
    """Return orders of red, green and blue other than the right one; white stays where it is."""
    found = []
    for letters in ("RGB", "RBG", "GRB", "GBR", "BRG", "BGR"):
        order = letters + right[3:]
        if order != right:
            found.append(order)
    return found


@dataclass(frozen=True)
class Operating:
    """One operating point: volts of every point that leads touch, of every node, feeds' amperes."""

    volts: Callable[[Probe], float]
    node_v: FloatArray
    feed_a: Mapping[str, float]


class Unit:
    """One built unit with its faults, its meter, and the errors of its maker's eyes and fingers.

    It can be looked at by `virtual.observe`.

    Attributes:
        design: as its maker meant it.
        true: as it is, faults apart.
        hidden: what is wrong with it.
        left: faults that are still there.
        meter: what it is read with.
        named_meter: meter that the person names as the one in use.
        truth: `ngspice` or `ours`.
    """

    def __init__(self, made: Made, seed: int, number: int, truth: str | None = None) -> None:
        self.design = made.design
        self.hidden = hidden_of(made, seed, number)
        self.left: list[str] = list(self.hidden.faults)
        small = made.design.node_count <= MOST_SPICE_NODES
        known = made.design.node.family not in OURS_ONLY
        self.truth = truth or ("ngspice" if small and known else "ours")
        chance = chance_of(seed, number, 2)
        self._build(chance)
        self._chance = chance_of(seed, number, 3)
        self.gain = 1.0 + DEFAULT_METER.percent / 100.0 * float(chance.uniform(-1.0, 1.0))
        unnamed = "other meter" in self.hidden.conditions
        counts = 2000 if unnamed else int(chance.choice([2000, 6000], p=[0.35, 0.65]))
        self.meter = Meter(DEFAULT_METER.percent, DEFAULT_METER.digits, counts)
        self.named_meter = DEFAULT_METER if unnamed else self.meter
        self.warmth = 0.0
        self._power_off()

    # -- as built ----------------------------------------------------------------------------

    def _build(self, chance: Chance) -> None:
        design, conditions = self.design, self.hidden.conditions

        def near_one(sd: float) -> float:
            return math.exp(sd * float(chance.normal()))

        kind, current = design.node, near_one(CURRENT_SD)
        if "other bin" in conditions:
            current *= float(chance.choice(kind.channel_bins_ma)) / kind.channel_ma
        wire, copper = near_one(WIRE_SD), near_one(COPPER_SD)
        clad = CCA_FACTOR if "clad wire" in conditions else 1.0
        celsius = float(chance.uniform(20.0, WARM_CELSIUS))
        if "warm copper" in conditions:
            celsius = HOT_CELSIUS
        true = design.scaled(current=current, wire=wire, copper=copper).at_celsius(celsius)
        off_v = HEADROOM_SD_V * float(chance.normal())
        quiescent_ma = true.node.quiescent_ma * QUIESCENT_FACTOR ** float(chance.uniform(-1, 1))
        node = replace(
            true.node,
            full_v={colour: volts + off_v for colour, volts in kind.full_v.items()},
            dark_v={colour: volts + off_v for colour, volts in kind.dark_v.items()},
            quiescent_ma=quiescent_ma,
        )
        strands = tuple(
            replace(
                strand,
                pitch_mm=strand.pitch_mm * (1.0 + PITCH_SD * float(chance.normal())),
                wire=replace(strand.wire, ratio=strand.wire.ratio * clad),
            )
            for strand in true.strands
        )
        off = 1.0 + OFF_SHARE * float(chance.choice([-1.0, 1.0]))
        feeds = []
        for feed in true.feeds:
            volts = feed.volts * near_one(SUPPLY_SD)
            if "supply off" in conditions:
                volts = feed.volts * off
            sag_mohm = SAG_MOHM if "supply sags" in conditions else 0.0
            longer = CABLE_FACTOR if "long feed cable" in conditions else 1.0
            fuse_mohm, length_mm = feed.fuse_mohm + sag_mohm, feed.length_mm * longer
            feeds.append(replace(feed, volts=volts, fuse_mohm=fuse_mohm, length_mm=length_mm))
        self.true = replace(true, node=node, strands=strands, feeds=tuple(feeds))
        self.joint_ohm = {
            joint.name: joint.ohm * JOINT_FACTOR ** float(chance.normal())
            for joint in power_joints(design)
        }
        self.node_factor = self._node_factors(chance)

    def _node_factors(self, chance: Chance) -> FloatArray:
        """Draw each node's current over the unit's, shape (nodes,)."""
        design = self.design
        count = len(design.strands)
        bins = 1.0 + BIN_SD * chance.normal(size=count)
        if "two reels" in self.hidden.conditions:
            second = int(chance.integers(1, count))
            bins[second:] *= 1.0 + REEL_SHARE * float(chance.choice([-1.0, 1.0]))
        of = np.repeat(np.arange(count), [strand.nodes for strand in design.strands])
        own = np.maximum(1.0 + NODE_SD * chance.normal(size=design.node_count), 0.0)
        return np.asarray(bins[of] * own)

    # -- what follows from the faults --------------------------------------------------------

    def _power_off(self) -> None:
        """Switch off: nodes lose their data and joints cool; then wire up the remaining faults."""
        shape = (self.design.node_count, self.design.node.channels)
        self._latched = np.zeros(shape, dtype=np.uint8)
        self._wanted = self._latched
        self._fallen = np.zeros(self.design.node_count, dtype=bool)
        self.warmth = 0.0
        faults = [parse_fault(text, self.design) for text in self.left if not _is_own(text)]
        wiring = [fault for fault in faults if isinstance(fault, WiringFault)]
        remap = [data_remap(fault, self.design) for fault in wiring]
        self._misled = [one for one in remap if one is not None]
        self._line = DataLine(self.design, faults)
        self._points: dict[bytes, Operating] = {}
        self._faults: list[InjectedFault] = faults
        self._limits = self._limited()

    def _ohms(self) -> dict[str, float]:
        """Return the resistance of every power joint now. [Ω]"""
        ohms = dict(self.joint_ohm)
        for text in self.left:
            where, _, what = text.partition("=")
            if where not in ohms:
                continue
            if what.startswith("warm:"):
                cold_ohm, warm_ohm = map(float, what.split(":")[1:])
                ohms[where] = cold_ohm + self.warmth * (warm_ohm - cold_ohm)
            else:
                ohms[where] = math.inf if what == "open" else float(what)
        return ohms

    def _shorts(self) -> dict[Probe, float]:
        found = {}
        for text in self.left:
            where, _, what = text.partition("=")
            if what.startswith("short:"):
                place = parse_place(where, self.design)
                found[rail_probe(place)] = float(what.partition(":")[2])
        return found

    def _supplied(self) -> Design:
        """Return the true design with blown fuses, and supplies at their limit as they are then."""
        blown = {text.partition("=")[0] for text in self.left if text.endswith("=fuse")}
        blown |= {name for name, volts in self._limits.items() if math.isinf(volts)}
        feeds = tuple(
            replace(feed, fuse_mohm=BLOWN_MOHM)
            if feed.name in blown
            else replace(feed, volts=self._limits.get(feed.name, feed.volts))
            for feed in self.true.feeds
        )
        return replace(self.true, feeds=feeds)

    def _limited(self) -> dict[str, float]:
        """Return volts of supplies that give less into a short, inf where the fuse has blown. [V]

        Our own circuit finds them, dark, even if ngspice solves the operating points.
        """
        self._limits = {}
        shorts = self._shorts()
        if not shorts:
            return {}
        duty = np.zeros((self.design.node_count, self.design.node.channels))
        volts = {feed.name: feed.volts for feed in self.true.feeds}
        found: dict[str, float] = {}
        for _ in range(20):
            self._limits = found
            amps = solve(Circuit(self._supplied(), self._ohms(), shorts), duty).feed_a
            over = False
            for feed in self.true.feeds:
                most_a = LIMIT_A if feed.supply_a is None else LIMIT_SHARE * feed.supply_a
                now_a = amps[feed.name]
                if math.isinf(found.get(feed.name, 0.0)):
                    continue
                if feed.fuse_a is not None and min(now_a, most_a) > BLOWS_AT * feed.fuse_a:
                    found[feed.name], over = math.inf, True
                elif now_a > 1.01 * most_a:
                    found[feed.name] = found.get(feed.name, volts[feed.name]) * most_a / now_a
                    over = True
            if not over:
                break
        return found

    # -- light -------------------------------------------------------------------------------

    def receive(self, frame: NDArray[np.uint8]) -> None:
        """Take one frame, shape (nodes, colours), prop order. Nodes without data keep theirs."""
        self._wanted = frame.copy()
        awake = self.point.node_v >= self.design.node.logic_v
        reached = self._line.reached(awake)
        latched = np.where(reached[:, None], self.received_data(), self._latched).astype(np.uint8)
        self._latched = latched

    @property
    def point(self) -> Operating:
        """Operating point now; nodes below their logic voltage lose their data."""
        point = self._point_of(self._duty())
        asleep = point.node_v < self.design.node.logic_v
        fallen = asleep & self._latched.any(axis=1)
        if fallen.any():
            self._fallen = fallen
            self._latched = np.where(asleep[:, None], 0, self._latched).astype(np.uint8)
            point = self._point_of(self._duty())
        elif not (self._fallen & asleep).any():
            self._fallen = fallen
        return point

    def _duty(self) -> FloatArray:
        duty = self._latched / 255.0 * self.node_factor[:, None]
        duty[self._line.dark] = 0.0
        return np.asarray(duty)

    def _point_of(self, duty: FloatArray) -> Operating:
        key = np.round(duty, 6).tobytes() + np.float64(round(self.warmth, 3)).tobytes()
        if key not in self._points:
            solve = self.by_ngspice if self.truth == "ngspice" else self.by_ours
            self._points[key] = solve(duty)
        return self._points[key]

    def by_ours(self, duty: FloatArray) -> Operating:
        """Return the operating point by our own circuit."""
        solution = solve(Circuit(self._supplied(), self._ohms(), self._shorts()), duty)
        return Operating(solution.volts, solution.node_v, solution.feed_a)

    def by_ngspice(self, duty: FloatArray) -> Operating:
        """Return the operating point by ngspice."""
        design = self._supplied()
        spots = [*meter_places(design)]
        spots += [
            NodeName(strand.number, node)
            for strand in design.strands
            for node in range(1, strand.nodes + 1)
        ]
        earth = Point(FeedName(design.feeds[0].name), "-")
        points = [point for spot in spots for point in (Point(spot, "+"), Point(spot, "-"))]
        probes = [Probe(point, earth) for point in points]
        deck = spice_deck(design, duty, self._ohms(), probes, self._shorts())
        with tempfile.TemporaryDirectory(prefix="any-prop-") as folder:
            printed = by_ngspice(deck, Path(folder))
        at_v = {point: printed[f"probe_{place}"] for place, point in enumerate(points, 1)}
        rows = [design.node_at(index) for index in range(design.node_count)]
        node_v = np.array([at_v[Point(node, "+")] - at_v[Point(node, "-")] for node in rows])
        amps = {feed.name: printed[f"feed_{n}"] for n, feed in enumerate(design.feeds, 1)}
        return Operating(lambda probe: at_v[probe.red] - at_v[probe.black], node_v, amps)

    def apart_v(self) -> float:
        """Return how far ngspice and our circuit are apart now, at the worst node. [V]

        0 where ngspice is not the truth.
        """
        if self.truth != "ngspice":
            return 0.0
        duty = self._duty()
        return float(np.abs(self._point_of(duty).node_v - self.by_ours(duty).node_v).max())

    # -- as `virtual.observe` wants it -------------------------------------------------------

    def sent_frame(self) -> NDArray[np.uint8]:
        """Return the last frame that came in, shape (nodes, colours)."""
        return self._wanted

    def received_data(self) -> NDArray[np.uint8]:
        """Return what that frame has for each node as the prop is wired, shape (nodes, colours)."""
        received = self._wanted
        for remap in self._misled:
            received = remap.received(received)
        return received

    def latched(self) -> NDArray[np.uint8]:
        """Return the last data of each node, shape (nodes, colours)."""
        return self._latched

    def browned_out(self) -> NDArray[np.bool_]:
        """Return the nodes that took the last light and lost it for want of volts, (nodes,)."""
        _ = self.point
        return self._fallen

    def light(self) -> FloatArray:
        """Return the light of each channel over full light, shape (nodes, colours)."""
        asked = self._duty() / np.maximum(self.node_factor, 1e-9)[:, None]
        return np.asarray(asked * node_light(self.true.node, self.point.node_v))

    # -- meter, fingers, iron ----------------------------------------------------------------

    def measure(self, probe: Probe) -> float:
        """Return what the meter shows: its gain, its last digits, the step of its range. [V]"""
        volts = self.point.volts(probe) * self.gain
        self._warm_up()
        step_v = self.meter.resolution_v(volts)
        most = max(self.meter.digits - 0.5, 0.0)
        off = float(np.clip(self._chance.normal(0.0, self.meter.digits / 3.0), -most, most))
        return float(round(round(volts / step_v + off) * step_v, 9))

    def _warm_up(self) -> None:
        """Warm the joint that grows when warm, if current flows through it."""
        for text in self.left:
            where, _, what = text.partition("=")
            if what.startswith("warm:"):
                joint = next(j for j in power_joints(self.design) if j.name == where)
                amps = abs(self.point.volts(joint.probe)) / self._ohms()[where]
                goal = 1.0 if amps > WARM_A else 0.0
                self.warmth = round(self.warmth + WARMS * (goal - self.warmth), 3)

    def repair(self, where: str, kind: str, words: str) -> str | None:
        """Repair a suspect at the places its words name; return the fault this removed, if any."""
        self._power_off()
        for text in list(self.left):
            if is_named(text, where, kind, words, self.design):
                self.left.remove(text)
                self._remade(text.partition("=")[0])
                self._power_off()
                return text
        self._remade(where)
        return None

    def _remade(self, where: str) -> None:
        if where in self.joint_ohm:
            joint = next(j for j in power_joints(self.design) if j.name == where)
            self.joint_ohm[where] = joint.ohm * JOINT_FACTOR ** float(self._chance.normal())
            self._power_off()


def _is_own(text: str) -> bool:
    """Return whether a fault is of the study's own kinds, which the virtual prop does not have."""
    what = text.partition("=")[2]
    return what == "fuse" or what.startswith(("short:", "warm:"))


def is_named(text: str, where: str, kind: str, words: str, design: Design) -> bool:
    """Return whether a suspect is this fault, so that its repair puts it right.

    A short is found where the words send the person to look for a bridge on the right copper; a
    blown fuse where they send them to the fuse by its feed or the feed's supply joint. The repair
    of a data joint does the next one along the data line as well.
    """
    place, _, what = text.partition("=")
    if what.startswith("short:"):
        return kind == "short" and _same_copper(place, where, design)
    if what == "fuse":
        return where in (place, f"{place}+") and "fuse" in words
    if what.startswith("swapped:"):
        other = what.partition(":")[2]
        return sorted(where.split()) == sorted([place, other])
    if place.endswith("d") and "." not in place:
        return where == place or _next_along(design, where) == place
    if place == COLOUR_ORDER:
        return where == COLOUR_ORDER or kind == "mapping"
    if "." not in place and place.isdigit():
        return where == place and (kind == "reversed") == (what == "reversed")
    return where == place


def _next_along(design: Design, where: str) -> str | None:
    """Return the data joint behind this one on the same hop; None where there is none."""
    after = {f"{leaving}d": f"{entering}d" for leaving, entering in data_hops(design)}
    return after.get(where)


def _same_copper(place: str, where: str, design: Design) -> bool:
    """Return whether two places, or a feed's name, are on copper that is joined to each other."""
    names = {place, where}
    feeds = {feed.name: feed.at for feed in design.feeds}
    groups = []
    for name in names:
        try:
            spot = feeds.get(name) or parse_place(name.rstrip("+-"), design)
        except Exception:
            return False
        groups.append(_copper_of(spot, design))
    return all(groups[0] & other for other in groups)


def _copper_of(spot: object, design: Design) -> set[int]:
    """Return the strands that copper joins to this place."""
    if isinstance(spot, FeedName):
        spot = next(feed.at for feed in design.feeds if feed.name == spot.feed)
    strand = spot.strand if isinstance(spot, BusPad | StrandEnd | NodeName) else 0
    joined = [{end.strand for end in bus.ends} for bus in design.buses]
    joined += [{k.first.strand, k.second.strand} for k in design.links if "+" in k.rails]
    found = {strand}
    for _ in range(len(joined)):
        for group in joined:
            if group & found:
                found |= group
    return found


def alike(text: str, where: str, design: Design) -> bool:
    """Return whether no light and no voltage distinguishes a suspect from this fault.

    Data that stop at one place of the chain: a joint of the hop, the strand behind it turned round,
    its first node passing nothing on, or the last node before it without an output.
    """
    place = text.partition("=")[0]
    mine, theirs = _stops_at(text, design), _stops_at(where, design)
    return place == where or (mine is not None and mine & (theirs or set()) != set())


def _stops_at(text: str, design: Design) -> set[int] | None:
    """Return the chain places that data may stop at; None for what stops no data."""
    place, _, what = text.partition("=")
    starts, start = {}, 0
    for entry in design.data_path:
        starts[entry.strand] = start
        start += design.strand(entry.strand).nodes
    if place.endswith("d") and "." not in place:
        joint: Joint | None = next((j for j in data_joints(design) if j.name == place), None)
        if joint is None:
            return None
        first = design.data_path[0]
        if place == f"{first}d":
            return {0}
        for leaving, entering in data_hops(design):
            if place in (f"{leaving}d", f"{entering}d") or joint.strands in (
                (leaving.strand, entering.strand),
                (entering.strand, leaving.strand),
            ):
                return {starts[entering.strand]}
        return None
    if "." in place:
        strand, node = map(int, place.split("."))
        entry = next(each for each in design.data_path if each.strand == strand)
        along = node - 1 if entry.end == "A" else design.strand(strand).nodes - node
        here = starts[strand] + along
        if what == "dead":
            return {here}
        if what == "no-data-out":
            return {here + 1}
        return {here, here + 1} if not what else None
    if place.isdigit() and what in ("", "reversed"):
        return {starts[int(place)]}
    return None
