"""Made-up designs of the any-prop study, each a prop file's text out of a seed and a number.

A design is drawn first, then its lengths are stretched or shortened together until its lowest node
at full white has the volts that were drawn for it: from well fed to barely lit.
"""

from __future__ import annotations

import json
import math
from dataclasses import dataclass
from typing import Any

import numpy as np

from benchtest.circuit.network import Circuit
from benchtest.circuit.solution import Solution, solve
from benchtest.errors import CircuitFault
from benchtest.prop.design import Design
from benchtest.prop.lit_set import all_lit
from benchtest.prop.node_kinds import NodeKind, catalogue
from benchtest.prop.reader import parse_design

Chance = np.random.Generator
Table = dict[str, Any]

SHAPES = {
    "one bus": 0.18,
    "two buses": 0.22,
    "one ring": 0.1,
    "two rings": 0.16,
    "links": 0.12,
    "bus and pairs": 0.12,
    "halves": 0.1,
}
"""Shapes and their shares. `bus and pairs`: a bus at A, ends B linked two by two; `halves`: two
buses that share no supply copper, each with its own feed."""
FIXED = "rings 14 x 27"
"""The one design that is not drawn."""
FIXED_EVERY = 8
LOADS = {"well fed": 0.5, "thin": 0.3, "undervoltage": 0.2}
"""Share of the designs for each load class: the lowest node at full white is above the kind's
lowest volts; below them, but with all its light; without some of its light."""

FEWEST_STRANDS, MOST_STRANDS = 2, 32
FEWEST_NODES, MOST_NODES = 10, 100
SMALLER = 1.25
"""Power of the uniform draw of a size on a logarithmic scale: above 1, small ones are drawn more
often."""
MOST_LINKED = 10
"""Strands in one chain of links, and nodes in proportion: more of them no supply would light."""
FUSES_A = (1.0, 2.0, 3.0, 4.0, 5.0, 7.5, 10.0, 15.0, 20.0, 25.0, 30.0, 40.0, 60.0, 80.0, 100.0)
SUPPLIES_A = (1.0, 2.0, 3.0, 5.0, 8.0, 10.0, 15.0, 20.0, 30.0, 40.0, 60.0, 80.0, 100.0, 150.0)
FEED_NAMES = ("main", "left", "right", "back")
BARELY_V = 0.25
"""Volts above the end of its logic that a node of a barely lit prop still has. [V]"""

FIXED_TEXT = """\
format = 1
name = "Reed screen"

[node]
kind = "ws2811-5v"

[[strand]]
count = 14
nodes = 27
pitch_mm = 75.0
lead_mm = [60.0, 60.0]
wire = "22 AWG"

[data]
path = "zigzag"

[[bus]]
name = "foot"
joins = "A"
copper = { weight_oz = 2.0, width_mm = 8.0 }
spacing_mm = 30.0
ring = true

[[bus]]
name = "crown"
joins = "B"
copper = { weight_oz = 2.0, width_mm = 8.0 }
spacing_mm = 30.0
ring = true

[[feed]]
name = "main"
at = "foot:7"
volts = 5.0
wire = "12 AWG"
length_mm = 1000.0
fuse_a = 20.0
"""


@dataclass(frozen=True)
class Made:
    """A made-up design.

    Attributes:
        text: its prop file.
        design: read from that.
        shape: its family by copper, of `SHAPES` or `FIXED`.
        load: its family by volts, of `LOADS`.
    """

    text: str
    design: Design
    shape: str
    load: str

    @property
    def is_measured(self) -> bool:
        """True where the file gives the node current, so that the unit is near it."""
        return self.design.node.sources.get("channel_ma") == "the prop file"


def chance_of(seed: int, number: int, part: int) -> Chance:
    """Return the random generator of one part of one unit of one study."""
    return np.random.default_rng([seed, number, part])


def pick(chance: Chance, shares: dict[str, float]) -> str:
    """Draw one of these by its share."""
    weights = np.array(list(shares.values()))
    return str(chance.choice(list(shares), p=weights / weights.sum()))


