"""A test pattern: what it reveals, what it asks, and how its steps light the nodes."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from typing import Literal, overload

import numpy as np
from numpy.typing import NDArray

from benchtest.prop.design import Design, NodeName
from benchtest.prop.lit_set import COLOUR_CHANNELS, LitSet, all_lit

StepScope = Literal["prop", "strand", "node", "colour"]
STEP_SCOPES: tuple[StepScope, ...] = ("prop", "strand", "node", "colour")


@dataclass(frozen=True, slots=True)
class Layer:
    """Nodes lit alike; a later layer replaces an earlier one where both are."""

    every: int = 1
    """Every so many nodes of a strand, counted from end A: 10 lights 10, 20, 30 …"""
    colour: str = "white"
    level: float = 1.0


@dataclass(frozen=True, slots=True)
class Rule:
    """One `[[step]]` of a pattern file: it makes a step for each of something."""

    each: StepScope
    says: str
    """What a step says; `{strand}`, `{node}` and `{colour}` are filled in."""
    layers: tuple[Layer, ...]


@dataclass(frozen=True)
class Step:
    """What should be lit now.

    Attributes:
        says: in words.
        duty: share of full current of each channel, shape (nodes, colours), 0 to 1.
        lit: the same as the contract writes it, where whole strands are lit alike.
        marked: the one node it is about, if it is about one.
    """

    says: str
    duty: NDArray[np.float64]
    lit: LitSet | None
    marked: NodeName | None = None


@dataclass(frozen=True, slots=True)
class Pattern:
    """One pattern file."""

    name: str
    title: str
    reveals: str
    asks: str
    hold_s: float
    """Time for each step where nobody presses a key. [s]"""
    rules: tuple[Rule, ...]

    def steps(self, design: Design) -> Steps:
        """The steps on a design, made when they are asked for."""
        return Steps(self, design)


class Steps(Sequence[Step]):
    """Steps of a pattern on a design. Each is made when asked for: a walk may have thousands."""

    def __init__(self, pattern: Pattern, design: Design) -> None:
        self.design = design
        self._rules = [(rule, _count(rule.each, design)) for rule in pattern.rules]

    def __len__(self) -> int:
        return sum(count for _, count in self._rules)

    @overload
    def __getitem__(self, index: int) -> Step: ...
    @overload
    def __getitem__(self, index: slice) -> list[Step]: ...
    def __getitem__(self, index: int | slice) -> Step | list[Step]:
        if isinstance(index, slice):
            return [self[place] for place in range(*index.indices(len(self)))]
        place = index + len(self) if index < 0 else index
        for rule, count in self._rules:
            if 0 <= place < count:
                return _step(rule, place, self.design)
            place -= count
        raise IndexError(f"step {index} of {len(self)}")

    def __iter__(self) -> Iterator[Step]:
        return (self[place] for place in range(len(self)))


def _count(each: StepScope, design: Design) -> int:
    return {
        "prop": 1,
        "strand": len(design.strands),
        "node": design.node_count,
        "colour": design.node.channels,
    }[each]


def _step(rule: Rule, place: int, design: Design) -> Step:
    if rule.each == "strand":
        number = place + 1
        return _painted(rule, design, LitSet(frozenset([number])), {"strand": number})
    if rule.each == "node":
        node = design.node_at(place)
        names = {"strand": node.strand, "node": str(node)}
        return _one_node(rule, design, node, names)
    if rule.each == "colour":
        colour = design.node.colours[place]
        lit = all_lit(design)
        return _painted(rule, design, lit, {"colour": colour}, _colour_name(colour))
    return _painted(rule, design, all_lit(design), {})


def _colour_name(channel: str) -> str:
    """The colour that lights one channel alone."""
    return "white-channel" if channel == "white" else channel


def _painted(
    rule: Rule, design: Design, lit: LitSet, names: dict[str, object], colour: str | None = None
) -> Step:
    duty = np.zeros((design.node_count, design.node.channels))
    for number in lit.strands:
        start, nodes = design.first_index[number - 1], design.strand(number).nodes
        for layer in rule.layers:
            places = np.arange(start + layer.every - 1, start + nodes, layer.every)
            duty[places] = _row(design, colour or layer.colour, layer.level)
    whole = _as_lit(rule, lit, colour)
    return Step(rule.says.format(**names), duty, whole)


def _as_lit(rule: Rule, lit: LitSet, colour: str | None) -> LitSet | None:
    if len(rule.layers) != 1 or rule.layers[0].every != 1:
        return None
    layer = rule.layers[0]
    return LitSet(lit.strands, layer.level, colour or layer.colour)


def _one_node(rule: Rule, design: Design, node: NodeName, names: dict[str, object]) -> Step:
    duty = np.zeros((design.node_count, design.node.channels))
    layer = rule.layers[-1]
    duty[design.index(node.strand, node.node)] = _row(design, layer.colour, layer.level)
    return Step(rule.says.format(**names), duty, None, node)


def _row(design: Design, colour: str, level: float) -> list[float]:
    return [level if channel in COLOUR_CHANNELS[colour] else 0.0 for channel in design.node.colours]


def frame_from_duty(duty: NDArray[np.float64]) -> NDArray[np.uint8]:
    """Levels as they go onto the wire, 255 for full; shape stays (nodes, colours)."""
    return np.asarray(np.rint(np.clip(duty, 0.0, 1.0) * 255.0), dtype=np.uint8)
