"""Operating points of made-up props, each out of a prop file's text, by ngspice.

Seeds run through the kinds of the catalogue, the shapes and the states in turn; what else a prop
has is drawn. A failing seed makes the same prop again: `made(seed).text` is its file.
"""

from __future__ import annotations

import json
import math
import tomllib
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from functools import cache
from itertools import pairwise
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from benchtest.circuit.network import Circuit
from benchtest.circuit.solution import solve
from benchtest.prop.design import Design, StrandEnd
from benchtest.prop.joints import power_joints
from benchtest.prop.lit_set import COLOUR_CHANNELS, LitSet, parse_lit_set
from benchtest.prop.node_kinds import NodeKind, catalogue
from benchtest.prop.reader import parse_design
from tests.outside.ngspice import compare

Table = dict[str, Any]
SEEDS = range(90)
MOST_NODES = 60
MOST_A = 1e-5
"""Permissible difference of feed currents: at 12 V ngspice stops at 12 nV, over joints of 2 mΩ."""
STATES = ("healthy", "joints", "opens", "starved")
STRAND_WIRES = ("20 AWG", "22 AWG", "0.5 mm2", "0.34 mm2", "24 AWG CCA", "0.75 mm2 CCA")
THIN_WIRES = ("30 AWG", "34 AWG", "0.03 mm2", "32 AWG CCA")
CABLES = ("14 AWG", "1.5 mm2", "16 AWG CCA", "18 AWG", "0.75 mm2")


@dataclass(frozen=True)
class Made:
    """A prop made from a seed, with its lit set and its bad joints."""

    state: str
    text: str
    design: Design
    lit: LitSet
    joint_ohm: Mapping[str, float]


def _kind(seed: int) -> NodeKind:
    return list(catalogue().values())[seed % len(catalogue())]


def _shape(seed: int) -> str:
    return list(SHAPES)[seed % len(SHAPES)]