def made_design(seed: int, number: int) -> Made:
    """Return the design of one unit of one study, always the same."""
    if number % FIXED_EVERY == FIXED_EVERY - 1:
        design = parse_design(FIXED_TEXT, "fixed.toml")
        return Made(FIXED_TEXT, design, FIXED, load_of(design, at_full_white(design)))
    chance = chance_of(seed, number, 0)
    shape, load = pick(chance, SHAPES), pick(chance, LOADS)
    draft = _Draft(chance, shape, number)
    while True:
        stretch = _stretch_for(draft, _target_v(chance, draft.kind, load))
        if stretch is not None:
            break
        draft.fewer_nodes()
    text = draft.text(stretch, _ratings(draft, stretch))
    design = parse_design(text, f"made-{seed}-{number}.toml")
    return Made(text, design, shape, load_of(design, at_full_white(design)))


def at_full_white(design: Design) -> Solution:
    """Return the operating point of the healthy design at full white."""
    return solve(Circuit(design), all_lit(design).duty(design))


def load_of(design: Design, full: Solution) -> str:
    """Return the family by volts."""
    lowest_v = full.lowest_node[1]
    if lowest_v >= design.node.lowest_v:
        return "well fed"
    return "thin" if lowest_v >= _all_light_v(design.node) else "undervoltage"


def _all_light_v(kind: NodeKind) -> float:
    """Return the volts down to which every colour has nearly all its light. [V]"""
    if kind.family == "resistor":  # no flat part: every colour fades from the first volt on
        return kind.lowest_v - 0.4
    return max(kind.full_v.values())


def _target_v(chance: Chance, kind: NodeKind, load: str) -> float:
    """Draw the volts of the lowest node at full white. [V]"""
    light_v, barely_v = _all_light_v(kind), kind.logic_v + BARELY_V
    low_v, high_v = {
        "well fed": (kind.lowest_v, kind.lowest_v + 0.9 * (kind.volts - kind.lowest_v)),
        "thin": (light_v, kind.lowest_v),
        "undervoltage": (max(barely_v, light_v - 0.15 * kind.volts), light_v),
    }[load]
    if kind.family == "regulated":  # below its headroom it draws more than there is, and collapses
        low_v, high_v = max(low_v, light_v + 0.5), max(high_v, light_v + 1.5)
    return float(chance.uniform(low_v, high_v))


