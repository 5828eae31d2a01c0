"""Place of each node's channels on the wire: universes and slots, whole nodes only.

A frame is `uint8 [nodes, colours]` in prop order and in our own order of colours. The wire carries
nodes in data order, and colours in the chip's order.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from functools import lru_cache

import numpy as np
from numpy.typing import NDArray

from benchtest.prop.design import Design
from benchtest.prop.joints import data_order

MAX_SLOTS = 512
"""Slots of a universe. Source: ANSI E1.31-2018, clause 7.7."""

Frame = NDArray[np.uint8]


@dataclass(frozen=True, slots=True)
class UniverseSlice:
    """A run of nodes in one universe.

    Attributes:
        universe: number of the universe.
        slot: first slot used, counted from 0.
        first: position of its first node on the data line.
        stop: position after its last node.
    """

    universe: int
    slot: int
    first: int
    stop: int


def universe_slices(design: Design) -> list[UniverseSlice]:
    """Divide a prop into universes of whole nodes: 170 RGB or 128 RGBW nodes each.

    The first universe may begin at a later channel and then carries fewer nodes, or none if not
    even one fits.
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
    """Return the numbers of the universes that a prop uses, ascending."""
    return [part.universe for part in universe_slices(design)]


def frame_on_wire(design: Design, frame: Frame) -> Frame:
    """Return a frame with nodes in data order and colours in the chip's order.

    Args:
        design: the prop.
        frame: shape (nodes, colours), prop order.

    Returns:
        Shape (nodes, channels).
    """
    return np.ascontiguousarray(frame[data_order(design)][:, _columns(design)])


class UniverseLayout:
    """Place of a prop's channels, computed once for many frames.

    Attributes:
        slices: runs of nodes, one for each universe.
    """

    def __init__(self, design: Design) -> None:
        channels = design.node.channels
        self.slices = universe_slices(design)
        self._order = (data_order(design)[:, None] * channels + _columns(design)).ravel()
        self._cuts = [slice(part.first * channels, part.stop * channels) for part in self.slices]

    def slots(self, frame: Frame) -> list[memoryview]:
        """Return the slots of each slice's nodes, in the order of the slices.

        Args:
            frame: shape (nodes, colours), prop order.
        """
        wire = memoryview(frame.reshape(-1)[self._order])
        return [wire[cut] for cut in self._cuts]


def frame_from_slots(design: Design, slots: Mapping[int, bytes]) -> Frame:
    """Return the frame that a controller makes of its slots; missing slots are dark.

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
    """Return the column of a frame for each slot of a node."""
    return _columns_for(design.node.colours, design.node.colour_order)


@lru_cache
def _columns_for(colours: tuple[str, ...], order: str) -> NDArray[np.intp]:
    letters = [colour[0].upper() for colour in colours]
    return np.array([letters.index(letter) for letter in order])


_BIT_S = 1.25e-6
"""One bit on the LED wire. [s] Source: WS2812B data sheet, 1250 ns."""
RESET_GAP_S = 300e-6
"""Low time between frames that every node kind treats as the end of a frame. [s] Source: WS2813
data sheet.
"""


def node_s(design: Design) -> float:
    """Return the time of one node's bits on the LED wire. [s]"""
    return 8 * design.node.channels * _BIT_S


def nodes_per_output(design: Design, frames_per_s: float) -> int:
    """Return the number of nodes that one data line can refresh at this rate."""
    return int((1.0 / frames_per_s - RESET_GAP_S) / node_s(design) + 1e-9)


def frames_per_s(design: Design) -> float:
    """Return the frames per second that one data line can send to the whole prop."""
    return 1.0 / (design.node_count * node_s(design) + RESET_GAP_S)