def _state(seed: int) -> str:
    """Return the state of a seed, so that every kind is combined with every state."""
    state = STATES[(seed + seed // len(catalogue())) % len(STATES)]
    # where such nodes get too little they have two solutions or none: tested elsewhere
    regulated = _kind(seed).family == "regulated"
    return {"opens": "joints", "starved": "healthy"}.get(state, state) if regulated else state


def _name(seed: int) -> str:
    return f"{seed:02}-{_kind(seed).name}-{_shape(seed)}-{_state(seed)}".replace(" ", "-")


@cache
def made(seed: int) -> Made:
    """Return the prop of a seed, always the same."""
    chance = np.random.default_rng(seed)
    text = _text(_prop(chance, seed))
    design = parse_design(text, f"{_name(seed)}.toml")
    return Made(_state(seed), text, design, _lit(chance, seed, design), _bad(chance, seed, design))


# -- Content of the prop file -----------------------------------------------------------------


def _prop(chance: np.random.Generator, seed: int) -> Table:
    shape, kind = _shape(seed), _kind(seed)
    runs = _runs(chance, shape, starved=_state(seed) == "starved")
    count = sum(run["count"] for run in runs)
    path = _path(chance, count)
    copper, pads = SHAPES[shape](chance, count)
    node: Table = {"kind": kind.name}
    if _state(seed) == "starved":
        # three LEDs in series have more headroom, so undervoltage takes more current
        node["channel_ma"] = round(kind.channel_ma * kind.volts * chance.uniform(1.5, 3.0), 1)
    else:
        # where nothing conducts, copper that is cut off has no volts of its own to compare
        least_ma = 0.1 if _state(seed) == "opens" else 0.0
        node["quiescent_ma"] = _drawn(chance, (least_ma, kind.quiescent_ma, 3.0))
    return {
        "format": 1,
        "name": f"Reed bed {seed}",
        "node": node,
        "strand": runs,
        "data": {"path": path},
        **copper,
        "feed": _feeds(chance, kind, pads, apart=shape == "returns"),
    }


def _runs(chance: np.random.Generator, shape: str, *, starved: bool) -> list[Table]:
    """Strand tables: one of many nodes, then one without leads, then one or two more."""
    wires = THIN_WIRES if starved else STRAND_WIRES
    counts = [int(chance.integers(12, 22)), *chance.choice([1, 2, 3, 9], 2).tolist()]
    if shape == "returns":
        counts = counts[:2]
    return [
        {
            "count": 2 if place == 2 and chance.random() < 0.5 else 1,
            "nodes": nodes,
            "pitch_mm": round(chance.uniform(30.0, 100.0), 1),
            "lead_mm": [0.0 if place == 1 else _drawn(chance, (0.0, 45.0, 120.5)) for _ in "AB"],
            "wire": _drawn(chance, wires),
        }
        for place, nodes in enumerate(counts)
    ]


def _path(chance: np.random.Generator, strands: int) -> str | list[str]:
    if chance.random() < 0.6:
        return str(_drawn(chance, ("zigzag", "from-A")))
    return [f"{n}{_drawn(chance, 'AB')}" for n in _shuffled(chance, strands)]


def _two_buses(chance: np.random.Generator, strands: int, *, ring: bool = False) -> Copper:
    listed = [f"{n}A" for n in _shuffled(chance, strands)]
    foot = _bus(chance, "foot", "A" if ring else listed, ring=ring)
    crown = _bus(chance, "crown", "B", ring=ring)
    pads = [f"{bus}:{n}" for bus in ("foot", "crown") for n in range(1, strands + 1)]
    return {"bus": [foot, crown]}, pads


def _one_bus(chance: np.random.Generator, strands: int) -> Copper:
    every = range(1, strands + 1)
    pads = [*(f"foot:{n}" for n in every), *(f"{n}B" for n in every)]
    return {"bus": [_bus(chance, "foot", "A")]}, pads


def _ring_buses(chance: np.random.Generator, strands: int) -> Copper:
    return _two_buses(chance, strands, ring=True)


def _links_follow_data(chance: np.random.Generator, strands: int) -> Copper:
    link = {"follow": "data", "length_mm": _drawn(chance, (0.0, 80.0)), **_joint(chance)}
    return {"link": [link]}, _ends(strands)


def _links_with_wire(chance: np.random.Generator, strands: int) -> Copper:
    """Strands in a row, each hop with its own wire, and half the time closed to a ring."""
    hops = list(pairwise(range(1, strands + 1)))
    if chance.random() < 0.5:
        hops.append((strands, 1))
    return {"link": [_link(chance, f"{n}B", f"{m}A") for n, m in hops]}, _ends(strands)


def _bus_and_links(chance: np.random.Generator, strands: int) -> Copper:
    """The last strand is linked to the one before it; the others are on a bus."""
    bus = _bus(chance, "foot", [f"{n}A" for n in range(1, strands)])
    pads = [*(f"foot:{n}" for n in range(1, strands)), *_ends(strands)]
    return {"bus": [bus], "link": [_link(chance, f"{strands - 1}B", f"{strands}A")]}, pads


def _returns(chance: np.random.Generator, strands: int) -> Copper:
    """Each strand has a supply of its own; only their returns are joined."""
    links = [
        {**_link(chance, f"{n}B", f"{m}A"), "rails": "-"}
        for n, m in pairwise(range(1, strands + 1))
    ]
    return {"link": links}, [f"{n}{_drawn(chance, 'AB')}" for n in range(1, strands + 1)]


Copper = tuple[Table, list[str]]
"""Tables of a prop file that join strands, and the places where a feed may enter."""
SHAPES: dict[str, Callable[[np.random.Generator, int], Copper]] = {
    "two buses": _two_buses,
    "one bus": _one_bus,
    "ring buses": _ring_buses,
    "links follow data": _links_follow_data,
    "links with wire": _links_with_wire,
    "bus and links": _bus_and_links,
    "returns": _returns,
}


def _bus(
    chance: np.random.Generator, name: str, joins: str | list[str], *, ring: bool = False
) -> Table:
    copper: Table = {"copper": {"weight_oz": _drawn(chance, (1.0, 2.0)), "width_mm": 6.5}}
    if chance.random() < 0.5:
        copper = {"wire": _drawn(chance, CABLES)}
    spacing_mm = round(chance.uniform(15.0, 120.0), 1)
    return {"name": name, "joins": joins, **copper, "spacing_mm": spacing_mm, "ring": ring}


def _link(chance: np.random.Generator, one: str, other: str) -> Table:
    length_mm = round(chance.uniform(10.0, 400.0), 1)
    wire = _drawn(chance, STRAND_WIRES)
    return {"from": one, "to": other, "length_mm": length_mm, "wire": wire, **_joint(chance)}


def _joint(chance: np.random.Generator) -> Table:
    return {"joint_mohm": 15.0} if chance.random() < 0.3 else {}


def _ends(strands: int) -> list[str]:
    return [f"{n}{end}" for n in range(1, strands + 1) for end in "AB"]


def _feeds(
    chance: np.random.Generator, kind: NodeKind, pads: list[str], *, apart: bool
) -> list[Table]:
    """One to three feeds at different places, their volts slightly apart; or one at each."""
    count = len(pads) if apart else int(chance.integers(1, 4))
    chosen = pads if apart else [pads[n - 1] for n in _shuffled(chance, len(pads))[:count]]
    return [
        {
            "name": f"supply-{number}",
            "at": at,
            "volts": round(kind.volts * chance.uniform(0.985, 1.02), 3),
            "wire": _drawn(chance, CABLES),
            "length_mm": round(chance.uniform(200.0, 2500.0), 1),
            **({"fuse_a": 10.0, "fuse_mohm": 7.5} if chance.random() < 0.4 else {}),
            **_joint(chance),
        }
        for number, at in enumerate(chosen, 1)
    ]


def _drawn(chance: np.random.Generator, values: Any) -> Any:
    return values[int(chance.integers(len(values)))]


def _shuffled(chance: np.random.Generator, count: int) -> list[int]:
    """Return 1 to count in random order."""
    return [int(number) for number in chance.permutation(np.arange(1, count + 1))]


def _text(prop: Table) -> str:
    """Return a prop file; repeated tables come last, as TOML requires."""
    lines = [f"{key} = {json.dumps(prop[key])}" for key in ("format", "name")]
    for key, value in prop.items():
        if isinstance(value, dict):
            lines += ["", f"[{key}]", *_pairs(value)]
        elif isinstance(value, list):
            for table in value:
                lines += ["", f"[[{key}]]", *_pairs(table)]
    return "\n".join(lines) + "\n"


def _pairs(table: Table) -> list[str]:
    return [f"{key} = {_value(value)}" for key, value in table.items()]


def _value(value: Any) -> str:
    """Text, numbers, truth and lists are written alike in JSON and TOML; tables are not."""
    return f"{{ {', '.join(_pairs(value))} }}" if isinstance(value, dict) else json.dumps(value)


# -- What is lit and what is wrong ------------------------------------------------------------


def _lit(chance: np.random.Generator, seed: int, design: Design) -> LitSet:
    """All white for an undervoltage prop; else all, some or none, in any colour."""
    if _state(seed) == "starved":
        return parse_lit_set("all", design)
    some = sorted(_shuffled(chance, len(design.strands))[: 1 + len(design.strands) // 2])
    lit = ("all", " ".join(map(str, some)), "none")[seed % 3]
    here = [
        name for name, lights in COLOUR_CHANNELS.items() if set(lights) & set(design.node.colours)
    ]
    return parse_lit_set(lit, design, colour=str(_drawn(chance, here)))


def _bad(chance: np.random.Generator, seed: int, design: Design) -> dict[str, float]:
    names = [joint.name for joint in power_joints(design)]
    some = chance.permutation(names)[: int(chance.integers(1, 4))].tolist()
    if _state(seed) == "joints":
        most_ohm = 0.3 if design.node.family == "regulated" else 30.0
        ohms = np.exp(chance.uniform(math.log(0.03), math.log(most_ohm), len(some)))
        return dict(zip(some, ohms.tolist(), strict=True))
    if _state(seed) == "opens":
        cut = _drawn(chance, (some, _cut_off(chance, design, 1), _cut_off(chance, design, 2)))
        return dict.fromkeys(cut, math.inf)
    return {}


def _cut_off(chance: np.random.Generator, design: Design, strands: int) -> list[str]:
    """Every joint on one rail of the last strands that data reaches, or of one anywhere."""
    path = [end.strand for end in design.data_path]
    cut = set(path[-strands:]) if strands > 1 else {_drawn(chance, path)}
    rail = _drawn(chance, "+-")
    found = [joint for joint in power_joints(design) if cut.intersection(joint.strands)]
    return [joint.name for joint in found if joint.conductor == rail]


@pytest.mark.parametrize("seed", SEEDS, ids=_name)
def test_a_generated_prop_agrees_with_ngspice(tmp_path: Path, seed: int) -> None:
    prop = made(seed)
    duty = prop.lit.duty(prop.design)
    solution = compare(prop.design, duty, prop.joint_ohm, tmp_path, MOST_A)
    assert solution.starts, "regulated nodes are to get all they ask for here"


@pytest.mark.parametrize("seed", SEEDS, ids=_name)
def test_the_reader_keeps_every_figure_of_the_file(seed: int) -> None:
    """Both solutions start from the design, which must therefore equal the file."""
    prop = made(seed)
    design, said = prop.design, tomllib.loads(prop.text)
    wanted = {key: value for key, value in said["node"].items() if key != "kind"}
    assert design.node.name == said["node"]["kind"]
    assert {key: getattr(design.node, key) for key in wanted} == wanted
    runs = [run for run in said["strand"] for _ in range(run["count"])]
    assert [(s.nodes, s.pitch_mm, [*s.lead_mm], s.wire.text) for s in design.strands] == [
        (run["nodes"], run["pitch_mm"], run["lead_mm"], run["wire"]) for run in runs
    ]
    feeds = [(str(f.at), f.volts, f.wire.text, f.length_mm, f.fuse_mohm) for f in design.feeds]
    assert feeds == [
        (f["at"], f["volts"], f["wire"], f["length_mm"], f.get("fuse_mohm", 0.0))
        for f in said["feed"]
    ]
    assert [_bus_said(bus, design) for bus in said.get("bus", [])] == [
        (b.name, [*map(str, b.ends)], b.copper.board, b.spacing_mm, b.ring) for b in design.buses
    ]
    assert [name for link in said.get("link", []) for name in _links_said(link, design)] == [
        (link.name, link.length_mm, "".join(link.rails), round(link.joint_ohm * 1e3, 9))
        for link in design.links
    ]


def _bus_said(bus: Table, design: Design) -> tuple[Any, ...]:
    joins = bus["joins"]
    ends = [f"{s.number}{joins}" for s in design.strands] if isinstance(joins, str) else joins
    return bus["name"], ends, "copper" in bus, bus["spacing_mm"], bus["ring"]


def _links_said(link: Table, design: Design) -> list[tuple[Any, ...]]:
    pairs = [(link.get("from"), link.get("to"))]
    if "follow" in link:
        pairs = [(str(one.other), str(two)) for one, two in pairwise(design.data_path)]
    figures = (link["length_mm"], link.get("rails", "+-"), link.get("joint_mohm", 2.0))
    return [(f"{one}~{two}", *figures) for one, two in pairs]


def _is_starved(prop: Made) -> bool:
    """Return True if a node is below its kind's lowest volts and the need of every colour."""
    kind, circuit = prop.design.node, Circuit(prop.design, prop.joint_ohm)
    lowest_v = solve(circuit, prop.lit.duty(prop.design)).lowest_node[1]
    return prop.state == "starved" and lowest_v < min(kind.lowest_v, *kind.full_v.values())


def _has_wire(prop: Made, word: str) -> bool:
    return any(word in strand.wire.text for strand in prop.design.strands)


COVERED: dict[str, tuple[int, Callable[[Made], bool]]] = {
    "joints of 3 ohm": (5, lambda prop: any(3.0 < o < 99.0 for o in prop.joint_ohm.values())),
    "islands": (8, lambda prop: Circuit(prop.design, prop.joint_ohm).floating.sum() > 0),
    "starved": (8, _is_starved),
    "rings": (8, lambda prop: any(bus.ring and len(bus.ends) > 2 for bus in prop.design.buses)),
    "board copper": (8, lambda prop: any(bus.copper.board for bus in prop.design.buses)),
    "buses of wire": (8, lambda prop: any(not bus.copper.board for bus in prop.design.buses)),
    "buses and links": (8, lambda prop: bool(prop.design.buses and prop.design.links)),
    "links alone": (16, lambda prop: bool(prop.design.links and not prop.design.buses)),
    "returns alone": (8, lambda prop: any(link.rails == ("-",) for link in prop.design.links)),
    "two feeds": (12, lambda prop: len(prop.design.feeds) == 2),
    "three feeds": (8, lambda prop: len(prop.design.feeds) == 3),
    "feeds at ends": (12, lambda prop: any(isinstance(f.at, StrandEnd) for f in prop.design.feeds)),
    "fuses": (12, lambda prop: any(feed.fuse_mohm > 0.0 for feed in prop.design.feeds)),
    "no leads": (12, lambda prop: any(not any(s.lead_mm) for s in prop.design.strands)),
    "strands of one node": (8, lambda prop: any(s.nodes == 1 for s in prop.design.strands)),
    "wire by gauge": (12, lambda prop: _has_wire(prop, "AWG")),
    "wire by area": (12, lambda prop: _has_wire(prop, "mm2")),
    "aluminium wire": (12, lambda prop: _has_wire(prop, "CCA")),
    "all lit": (16, lambda prop: len(prop.lit.strands) == len(prop.design.strands)),
    "some lit": (8, lambda prop: 0 < len(prop.lit.strands) < len(prop.design.strands)),
    "none lit": (8, lambda prop: not prop.lit.strands),
    "one colour lit": (8, lambda prop: prop.lit.colour in ("red", "green", "blue")),
}


@pytest.mark.parametrize("what", COVERED)
def test_enough_props_have_each_property(what: str) -> None:
    fewest, holds = COVERED[what]
    assert sum(holds(made(seed)) for seed in SEEDS) >= fewest


def test_every_kind_reaches_every_state_and_no_prop_is_large() -> None:
    props = [made(seed) for seed in SEEDS]
    met = {(prop.design.node.name, prop.state) for prop in props}
    for kind in catalogue().values():
        states = ("healthy", "joints") if kind.family == "regulated" else STATES
        assert {(kind.name, state) for state in states} <= met
    assert max(prop.design.node_count for prop in props) <= MOST_NODES