class _Draft:
    """Random draws for a design before its lengths are stretched."""

    def __init__(self, chance: Chance, shape: str, number: int) -> None:
        self.shape, self.number = shape, number
        kinds = list(catalogue().values())
        self.kind = kinds[int(chance.integers(len(kinds)))]
        most = MOST_LINKED if shape == "links" else MOST_STRANDS
        self.strands = _size(chance, FEWEST_STRANDS, most)
        if shape == "bus and pairs":
            self.strands += self.strands % 2
        if shape == "halves":
            self.strands = max(self.strands, 4)
        self.nodes = _size(chance, FEWEST_NODES, MOST_NODES)
        self.uneven = chance.random() < 0.3
        self.runs = chance.integers(0, max(2, self.nodes // 4), size=self.strands)
        self.node: Table = {"kind": self.kind.name}
        if chance.random() < 0.6:
            self.node["channel_ma"] = round(self.kind.channel_ma * chance.uniform(0.6, 1.2), 1)
            self.node["quiescent_ma"] = round(self.kind.quiescent_ma * chance.uniform(0.7, 1.3), 2)
        gauge = int(chance.choice([18, 20, 22, 24, 26, 28], p=[0.1, 0.2, 0.3, 0.2, 0.12, 0.08]))
        self.wire = f"{gauge} AWG" + (" CCA" if chance.random() < 0.2 else "")
        self.pitch_mm = float(chance.choice([17, 25, 30, 50, 75, 100]))
        self.leads_mm = [round(float(mm), 0) for mm in chance.uniform(15, 150, size=2)]
        self.copper = _copper(chance)
        self.spacing_mm = float(chance.uniform(15, 60))
        self.path = str(chance.choice(["zigzag", "from-A"], p=[0.8, 0.2]))
        self.feeds = _feeds(chance, self)
        self.rated = chance.random(size=(3, 4))

    def fewer_nodes(self) -> None:
        """Take a third of the nodes out: no cable that a person would use lights them all."""
        self.nodes = max(FEWEST_NODES, self.nodes * 2 // 3)
        if self.nodes == FEWEST_NODES:
            self.uneven = False
            self.strands = max(FEWEST_STRANDS + 2, self.strands * 2 // 3 // 2 * 2)
            self.feeds = [feed for feed in self.feeds if feed["strand"] <= self.strands]
            self.feeds = self.feeds or [{"strand": 1, "bus": 0, "gauge": 14, "length_mm": 500.0}]

    def counts(self) -> list[int]:
        """Return the nodes of every strand."""
        if not self.uneven:
            return [self.nodes] * self.strands
        return [max(FEWEST_NODES, self.nodes - int(less)) for less in self.runs[: self.strands]]

    def text(self, stretch: float, ratings: list[Table] | None = None) -> str:
        """Return the prop file with all lengths this much longer, within what people build."""
        spacing_mm = round(float(np.clip(self.spacing_mm * stretch, 8.0, 200.0)), 1)
        wires: Table = {
            "pitch_mm": round(float(np.clip(self.pitch_mm * stretch, 10.0, 300.0)), 1),
            "lead_mm": self.leads_mm,
            "wire": self.wire,
        }
        tables: list[tuple[str, Table]] = [
            ("", {"format": 1, "name": f"Made-up prop {self.number}"}),
            ("node", self.node),
        ]
        for count, nodes in _alike(self.counts()):
            tables.append(("[strand]", {"count": count, "nodes": nodes, **wires}))
        tables.append(("data", {"path": self.path if self.shape != "links" else "zigzag"}))
        tables += [("[bus]", {**bus, "spacing_mm": spacing_mm}) for bus in self._buses()]
        tables += [("[link]", link) for link in self._links()]
        for place, feed in enumerate(self.feeds):
            length_mm = float(np.clip(feed["length_mm"] * stretch, 100.0, 8000.0))
            table = {
                "name": FEED_NAMES[place],
                "at": self._at(feed),
                "volts": self.kind.volts,
                "wire": f"{feed['gauge']} AWG",
                "length_mm": round(length_mm, 0),
            }
            tables.append(("[feed]", table | (ratings[place] if ratings else {})))
        return "\n".join(_table(head, table) for head, table in tables)

    def _buses(self) -> list[Table]:
        if self.shape == "links":
            return []
        ends = [f"{number}A" for number in range(1, self.strands + 1)]
        if self.shape == "halves":
            half = self.strands // 2
            return [
                {"name": "west", "joins": ends[:half], **self.copper},
                {"name": "east", "joins": ends[half:], **self.copper},
            ]
        ring = {"ring": True} if self.shape in ("one ring", "two rings") else {}
        found = [{"name": "foot", "joins": "A", **self.copper, **ring}]
        if self.shape in ("two buses", "two rings"):
            found.append({"name": "crown", "joins": "B", **self.copper, **ring})
        return found

    def _links(self) -> list[Table]:
        if self.shape == "links":
            return [{"follow": "data"}]
        if self.shape != "bus and pairs":
            return []
        return [
            {"from": f"{one}B", "to": f"{one + 1}B"} for one in range(1, self.strands, 2)
        ]  # fmt: skip

    def _at(self, feed: Table) -> str:
        strand = feed["strand"]
        if self.shape == "links":
            return f"{strand}{'A' if strand % 2 else 'B'}"  # where data enters it
        if self.shape == "halves":
            half = self.strands // 2
            return f"west:{min(strand, half)}" if not feed["bus"] else (
                f"east:{max(strand, half + 1)}"
            )  # fmt: skip
        names = [bus["name"] for bus in self._buses()]
        return f"{names[feed['bus'] % len(names)]}:{strand}"


def _size(chance: Chance, least: int, most: int) -> int:
    part = chance.random() ** SMALLER
    return round(math.exp(math.log(least) + part * math.log(most / least)))


def _copper(chance: Chance) -> Table:
    if chance.random() < 0.2:
        return {"wire": f"{int(chance.choice([12, 14, 16, 18]))} AWG"}
    board = {
        "weight_oz": float(chance.choice([1.0, 2.0, 3.0])),
        "width_mm": round(float(chance.uniform(4.0, 20.0)), 1),
    }
    return {"copper": board}


def _feeds(chance: Chance, draft: _Draft) -> list[Table]:
    """Draw one to four feeds at different places."""
    count = int(chance.choice([1, 2, 3, 4], p=[0.6, 0.24, 0.1, 0.06]))
    count = min(count, draft.strands // 2)
    if draft.shape == "halves":
        count = 2
    count = max(count, 1)
    strands = np.sort(chance.choice(draft.strands, size=count, replace=False)) + 1
    if draft.shape == "links":
        strands[0] = 1
    return [
        {
            "strand": int(strand),
            "bus": place if draft.shape == "halves" else int(chance.integers(2)),
            "gauge": int(chance.choice([10, 12, 14, 16, 18, 20])),
            "length_mm": float(np.exp(chance.uniform(np.log(300.0), np.log(6000.0)))),
        }
        for place, strand in enumerate(strands)
    ]


def _alike(counts: list[int]) -> list[tuple[int, int]]:
    """Return runs of strands with as many nodes: how many strands, and their nodes."""
    runs: list[tuple[int, int]] = []
    for nodes in counts:
        if runs and runs[-1][1] == nodes:
            runs[-1] = (runs[-1][0] + 1, nodes)
        else:
            runs.append((1, nodes))
    return runs


def _table(head: str, table: Table) -> str:
    lines = [f"[{head}]"] if head else []
    return "\n".join([*lines, *(f"{key} = {_value(value)}" for key, value in table.items()), ""])


def _value(value: Any) -> str:
    if isinstance(value, dict):
        return "{ " + ", ".join(f"{key} = {_value(each)}" for key, each in value.items()) + " }"
    return json.dumps(value)


def _lowest_v(draft: _Draft, stretch: float) -> float:
    """Return the volts of the lowest node at full white; 0 where the prop does not start. [V]"""
    try:
        full = at_full_white(parse_design(draft.text(stretch), "draft"))
    except CircuitFault:
        return 0.0
    return full.lowest_node[1] if full.starts else 0.0


def _stretch_for(draft: _Draft, target_v: float) -> float | None:
    """Return the stretch of all lengths that brings the lowest node to these volts, or nearest.

    None where the prop would not light at any length.
    """
    low, high = 0.05, 12.0
    kind = draft.kind
    barely_v = kind.logic_v + BARELY_V
    if _lowest_v(draft, low) < max(barely_v, min(target_v, kind.lowest_v) - 0.15 * kind.volts):
        return None
    for _ in range(9):
        middle = math.sqrt(low * high)
        if _lowest_v(draft, middle) >= target_v:
            low = middle
        else:
            high = middle
    return round(low, 3)


def _ratings(draft: _Draft, stretch: float) -> list[Table]:
    """Draw fuses and supplies that carry full white; in one design of twenty they do not."""
    design = parse_design(draft.text(stretch), "draft")
    amps = list(at_full_white(design).feed_a.values())
    share = 0.7 if draft.rated[0, 0] < 0.05 else 1.25
    found = []
    for place, feed_a in enumerate(amps):
        ratings: Table = {}
        if draft.rated[1, place] < 0.85:
            ratings["fuse_a"] = next((a for a in FUSES_A if a >= share * abs(feed_a)), FUSES_A[-1])
        if draft.rated[2, place] < 0.7:
            ratings["supply_a"] = next(
                (a for a in SUPPLIES_A if a >= 1.3 * abs(feed_a)), SUPPLIES_A[-1]
            )
        found.append(ratings)
    return found
