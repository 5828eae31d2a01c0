"""Settings of a controller that disagree with the prop file, and what nodes then receive."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from benchtest.diagnosis.model.wiring_faults import DataRemap
from benchtest.prop.design import Design, Output
from benchtest.prop.notation import CONTROLLER
from benchtest.prop.outputs import (
    MAX_SLOTS,
    MAX_UNIVERSE,
    addresses,
    channel_sources,
    output_addresses,
    whole_node_slots,
)

IntArray = NDArray[np.intp]

MAX_EXCHANGED_OUTPUTS = 8
"""Most pairs of neighbouring outputs that are considered as exchanged."""
MAX_UNIVERSE_EDGES = 64
"""Most universes that a controller is considered to leave out."""


@dataclass(frozen=True)
class MappingFault:
    """One setting of the controller other than the prop file's.

    Attributes:
        where: `controller` and the setting, such as `controller slots=512,packed=true`.
        share: share of the prior odds of all such settings, before they are made to sum to 1.
        remap: data that nodes receive; None if some receive none and all others their own.
        start: first node without data, as a position in the order of data.
        stop: position after the last one.
    """

    where: str
    share: float
    remap: DataRemap | None = None
    start: int = 0
    stop: int = 0


def mapping_faults(design: Design) -> list[MappingFault]:
    """Return the settings of a controller that are likely to differ from the prop file's.

    Shares are common practice, no source: half of the mistakes are the slots used of each universe
    or universes that are not switched on; the rest are a first universe or channel counted from 0
    or left at 1, another number of channels for a node, and two outputs exchanged.
    """
    found = [*_packings(design), *_left_out(design), *_shifted(design)]
    found += [*_other_channels(design), *_exchanged(design)]
    visible = [
        fault
        for fault in found
        if fault.start < fault.stop or (fault.remap is not None and len(fault.remap.nodes))
    ]
    total = sum(fault.share for fault in visible)
    return [replace(fault, share=fault.share / total) for fault in visible]


def _packings(design: Design) -> Iterator[MappingFault]:
    channels = design.node.channels
    usual = whole_node_slots(channels)
    ways = {(usual, False), (MAX_SLOTS, True), (usual, True)}
    lead = design.outputs[0]
    for slots, packed in sorted(ways - {(lead.slots, lead.packed)}):
        outputs = tuple(replace(one, slots=slots, packed=packed) for one in design.outputs)
        if all(one.channel <= slots for one in outputs):
            where = f"slots={slots},packed={str(packed).lower()}"
            yield _as_set(design, where, 0.15, outputs)


def _shifted(design: Design) -> Iterator[MappingFault]:
    lead = design.outputs[0]
    for first in sorted({1, lead.universe - 1, lead.universe + 1} - {lead.universe}):
        step = first - lead.universe
        outputs = tuple(replace(one, universe=one.universe + step) for one in design.outputs)
        if all(1 <= one.universe <= MAX_UNIVERSE for one in outputs):
            yield _as_set(design, f"universe={first}", 0.1, outputs)
    for first in sorted({1, lead.channel - 1, lead.channel + 1} - {lead.channel}):
        step = first - lead.channel
        outputs = tuple(replace(one, channel=one.channel + step) for one in design.outputs)
        if all(1 <= one.channel <= one.slots for one in outputs):
            yield _as_set(design, f"channel={first}", 0.05, outputs)


def begun_elsewhere(design: Design, step: int) -> MappingFault | None:
    """Return a controller whose outputs begin some channels later, or earlier if negative.

    None if there is no such place.
    """
    outputs = []
    for one in design.outputs:
        slots = one.slots if one.packed else one.slots - one.slots % design.node.channels
        at = one.universe * slots + one.channel - 1 + step
        outputs.append(replace(one, universe=at // slots, channel=at % slots + 1))
    if not all(1 <= one.universe <= MAX_UNIVERSE for one in outputs):
        return None
    lead, own = outputs[0], design.outputs[0]
    where = "" if lead.universe == own.universe else f"universe={lead.universe},"
    return _as_set(design, f"{where}channel={lead.channel}", 0.0, tuple(outputs))


def _left_out(design: Design) -> Iterator[MappingFault]:
    """Yield each universe from which on an output of the controller receives nothing."""
    edges = []
    for output, (start, stop) in zip(design.outputs, design.data_lines, strict=True):
        numbers = output_addresses(output, stop - start, design.node.channels).universe
        # a node that spans two universes keeps a part of its light: it counts to the first
        first = numbers[:, 0]
        edges += [
            (int(first[at]), start + int(at), stop) for at in np.flatnonzero(np.diff(first)) + 1
        ]
    for universe, start, stop in edges[:MAX_UNIVERSE_EDGES]:
        yield MappingFault(
            f"{CONTROLLER} without={universe}", 0.25 / len(edges), start=start, stop=stop
        )


def _other_channels(design: Design) -> Iterator[MappingFault]:
    """Yield a controller that counts four channels for a node of three, or three for four."""
    channels = design.node.channels
    other = {3: 4, 4: 3}.get(channels)
    if other is None:
        return
    each = min(channels, other)
    universe = np.zeros((design.node_count, channels), dtype=np.intp)
    slot = np.zeros_like(universe)
    for output, (start, stop) in zip(design.outputs, design.data_lines, strict=True):
        slots = min(MAX_SLOTS, whole_node_slots(other))
        counted = replace(output, slots=slots, channel=min(output.channel, slots))
        place = output_addresses(counted, stop - start, other)
        universe[start:stop, :each] = place.universe[:, :each]
        slot[start:stop, :each] = place.slot[:, :each]
    yield _remapped(design, f"channels={other}", 0.1, universe, slot)


def _exchanged(design: Design) -> Iterator[MappingFault]:
    count = min(len(design.outputs) - 1, MAX_EXCHANGED_OUTPUTS)
    for one in range(count):
        outputs = list(design.outputs)
        mine, other = outputs[one], outputs[one + 1]
        outputs[one], outputs[one + 1] = (
            _placed_as(mine, other),
            _placed_as(other, mine),
        )
        yield _as_set(design, f"outputs={one + 2}-{one + 1}", 0.1 / count, tuple(outputs))


def _placed_as(output: Output, other: Output) -> Output:
    return replace(other, runs=output.runs)


def _as_set(design: Design, where: str, share: float, outputs: tuple[Output, ...]) -> MappingFault:
    controller = replace(design, outputs=outputs)
    place = addresses(controller)
    return _remapped(design, where, share, place.universe, place.slot, controller)


def _remapped(
    design: Design,
    where: str,
    share: float,
    universe: IntArray,
    slot: IntArray,
    controller: Design | None = None,
) -> MappingFault:
    """Return a setting by the place where the controller looks for each channel.

    Args:
        design: the prop, as its file has it.
        where: the setting.
        share: share of the prior odds.
        universe: of each channel, in the order of data, shape (nodes, channels).
        slot: counted from 0, same shape; universe 0 for a channel that is looked for nowhere.
        controller: the design with the controller's outputs; None for those of the file.
    """
    sent_at = addresses(design)
    keys = (sent_at.universe * MAX_SLOTS + sent_at.slot).ravel()
    sources = channel_sources(design).ravel()
    keys, first = np.unique(keys, return_index=True)
    wanted = universe * MAX_SLOTS + slot
    at = np.minimum(np.searchsorted(keys, wanted), len(keys) - 1)
    source = np.where(keys[at] == wanted, sources[first][at], -1)
    received = np.full(design.node_count * design.node.channels, -1, dtype=np.intp)
    received[channel_sources(controller or design)] = source
    by_node = received.reshape(design.node_count, -1)
    own = np.arange(received.size).reshape(by_node.shape)
    nodes = np.flatnonzero((by_node != own).any(axis=1))
    return MappingFault(
        f"{CONTROLLER} {where}", share, DataRemap(nodes, nodes, channels=by_node[nodes])
    )
