"""Outputs of controllers: the address of every node, and settings that disagree with each other."""

from __future__ import annotations

import re
from collections.abc import Collection, Iterator, Sequence
from dataclasses import dataclass, replace
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray

from benchtest.errors import InputError, did_you_mean
from benchtest.input_files import printable
from benchtest.prop.design import Design, NodeRun, Output, Strand, StrandEnd
from benchtest.prop.joints import data_order

MAX_SLOTS = 512
"""Slots of a universe. Source: ANSI E1.31-2018, clause 7.7."""
MAX_UNIVERSE = 63999
"""Highest universe number for data. Source: ANSI E1.31-2018, clause 6.2.7."""
MAX_NULL_NODES = 1000
MAX_GROUP = 1000

IntArray = NDArray[np.intp]


def whole_node_slots(channels: int) -> int:
    """Return the slots of a universe that whole nodes fill.

    >>> whole_node_slots(3), whole_node_slots(4)
    (510, 512)
    """
    return MAX_SLOTS - MAX_SLOTS % channels


@dataclass(frozen=True, eq=False)
class Addresses:
    """Place of each channel of some nodes in universes, in the order of data.

    Attributes:
        universe: number of the universe, shape (nodes, channels).
        slot: slot in it, counted from 0, shape (nodes, channels).
    """

    universe: IntArray
    slot: IntArray


