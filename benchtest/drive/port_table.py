"""Table of a controller's ports: the outputs of a prop as CSV, and the address of each strand.

Each row of the CSV is one output: the strand and node that data reaches first on it, and its place
in E1.31 universes. Its nodes go on, in the order of data, to the first node of the next output.
"""

from __future__ import annotations

import csv
import io
import itertools
import re
from collections.abc import Callable
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np

from benchtest.errors import FileFaults, InputError
from benchtest.evidence.csv_table import MAX_CSV_BYTES, parse_csv
from benchtest.input_files import printable, read_text, truncate_faults
from benchtest.prop.design import Design, NodeRun, Output
from benchtest.prop.joints import data_order, strand_starts
from benchtest.prop.node_kinds import parse_colour_order
from benchtest.prop.outputs import (
    MAX_GROUP,
    MAX_NULL_NODES,
    MAX_SLOTS,
    MAX_UNIVERSE,
    addresses,
    find_output_faults,
    find_partial_output_faults,
    parse_host,
    whole_node_slots,
)

_NEEDED = ("strand", "first_node", "universe", "channel")
_OPTIONAL = ("nodes", "slots", "packed", "colour_order", "null_nodes", "group", "host")


@dataclass(frozen=True, slots=True)
class StrandAddress:
    """First and last channel of a strand, or of the part of it that is on one output."""

    output: int
    """Number of the output, from 1."""
    strand: int
    first_node: int
    """Node that data reaches first."""
    last_node: int
    universe: int
    channel: int
    """Channel of the first node, from 1."""
    last_universe: int
    last_channel: int
    host: str | None

    @property
    def nodes(self) -> int:
        return abs(self.last_node - self.first_node) + 1


def strand_addresses(design: Design) -> list[StrandAddress]:
    """Return the address of every strand, in the order of data."""
    place, order = addresses(design), data_order(design)
    lines = design.data_lines
    cuts = sorted({*strand_starts(design), *(start for start, _ in lines), design.node_count})
    found = []
    for start, stop in itertools.pairwise(cuts):
        number = next(n for n, (_, end) in enumerate(lines) if start < end)
        first, last = (design.node_at(int(order[at])) for at in (start, stop - 1))
        found.append(
            StrandAddress(
                number + 1,
                first.strand,
                first.node,
                last.node,
                int(place.universe[start, 0]),
                int(place.slot[start, 0]) + 1,
                int(place.universe[stop - 1, -1]),
                int(place.slot[stop - 1, -1]) + 1,
                design.outputs[number].host,
            )
        )
    return found


def write_ports(design: Design) -> str:
    """Return the outputs of a prop as CSV; `read_ports` reads them back."""
    out = io.StringIO(newline="")
    writer = csv.writer(out, lineterminator="\n")
    writer.writerow((*_NEEDED, *_OPTIONAL))
    order = data_order(design)
    for output, (start, stop) in zip(design.outputs, design.data_lines, strict=True):
        first = design.node_at(int(order[start]))
        writer.writerow(
            (
                first.strand,
                first.node,
                output.universe,
                output.channel,
                stop - start,
                output.slots,
                "true" if output.packed else "false",
                output.colour_order or design.node.colour_order,
                output.null_nodes,
                output.group,
                output.host or "",
            )
        )
    return out.getvalue()


def read_ports(path: Path, design: Design) -> Design:
    """Return a design with the outputs of a CSV file.

    Raises:
        FileFaults: every fault of the file, each with its line and what would be right.
        InputError: the file cannot be read.
    """
    return parse_ports(read_text(path, "port table", MAX_CSV_BYTES), str(path), design)


@dataclass(frozen=True, slots=True)
class _Row:
    """One output, and the position of its first node in the order of data."""

    start: int
    nodes: int | None
    output: Output
    hint: str = ""
    """Likely mistake of the row; empty without one."""


def parse_ports(text: str, file: str, design: Design) -> Design:
    """Return a design with the outputs of a CSV text; see `read_ports`."""
    position = np.empty(design.node_count, dtype=np.intp)
    position[data_order(design)] = np.arange(design.node_count)
    parsed = parse_csv(
        text, file, _NEEDED, _OPTIONAL, lambda cells: _row(cells, design, position.tolist())
    )
    faults = list(parsed.faults)
    if not parsed.rows and not faults:
        faults.append("has no row; write one for each output")
    placed = sorted(zip(parsed.rows, parsed.lines, strict=True), key=lambda item: item[0].start)
    if placed and not parsed.faults:
        faults += _gap_faults(design, placed)
    elif placed:
        faults += _partial_faults(design, placed)
    if faults:
        raise FileFaults(file, truncate_faults(faults))
    stops = [*(row.start for row, _ in placed[1:]), design.node_count]
    rows = [row for row, _ in placed]
    outputs = tuple(
        replace(row.output, runs=_runs(design, row.start, stop) if len(rows) > 1 else ())
        for row, stop in zip(rows, stops, strict=True)
    )
    found = replace(design, outputs=outputs)
    if wrong := [_with_line(fault, placed) for fault in find_output_faults(found)]:
        raise FileFaults(file, truncate_faults(wrong))
    return found


