"""Test patterns: their purpose, their question, and the nodes that each step lights."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from typing import Literal, overload

import numpy as np
from numpy.typing import NDArray

from benchtest.pattern.picture import picture_duty, strand_colour, turn_count
from benchtest.prop.design import Design, NodeName
from benchtest.prop.lit_set import COLOUR_CHANNELS, LitSet, all_lit

StepScope = Literal["prop", "strand", "node", "colour", "turn"]
STEP_SCOPES: tuple[StepScope, ...] = ("prop", "strand", "node", "colour", "turn")


@dataclass(frozen=True, slots=True)
class Layer:
    """Nodes lit alike; a later layer replaces an earlier one where both light a node."""

    every: int = 1
    """Interval of the lit nodes, counted from end A: 10 lights nodes 10, 20, 30 …"""
    colour: str = "white"
    level: float = 1.0


@dataclass(frozen=True, slots=True)
class StepRule:
    """One `[[step]]` of a pattern file, which makes one step for each thing of its scope."""

    each: StepScope
    text: str
    """Description of a step; `{strand}`, `{node}`, `{colour}`, `{turn}` are filled in."""
    layers: tuple[Layer, ...]


@dataclass(frozen=True)
class Step:
    """One step of a pattern on a design.

    Attributes:
        text: description, such as `Strand 4 alone`.
        duty: share of full current of each channel, 0 to 1, shape (nodes, colours).
        lit: the lit set, where whole strands are lit alike; else None.
        marked: the node of a step that is about one node; else None.
    """

    text: str
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
    """Duration of each step while no key is pressed. [s]"""
    rules: tuple[StepRule, ...]

    def steps(self, design: Design) -> Steps:
        """Return the steps on a design; each is made when it is asked for."""
        return Steps(self, design)


class Steps(Sequence[Step]):
    """Steps of a pattern on a design, made one at a time: a walk may have thousands."""

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
        "turn": turn_count(design),
    }[each]


def _step(rule: StepRule, place: int, design: Design) -> Step:
    if rule.each == "strand":
        number = place + 1
        return _lit_step(rule, design, LitSet(frozenset([number])), {"strand": number})
    if rule.each == "node":
        return _node_step(rule, design, design.node_at(place))
    if rule.each == "turn":
        text = rule.text.format(turn=place + 1, colour=strand_colour(design, 1, place))
        return Step(text, picture_duty(design, place), None)
    if rule.each == "colour":
        channel = design.node.colours[place]
        colour = "white-channel" if channel == "white" else channel
        return _lit_step(rule, design, all_lit(design), {"colour": channel}, colour)
    return _lit_step(rule, design, all_lit(design), {})


def _lit_step(
    rule: StepRule,
    design: Design,
    lit: LitSet,
    fields: dict[str, object],
    colour: str | None = None,
) -> Step:
    """Return a step of whole strands; a given colour replaces those of the layers."""
    duty = np.zeros((design.node_count, design.node.channels))
    for number in lit.strands:
        start, nodes = design.first_index[number - 1], design.strand(number).nodes
        for layer in rule.layers:
            places = np.arange(start + layer.every - 1, start + nodes, layer.every)
            duty[places] = _row(design, colour or layer.colour, layer.level)
    return Step(rule.text.format(**fields), duty, _lit_set(rule, lit, colour))


def _lit_set(rule: StepRule, lit: LitSet, colour: str | None) -> LitSet | None:
    if len(rule.layers) != 1 or rule.layers[0].every != 1:
        return None
    layer = rule.layers[0]
    return LitSet(lit.strands, layer.level, colour or layer.colour)


def _node_step(rule: StepRule, design: Design, node: NodeName) -> Step:
    duty = np.zeros((design.node_count, design.node.channels))
    layer = rule.layers[-1]
    duty[design.index(node.strand, node.node)] = _row(design, layer.colour, layer.level)
    text = rule.text.format(strand=node.strand, node=str(node))
    return Step(text, duty, None, node)


def _row(design: Design, colour: str, level: float) -> list[float]:
    lights = COLOUR_CHANNELS[colour]
    return [level if channel in lights else 0.0 for channel in design.node.colours]


def frame_from_duty(duty: NDArray[np.float64]) -> NDArray[np.uint8]:
    """Return levels as they are sent, 255 for full.

    Args:
        duty: share of full current of each channel, clipped to 0 to 1, shape (nodes, colours).

    Returns:
        Frame in prop order, shape (nodes, colours).
    """
    return np.asarray(np.rint(np.clip(duty, 0.0, 1.0) * 255.0), dtype=np.uint8)
