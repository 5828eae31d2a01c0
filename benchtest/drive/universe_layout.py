"""Place of each node's channels on the wire: universes and slots of every output.

A frame is `uint8 [nodes, colours]` in prop order and in our own order of colours. The wire carries
nodes in data order, and colours in the chip's order.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray

from benchtest.prop.design import Design
from benchtest.prop.outputs import (
    MAX_SLOTS,
    addresses,
    channel_sources,
    output_addresses,
    used_slots,
)

Frame = NDArray[np.uint8]


@dataclass(frozen=True, slots=True)
class UniverseSlice:
    """The slots that a prop uses of one universe.

    Attributes:
        universe: number of the universe.
        slot: first slot used, counted from 0.
        count: number of slots from there to the last one used.
        host: address of the controller; None for that of the target.
    """

    universe: int
    slot: int
    count: int
    host: str | None = None


def universe_slices(design: Design) -> list[UniverseSlice]:
    """Return the slots that a prop uses, universe after universe of each host.

    Slots between two outputs in one universe belong to its slice, and so do those of null nodes.
    """
    spans: dict[tuple[str | None, int], list[int]] = {}
    for output, (start, stop) in zip(design.outputs, design.data_lines, strict=True):
        for universe, first, last in used_slots(output, stop - start, design.node.channels):
            span = spans.setdefault((output.host, universe), [first, last])
            span[:] = min(span[0], first), max(span[1], last)
    return [
        UniverseSlice(universe, first, last - first + 1, host)
        for (host, universe), (first, last) in sorted(
            spans.items(), key=lambda item: (item[0][0] or "", item[0][1])
        )
    ]


def universe_numbers(design: Design) -> list[int]:
    """Return the numbers of the universes that a prop uses, ascending."""
    return sorted({part.universe for part in universe_slices(design)})


def frame_on_wire(design: Design, frame: Frame) -> Frame:
    """Return a frame with nodes in data order and colours in the chip's order.

    Args:
        design: the prop.
        frame: shape (nodes, colours), prop order.

    Returns:
        Shape (nodes, channels).
    """
    return np.ascontiguousarray(frame.reshape(-1)[channel_sources(design)])


class UniverseLayout:
    """Place of a prop's channels, computed once for many frames.

    Attributes:
        slices: slots of each universe of each host.
    """

    def __init__(self, design: Design) -> None:
        self.slices = universe_slices(design)
        self._sources = channel_sources(design).ravel()
        starts = np.cumsum([0, *(part.count for part in self.slices)])
        self._cuts = [slice(a, b) for a, b in pairwise(starts.tolist())]
        base = {
            (part.host, part.universe): int(start) - part.slot
            for part, start in zip(self.slices, starts, strict=False)
        }
        targets = []
        for output, (start, stop) in zip(design.outputs, design.data_lines, strict=True):
            place = output_addresses(output, stop - start, design.node.channels)
            numbers, of = np.unique(place.universe, return_inverse=True)
            first = np.array([base[output.host, int(number)] for number in numbers])
            targets.append((first[of.reshape(place.slot.shape)] + place.slot).ravel())
        self._targets = np.concatenate(targets)
        self._is_shared = any(output.group > 1 for output in design.outputs)
        self._count = int(starts[-1])
        # the usual case: no slot is unused, and each has one node's channel
        self._in_order = np.array_equal(self._targets, np.arange(self._count))

    def slots(self, frame: Frame) -> list[memoryview]:
        """Return the slots of each slice, in the order of the slices; unused ones are 0.

        Nodes that share an address get the highest level of each channel, so that a node that is
        to light is never dark.

        Args:
            frame: shape (nodes, colours), prop order.
        """
        levels: Frame = frame.reshape(-1)[self._sources]
        if not self._in_order:
            octets = np.zeros(self._count, dtype=np.uint8)
            if self._is_shared:
                np.maximum.at(octets, self._targets, levels)
            else:
                octets[self._targets] = levels
            levels = octets
        wire = levels.data
        return [wire[cut] for cut in self._cuts]


def frame_from_slots(design: Design, slots: Mapping[int, bytes]) -> Frame:
    """Return the frame that a controller makes of its slots; missing slots are dark.

    Args:
        design: the prop, with the outputs as its controller has them.
        slots: octets of each universe, from slot 1 on.

    Returns:
        Shape (nodes, colours), prop order.
    """
    place = addresses(design)
    numbers, of = np.unique(place.universe, return_inverse=True)
    received = np.zeros((len(numbers), MAX_SLOTS), dtype=np.uint8)
    for row, number in zip(received, numbers.tolist(), strict=True):
        octets = slots.get(number, b"")[:MAX_SLOTS]
        row[: len(octets)] = np.frombuffer(octets, dtype=np.uint8)
    frame = np.zeros((design.node_count, design.node.channels), dtype=np.uint8)
    frame.reshape(-1)[channel_sources(design)] = received[of.reshape(place.slot.shape), place.slot]
    return frame


RESET_GAP_S = 300e-6
"""Low time between frames that every node kind treats as the end of a frame. [s] Source: WS2813
data sheet.
"""


def node_s(design: Design) -> float:
    """Return the time of one node's bits on the LED wire. [s]"""
    return 8 * design.node.channels * design.node.bit_s


def nodes_per_output(design: Design, frames_per_s: float) -> int:
    """Return the number of nodes that one data line can refresh at this rate."""
    return int((1.0 / frames_per_s - RESET_GAP_S) / node_s(design) + 1e-9)


def frames_per_s(design: Design) -> float:
    """Return the frames per second that the longest data line can send."""
    longest = max(
        output.null_nodes + stop - start
        for output, (start, stop) in zip(design.outputs, design.data_lines, strict=True)
    )
    return 1.0 / (longest * node_s(design) + RESET_GAP_S)