def output_addresses(output: Output, nodes: int, channels: int) -> Addresses:
    """Return the place of each channel of an output's nodes.

    Without packing only whole nodes are in a universe; the first may begin at a later channel and
    then has fewer nodes, or none if not even one fits.

    Args:
        output: the output; an unpacked one has slots for at least one node.
        nodes: number of nodes on it.
        channels: channels of a node.
    """
    place = output.null_nodes + np.arange(nodes)[:, None] // output.group
    channel, begin = np.arange(channels), output.channel - 1
    if output.packed:
        slot = begin + place * channels + channel
        return Addresses(output.universe + slot // output.slots, slot % output.slots)
    in_first = max(0, output.slots - begin) // channels
    each = output.slots // channels
    later = place >= in_first
    place = np.where(later, place - in_first, place)
    universe = output.universe + np.where(later, 1 + place // each, 0)
    slot = np.where(later, place % each * channels, begin + place * channels)
    return Addresses(universe + 0 * channel, slot + channel)


def addresses(design: Design) -> Addresses:
    """Return the place of each channel of every node, in the order of data."""
    found = [
        output_addresses(output, stop - start, design.node.channels)
        for output, (start, stop) in zip(design.outputs, design.data_lines, strict=True)
    ]
    return Addresses(
        np.concatenate([one.universe for one in found]), np.concatenate([one.slot for one in found])
    )


def channel_sources(design: Design) -> IntArray:
    """Return the place in a flat frame of each channel on the wire.

    A frame has nodes in prop order and colours in our own order; the wire has nodes in the order of
    data, and colours in the chip's order.

    Returns:
        Shape (nodes, channels), in the order of data.
    """
    order, channels = data_order(design)[:, None], design.node.channels
    letters = [colour[0].upper() for colour in design.node.colours]
    found = []
    for output, (start, stop) in zip(design.outputs, design.data_lines, strict=True):
        wire = output.colour_order or design.node.colour_order
        found.append(order[start:stop] * channels + [letters.index(letter) for letter in wire])
    return np.concatenate(found)


def last_address(output: Output, nodes: int, channels: int) -> tuple[int, int]:
    """Return the universe and the channel, from 1, of an output's last channel."""
    last = output.null_nodes + (nodes - 1) // output.group
    place = output_addresses(replace(output, null_nodes=last, group=1), 1, channels)
    return int(place.universe[0, -1]), int(place.slot[0, -1]) + 1


_HOST = re.compile(
    r"[A-Za-z0-9][A-Za-z0-9._-]*|[0-9A-Fa-f:.]*:[0-9A-Fa-f:.]*(?:%[\w.-]+)?", re.ASCII
)


def parse_host(text: str) -> str:
    """Return the name or address of a controller.

    Raises:
        InputError: the text cannot be one.
    """
    if not _HOST.fullmatch(text):
        raise InputError(f'is "{printable(text)}"; write a name or address, such as "192.0.2.7"')
    return text


_RUN = re.compile(r"(\d{1,6})(?:\.(\d{1,6})(?:-(\d{1,6}))?|-(\d{1,6}))?", re.ASCII)
_FORM = 'write strands in the order of data ("1-6"), or nodes of one ("7.1-15")'


def parse_runs(text: str, strands: Sequence[Strand]) -> tuple[NodeRun, ...]:
    """Parse the nodes of an output: strands and ranges, and runs of nodes of one strand.

    Args:
        text: such as `1-6 7.1-15`; `6-1` counts down.
        strands: strands of the prop, in number order.

    Raises:
        InputError: the text has another form, or the prop has no such strand or node.
    """
    runs: list[NodeRun] = []
    for word in text.replace(",", " ").split():
        found = _RUN.fullmatch(word)
        if found is None:
            raise InputError(f'"{printable(word)}": {_FORM}')
        strand, first, last, to = (int(part) if part else 0 for part in found.groups())
        numbers = [strand, to] if to else [strand]
        for number in numbers:
            if not 1 <= number <= len(strands):
                raise InputError(f'"{printable(word)}": the prop has strands 1 to {len(strands)}')
        if "." in word:
            last = last or first
            count = strands[strand - 1].nodes
            if not 1 <= first <= last <= count:
                raise InputError(f'"{printable(word)}": strand {strand} has nodes 1 to {count}')
            runs.append(NodeRun(strand, first, last))
            continue
        step = -1 if to and to < strand else 1
        for number in range(strand, (to or strand) + step, step):
            runs.append(NodeRun(number, 1, strands[number - 1].nodes))
    if not runs:
        raise InputError(f"is empty; {_FORM}")
    return tuple(runs)


def format_runs(design: Design, output: Output) -> str:
    """Return the nodes of an output as `parse_runs` reads them."""
    words: list[list[int] | str] = []
    for run in output.runs or _all_runs(design):
        if run.nodes != design.strand(run.strand).nodes:
            words.append(f"{run.strand}.{run.first}-{run.last}")
        elif words and isinstance(words[-1], list) and words[-1][1] + 1 == run.strand:
            words[-1][1] = run.strand
        else:
            words.append([run.strand, run.strand])
    return " ".join(
        word if isinstance(word, str) else "-".join(map(str, dict.fromkeys(word))) for word in words
    )


def _all_runs(design: Design) -> Iterator[NodeRun]:
    for entry in design.data_path:
        yield NodeRun(entry.strand, 1, design.strand(entry.strand).nodes)


def ordered_path(path: Sequence[StrandEnd], outputs: Sequence[Output]) -> tuple[StrandEnd, ...]:
    """Return a data path in the order in which the outputs name its strands."""
    entry = {end.strand: end for end in path}
    named = dict.fromkeys(run.strand for output in outputs for run in output.runs)
    listed = [entry.pop(number) for number in named if number in entry]
    return (*listed, *(end for end in path if end.strand in entry))


def find_output_faults(design: Design) -> Iterator[str]:
    """Yield the faults of the outputs: nodes, slots and universes."""
    yield from _run_faults(design)
    yield from _address_faults(design, range(1, len(design.outputs) + 1))


def find_partial_output_faults(design: Design, faults: Sequence[str]) -> Iterator[str]:
    """Yield the faults between outputs that are sure although some keys could not be read.

    Args:
        design: the prop; the outputs have stand-ins for what could not be read.
        faults: faults found so far, all of them of outputs.
    """
    if len(design.outputs) > 1:
        yield from _repeated_nodes(design)[1]
    numbers = range(1, len(design.outputs) + 1)
    keys = {number: f"{_key(design, number)}." for number in numbers}
    read = [n for n in numbers if not any(fault.startswith(keys[n]) for fault in faults)]
    yield from _address_faults(design, read)


def _address_faults(design: Design, numbers: Collection[int]) -> Iterator[str]:
    """Yield the faults of slots and universes of some outputs, from 1."""
    sound = []
    for number in numbers:
        faults = list(_slot_faults(design, design.outputs[number - 1], _key(design, number)))
        yield from faults
        if not faults:
            sound.append(number)
    high = list(_universe_faults(design, sound))
    yield from high
    if len(sound) > 1 and not high:
        yield from _overlaps(design, sound)


def _key(design: Design, number: int) -> str:
    return "output" if len(design.outputs) == 1 else f"output[{number}]"


def _repeated_nodes(design: Design) -> tuple[dict[tuple[int, int], tuple[int, int]], list[str]]:
    """Return the output of each strand and node, and a fault for nodes that are named twice."""
    owner: dict[tuple[int, int], tuple[int, int]] = {}
    twice: dict[tuple[int, int, int], list[int]] = {}
    for number, output in enumerate(design.outputs, 1):
        for place, run in enumerate(output.runs):
            for node in range(run.first, run.last + 1):
                holder = owner.setdefault((run.strand, node), (number, place))
                if holder != (number, place):
                    twice.setdefault((run.strand, holder[0], number), []).append(node)
    faults = []
    for (strand, one, other), nodes in twice.items():
        what = _nodes(design, strand, nodes)
        where = f"on output {one} already" if one != other else "named twice"
        faults.append(
            f"{_key(design, other)}.strands: {what} is {where}; put each node on one output"
        )
    return owner, faults


def _run_faults(design: Design) -> Iterator[str]:
    if len(design.outputs) == 1 and not design.outputs[0].runs:
        return
    owner, repeated = _repeated_nodes(design)
    yield from repeated
    for own in design.strands:
        missing = [n for n in range(1, own.nodes + 1) if (own.number, n) not in owner]
        if missing:
            yield (
                f"output: {_nodes(design, own.number, missing)} is on no output; add it to the "
                "strands of one"
            )
    if not repeated and len(owner) == design.node_count:
        yield from _order_faults(design)


def _nodes(design: Design, strand: int, nodes: Sequence[int]) -> str:
    if len(nodes) == design.strand(strand).nodes:
        return f"strand {strand}"
    if len(nodes) == 1:
        return f"node {strand}.{nodes[0]}"
    return f"strand {strand}, nodes {min(nodes)} to {max(nodes)},"


def _order_faults(design: Design) -> Iterator[str]:
    """Yield a fault for each output whose nodes are not in the order of data."""
    order, place = data_order(design), 0
    for number, output in enumerate(design.outputs, 1):
        for run in output.runs:
            reached = order[place : place + run.nodes]
            low, high = design.index(run.strand, run.first), design.index(run.strand, run.last)
            if sorted((int(reached[0]), int(reached[-1]))) != [low, high]:
                yield (
                    f"{_key(design, number)}.strands: data does not reach strand {run.strand} in "
                    "this order; write strands and nodes in the order of data, or correct data.path"
                )
                return
            place += run.nodes


def _slot_faults(design: Design, output: Output, key: str) -> Iterator[str]:
    channels = design.node.channels
    if not output.packed and output.slots < channels:
        yield (
            f"{key}.slots: is {output.slots}; a whole node needs {channels}: give at least that, "
            "or packed = true"
        )
    if output.channel > output.slots:
        yield (
            f"{key}.channel: is {output.channel}, but only slots 1 to {output.slots} of a universe "
            "are used; start within them, or raise slots"
        )


def _universe_faults(design: Design, numbers: Collection[int]) -> Iterator[str]:
    spans = zip(design.outputs, design.data_lines, strict=True)
    for number, (output, (start, stop)) in enumerate(spans, 1):
        if number not in numbers or start == stop:
            continue
        universe, _ = last_address(output, stop - start, design.node.channels)
        if universe > MAX_UNIVERSE:
            yield (
                f"{_key(design, number)}.universe: is {output.universe}; the prop would need "
                f"universes above {MAX_UNIVERSE}: start lower"
            )


def _overlaps(design: Design, numbers: Collection[int]) -> Iterator[str]:
    """Yield a fault for each pair of neighbouring outputs that use the same slots.

    Args:
        design: the prop.
        numbers: outputs to compare, from 1.
    """
    used: dict[tuple[str | None, int], list[tuple[int, int, int]]] = {}
    for number, (output, (start, stop)) in enumerate(
        zip(design.outputs, design.data_lines, strict=True), 1
    ):
        if number not in numbers or start == stop:
            continue
        for universe, first, last in used_slots(output, stop - start, design.node.channels):
            used.setdefault((output.host, universe), []).append((first, last, number))
    named: set[tuple[int, int]] = set()
    for (_, universe), spans in used.items():
        for (_, last, one), (first, _, other) in pairwise(sorted(spans)):
            pair = (min(one, other), max(one, other))
            if first <= last and pair not in named:
                named.add(pair)
                yield (
                    f"output[{pair[1]}]: uses channel {first + 1} of universe {universe}, as "
                    f"output {pair[0]} does; move one of the two"
                )


def used_slots(output: Output, nodes: int, channels: int) -> list[tuple[int, int, int]]:
    """Return the slots that an output's nodes use, null nodes included.

    Returns:
        Universe, first slot and last slot, counted from 0, of each universe, ascending.
    """
    addressed = output.null_nodes + -(-nodes // output.group)
    every = output_addresses(replace(output, null_nodes=0, group=1), addressed, channels)
    universe, slot = every.universe.ravel(), every.slot.ravel()
    numbers, starts = np.unique(universe, return_index=True)
    stops = np.append(starts[1:], len(universe)) - 1
    return [
        (int(number), int(slot[start]), int(slot[stop]))
        for number, start, stop in zip(numbers, starts, stops, strict=True)
    ]


def without_hosts(design: Design) -> Design:
    """Return the design with all outputs at the host of the target, as a virtual prop has them.

    Raises:
        InputError: outputs of two hosts use the same slots.
    """
    if all(output.host is None for output in design.outputs):
        return design
    outputs = tuple(replace(output, host=None) for output in design.outputs)
    bare = replace(design, outputs=outputs)
    if faults := list(_overlaps(bare, range(1, len(outputs) + 1))):
        raise InputError(
            "\n".join(f"a virtual prop is one controller; {fault}" for fault in faults)
        )
    return bare


@dataclass(frozen=True, slots=True)
class OutputSetting:
    """Place of a prop tonight, as `--output` gives it; None for what the prop file has."""

    universe: int | None = None
    channel: int | None = None
    slots: int | None = None
    packed: bool | None = None

    def __str__(self) -> str:
        parts = [
            f"{key}={str(value).lower()}"
            for key in ("universe", "channel", "slots", "packed")
            if (value := getattr(self, key)) is not None
        ]
        return ",".join(parts)

    def over(self, other: OutputSetting) -> OutputSetting:
        """Return this place, and that of another where this one has none."""
        keys = ("universe", "channel", "slots", "packed")
        mine = {key: value for key in keys if (value := getattr(self, key)) is not None}
        return replace(other, **mine)

    def moved(self, design: Design) -> Design:
        """Return the design at this place.

        Several outputs keep their distances: all move by the universes, and those in the first
        one's universe by the channels, that the first moves.

        Raises:
            InputError: the prop does not fit there; contains every fault.
        """
        lead = design.outputs[0]
        universe = lead.universe if self.universe is None else self.universe
        channel = lead.channel if self.channel is None else self.channel
        outputs = tuple(
            replace(
                one,
                universe=one.universe + universe - lead.universe,
                channel=one.channel
                + (channel - lead.channel if one.universe == lead.universe else 0),
                slots=one.slots if self.slots is None else self.slots,
                packed=one.packed if self.packed is None else self.packed,
            )
            for one in design.outputs
        )
        moved = replace(design, outputs=outputs)
        faults = [
            f"output {number}: universe {one.universe}, channel {one.channel} does not exist"
            for number, one in enumerate(outputs, 1)
            if not (1 <= one.universe <= MAX_UNIVERSE and 1 <= one.channel <= MAX_SLOTS)
        ]
        if faults := faults or list(find_output_faults(moved)):
            raise InputError("\n".join(f"--output {self}: {fault}" for fault in faults))
        return moved


_BOUNDS = {"universe": MAX_UNIVERSE, "channel": MAX_SLOTS, "slots": MAX_SLOTS}
_SETTING_FORM = "write --output universe=12,channel=340 (also slots=510, packed=true)"


def parse_output_setting(text: str) -> OutputSetting:
    """Parse the place of a prop, such as `universe=12,channel=340`.

    Raises:
        InputError: another form; contains every fault.

    >>> parse_output_setting("universe=12, channel=340")
    OutputSetting(universe=12, channel=340, slots=None, packed=None)
    """
    found: dict[str, int | bool] = {}
    faults = []
    for part in text.split(","):
        key, equals, value = (word.strip().lower() for word in part.partition("="))
        highest = _BOUNDS.get(key)
        if not equals or (highest is None and key != "packed"):
            near = did_you_mean(key, (*_BOUNDS, "packed")) if equals else ""
            faults.append(f'"{printable(part.strip())}" is not a setting{near}; {_SETTING_FORM}')
        elif key in found:
            faults.append(f"{key} is given twice")
        elif highest is None:
            if value not in ("true", "false"):
                faults.append(f'packed is "{printable(value)}"; write true or false')
            found[key] = value == "true"
        elif not re.fullmatch(r"[0-9]{1,6}", value) or not 1 <= int(value) <= highest:
            faults.append(f'{key} is "{printable(value)}"; give a whole number 1 to {highest}')
            found[key] = 1
        else:
            found[key] = int(value)
    if faults:
        raise InputError("\n".join(f"--output: {fault}" for fault in faults))
    return OutputSetting(**found)  # type: ignore[arg-type]