def _partial_faults(design: Design, placed: list[tuple[_Row, int]]) -> list[str]:
    """Return the faults between rows that are sure although other rows could not be read.

    Only a row with its number of nodes has a known end then.
    """
    known = [(row, line) for row, line in placed if row.nodes is not None]
    if not known:
        return []
    outputs = tuple(
        replace(row.output, runs=_runs(design, row.start, row.start + (row.nodes or 0)))
        for row, _ in known
    )
    found = replace(design, outputs=outputs)
    return [_with_line(fault, known) for fault in find_partial_output_faults(found, ())]


_OTHER_OUTPUT = re.compile(r"(?<=[a-z] )output (\d+)")


def _with_line(fault: str, placed: list[tuple[_Row, int]]) -> str:
    """Return a fault of an output with the line that it is in."""
    lines = {str(number): line for number, (_, line) in enumerate(placed, 1)}
    fault = _OTHER_OUTPUT.sub(lambda found: f"line {lines.get(found[1], '?')}", fault)
    for number, (row, line) in enumerate(placed, 1):
        for key in (f"output[{number}]", "output." if len(placed) == 1 else ""):
            if key and fault.startswith(key):
                return f"line {line}: {fault.removeprefix(key).lstrip('.: ')}{row.hint}"
    return fault


def _gap_faults(design: Design, placed: list[tuple[_Row, int]]) -> list[str]:
    faults = []
    order = data_order(design)
    first, line = placed[0]
    if first.start:
        faults.append(
            f"line {line}: data reaches {design.node_at(int(order[0]))} first, and no row begins "
            "there; add the row of its output"
        )
    stops = [*(row.start for row, _ in placed[1:]), design.node_count]
    for (row, line), stop in zip(placed, stops, strict=True):
        if stop == row.start:
            node = design.node_at(int(order[stop]))
            faults.append(f"line {line}: another row begins at {node} too; remove one")
        elif row.nodes is not None and row.nodes != stop - row.start:
            faults.append(
                f"line {line}: nodes is {row.nodes}, but {stop - row.start} nodes are up to the "
                "next output; correct it, or add the row that is missing"
            )
    return faults


def _runs(design: Design, start: int, stop: int) -> tuple[NodeRun, ...]:
    found = []
    for part in strand_addresses(replace(design, outputs=(Output(),))):
        before = strand_starts(design)[[e.strand for e in design.data_path].index(part.strand)]
        low, high = max(start, before), min(stop, before + part.nodes)
        if low < high:
            step = 1 if part.last_node >= part.first_node else -1
            ends = (
                part.first_node + step * (low - before),
                part.first_node + step * (high - 1 - before),
            )
            found.append(NodeRun(part.strand, min(ends), max(ends)))
    return tuple(found)


def _row(cells: dict[str, str], design: Design, position: list[int]) -> _Row:
    """Return one row.

    Raises:
        InputError: cells are missing or invalid; contains every fault.
    """
    faults: list[str] = []

    def whole(key: str, lowest: int, highest: int, default: int | None = None) -> int:
        text = cells.get(key, "")
        if not text and default is not None:
            return default
        if text.isascii() and text.isdigit() and len(text) < 7 and lowest <= int(text) <= highest:
            return int(text)
        what = f'is "{printable(text)}"' if text else "is empty"
        faults.append(f"{key} {what}; give a whole number {lowest} to {highest}")
        return lowest

    strand = whole("strand", 1, len(design.strands))
    nodes = design.strand(strand).nodes
    entry = next(end for end in design.data_path if end.strand == strand)
    first = whole("first_node", 1, nodes, 1 if entry.end == "A" else nodes)
    usual = whole_node_slots(design.node.channels)
    output = Output(
        whole("universe", 1, MAX_UNIVERSE),
        whole("channel", 1, MAX_SLOTS),
        (),
        whole("slots", 1, MAX_SLOTS, usual),
        _flag(cells.get("packed", ""), faults),
        _colour_order(cells.get("colour_order", ""), design, faults),
        whole("null_nodes", 0, MAX_NULL_NODES, 0),
        whole("group", 1, MAX_GROUP, 1),
        _parsed(cells.get("host", ""), parse_host, "host", faults),
    )
    many = whole("nodes", 1, design.node_count, 0) or None
    if faults:
        raise InputError("; ".join(faults))
    begins = 1 if entry.end == "A" else nodes
    hint = ""
    if nodes > 1 and first == nodes + 1 - begins:  # the far end: a row for its last node alone
        hint = f"; data enters strand {strand} at {entry.end}, so its first node is {begins}"
    return _Row(position[design.index(strand, first)], many, output, hint)


def _flag(text: str, faults: list[str]) -> bool:
    if text.lower() not in ("", "true", "false", "yes", "no", "1", "0"):
        faults.append(f'packed is "{printable(text)}"; write true or false')
    return text.lower() in ("true", "yes", "1")


def _colour_order(text: str, design: Design, faults: list[str]) -> str | None:
    found = _parsed(
        text, lambda word: parse_colour_order(word, design.node), "colour_order", faults
    )
    return None if found == design.node.colour_order else found


def _parsed(text: str, parse: Callable[[str], str], key: str, faults: list[str]) -> str | None:
    if not text:
        return None
    try:
        return parse(text)
    except InputError as error:
        faults.append(f"{key} {error}")
        return None
