"""Where each node's channels sit on the wire: universes and slots, whole nodes only.

A frame is `uint8 [nodes, colours]` in prop order and in the tool's own order of colours; the wire
carries nodes in the order data reaches them, and colours in the order the chip takes them.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from functools import lru_cache

import numpy as np
from numpy.typing import NDArray

from benchtest.prop.data_path import data_order
from benchtest.prop.design import Design

MAX_SLOTS = 512
"""Slots of a universe. Source: ANSI E1.31-2018, clause 7.7."""

Frame = NDArray[np.uint8]


@dataclass(frozen=True, slots=True)
class UniverseSlice:
    """A run of nodes that one universe carries.

    Attributes:
        universe: its number.
        slot: first slot used, from 0.
        first: place of its first node along the data line.
        stop: place after its last node.
    """

    universe: int
    slot: int
    first: int
    stop: int


def universe_slices(design: Design) -> list[UniverseSlice]:
    """How a prop is cut into universes: 170 whole RGB nodes each, or 128 RGBW.

    The first universe may begin at a later channel and then carries fewer; where not even one
    node fits behind that channel, it is left empty.
    """
    channels, count = design.node.channels, design.node_count
    parts = []
    universe, slot, first = design.output.universe, design.output.channel - 1, 0
    while first < count:
        fits = (MAX_SLOTS - slot) // channels
        stop = min(count, first + fits)
        if stop > first:
            parts.append(UniverseSlice(universe, slot, first, stop))
        universe, slot, first = universe + 1, 0, stop
    return parts


def universe_numbers(design: Design) -> list[int]:
    """Numbers of the universes that a prop takes, ascending."""
    return [part.universe for part in universe_slices(design)]


def frame_on_wire(design: Design, frame: Frame) -> Frame:
    """A frame as the data line carries it: nodes in data order, colours in the chip's order.

    Args:
        design: the prop.
        frame: shape (nodes, colours), prop order.

    Returns:
        Shape (nodes, channels).
    """
    return np.ascontiguousarray(frame[data_order(design)][:, _columns(design)])


class UniverseLayout:
    """Where a prop's channels sit; worked out once, since frames are many.

    Attributes:
        parts: runs of nodes, one for each universe.
    """

    def __init__(self, design: Design) -> None:
        channels = design.node.channels
        self.slices = universe_slices(design)
        self._order = (data_order(design)[:, None] * channels + _columns(design)).ravel()
        self._cuts = [slice(part.first * channels, part.stop * channels) for part in self.slices]

    def slots(self, frame: Frame) -> list[memoryview]:
        """Slots that each part's nodes take, in the order of the parts.

        Args:
            frame: shape (nodes, colours), prop order.
        """
        wire = memoryview(frame.reshape(-1)[self._order])
        return [wire[cut] for cut in self._cuts]


def frame_from_slots(design: Design, slots: Mapping[int, bytes]) -> Frame:
    """The frame that a controller makes of the slots it holds; what is missing is dark.

    Returns:
        Shape (nodes, colours), prop order.
    """
    channels = design.node.channels
    wire = np.zeros((design.node_count, channels), dtype=np.uint8)
    for part in universe_slices(design):
        octets = slots.get(part.universe, b"")[part.slot :]
        wanted = (part.stop - part.first) * channels
        padded = octets[:wanted].ljust(wanted, b"\0")
        wire[part.first : part.stop] = np.frombuffer(padded, dtype=np.uint8).reshape(-1, channels)
    frame = np.empty_like(wire)
    own = np.empty_like(wire)
    own[:, _columns(design)] = wire
    frame[data_order(design)] = own
    return frame


def _columns(design: Design) -> NDArray[np.intp]:
    """Column of a frame that each slot of a node takes."""
    return _columns_for(design.node.colours, design.node.colour_order)


@lru_cache
def _columns_for(colours: tuple[str, ...], order: str) -> NDArray[np.intp]:
    letters = [colour[0].upper() for colour in colours]
    return np.array([letters.index(letter) for letter in order])


_BIT_S = 1.25e-6
"""One bit on the LED wire. [s] Source: WS2812B data sheet, 1250 ns."""
RESET_GAP_S = 300e-6
"""Low time between frames that every kind takes for its end. [s] Source: WS2813 data sheet."""


def node_s(design: Design) -> float:
    """Time that one node's bits take on the LED wire. [s]"""
    return 8 * design.node.channels * _BIT_S


def nodes_per_output(design: Design, frames_per_s: float) -> int:
    """Nodes that one data line can refresh this often."""
    return int((1.0 / frames_per_s - RESET_GAP_S) / node_s(design) + 1e-9)


def frames_per_s(design: Design) -> float:
    """Frames that one data line can send to the whole prop in a second."""
    return 1.0 / (design.node_count * node_s(design) + RESET_GAP_S)
