"""Place of each node's channels on the wire: universes and slots of every output.

A frame is `uint8 [nodes, colours]` in prop order and in our own order of colours. The wire carries
nodes in data order, and colours in the chip's order.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from itertools import pairwise
from typing import Generic, Protocol, TypeVar

import numpy as np
from numpy.typing import NDArray

from benchtest.errors import InputError
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


class Part(Protocol):
    """Contents of one packet: some slots of a prop."""

    @property
    def slot(self) -> int:
        """First slot used, counted from 0."""
        ...

    @property
    def count(self) -> int:
        """Number of slots from there to the last one used."""
        ...

    @property
    def host(self) -> str | None:
        """Address of the controller; None for that of the target."""
        ...


P = TypeVar("P", bound=Part)


class Layout(Generic[P]):
    """Place of a prop's channels in its packets, computed once for many frames.

    Attributes:
        slices: contents of each packet, host after host.
    """

    def __init__(
        self, design: Design, slices: Sequence[P], places: Sequence[NDArray[np.intp]]
    ) -> None:
        """Keep the place of each channel.

        Args:
            design: the prop.
            slices: contents of each packet, host after host.
            places: for each output, the index of each channel in the slots of all slices, shape
                (nodes, channels).
        """
        self.slices = list(slices)
        self._sources = channel_sources(design).ravel()
        starts = np.cumsum([0, *(part.count for part in self.slices)])
        self._cuts = [slice(a, b) for a, b in pairwise(starts.tolist())]
        self._targets = np.concatenate([place.ravel() for place in places])
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


class UniverseLayout(Layout[UniverseSlice]):
    """Place of a prop's channels in universes."""

    def __init__(self, design: Design) -> None:
        slices = universe_slices(design)
        starts = np.cumsum([0, *(part.count for part in slices)])
        base = {
            (part.host, part.universe): int(start) - part.slot
            for part, start in zip(slices, starts, strict=False)
        }
        places = []
        for output, (start, stop) in zip(design.outputs, design.data_lines, strict=True):
            place = output_addresses(output, stop - start, design.node.channels)
            numbers, of = np.unique(place.universe, return_inverse=True)
            first = np.array([base[output.host, int(number)] for number in numbers])
            places.append(first[of.reshape(place.slot.shape)] + place.slot)
        super().__init__(design, slices, places)


MAX_RUN_OCTETS = 1440
"""Octets of a prop in one packet: whole nodes of three or four colours, and with all headers less
than the 1500 octets of an Ethernet frame. Source: DDP Specification."""


@dataclass(frozen=True, slots=True)
class OctetRun:
    """Octets of a prop that one packet carries, in a frame buffer without universes.

    Attributes:
        offset: first octet in the buffer, counted from 0.
        count: number of octets.
        host: address of the controller; None for that of the target.
    """

    offset: int
    count: int
    host: str | None = None

    @property
    def slot(self) -> int:
        """First slot used in the packet: all of them are."""
        return 0


class OctetLayout(Layout[OctetRun]):
    """Place of a prop's channels in a frame buffer without universes.

    The buffer has the used slots of one universe after the other, from universe 1 on, so that the
    prop file of a controller need not change: octet (universe - 1) x slots + channel - 1. An output
    has no gaps, and universes without packing only whole nodes.

    Attributes:
        spans: first octet of each run of octets, and the one after its last.
    """

    def __init__(self, design: Design) -> None:
        """Compute the place of each channel.

        Raises:
            InputError: two outputs use the same octets.
        """
        channels = design.node.channels
        used: list[tuple[str, int, int, int]] = []
        for number, (output, (start, stop)) in enumerate(
            zip(design.outputs, design.data_lines, strict=True), 1
        ):
            each = output.slots if output.packed else output.slots - output.slots % channels
            first = (output.universe - 1) * each + output.channel - 1
            octets = (output.null_nodes - -(stop - start) // output.group) * channels
            used.append((output.host or "", first, first + octets, number))
        faults = [
            f"output[{max(one, other)}]: uses octet {second} of a DDP controller, as output "
            f"{min(one, other)} does; give both the same slots, or move one"
            for (host, _, last, one), (at, second, _, other) in pairwise(sorted(used))
            if host == at and second < last
        ]
        if faults:
            raise InputError("\n".join(faults))
        merged: list[tuple[str, int, int]] = []
        begins: dict[int, int] = {}
        total = 0
        for host, first, stop, number in sorted(used):
            begins[number] = total
            total += stop - first
            if merged and (merged[-1][0], merged[-1][2]) == (host, first):
                # outputs in a row share packets, which are full but for the last
                first = merged.pop()[1]
            merged.append((host, first, stop))
        self.spans = [(first, stop) for _, first, stop in merged]
        slices = [
            OctetRun(at, min(MAX_RUN_OCTETS, stop - at), host or None)
            for host, first, stop in merged
            for at in range(first, stop, MAX_RUN_OCTETS)
        ]
        places = []
        for number, (output, (start, stop)) in enumerate(
            zip(design.outputs, design.data_lines, strict=True), 1
        ):
            node = output.null_nodes + np.arange(stop - start)[:, None] // output.group
            places.append(begins[number] + node * channels + np.arange(channels))
        super().__init__(design, slices, places)


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
