"""Reader of prop files: a design, or every fault of the file at once."""

from __future__ import annotations

import re
from itertools import pairwise
from pathlib import Path
from typing import Any

from benchtest.errors import FileFaults, InputError
from benchtest.input_files import MAX_TOML_BYTES, parse_toml, read_text, truncate_faults
from benchtest.prop.conductors import (
    MAX_OZ,
    MAX_WIDTH_MM,
    MIN_OZ,
    MIN_WIDTH_MM,
    Conductor,
    board_copper,
    parse_wire,
)
from benchtest.prop.design import (
    HEALTHY_JOINT_OHM,
    RAILS,
    Bus,
    BusPad,
    Design,
    Feed,
    Link,
    NodeRun,
    Output,
    Rail,
    Strand,
    StrandEnd,
)
from benchtest.prop.enough import USUAL_RULE, EnoughRule, parse_enough
from benchtest.prop.node_kinds import NodeKind, catalogue, parse_colour_order, read_node
from benchtest.prop.notation import parse_end
from benchtest.prop.outputs import (
    MAX_GROUP,
    MAX_NULL_NODES,
    MAX_SLOTS,
    MAX_UNIVERSE,
    find_partial_output_faults,
    ordered_path,
    parse_host,
    parse_runs,
    whole_node_slots,
)
from benchtest.prop.validation import find_design_faults
from benchtest.toml_table import TomlTable, describe_value

MAX_STRANDS, MAX_NODES = 1000, 100_000
"""Size of the largest prop that is accepted."""
_MAX_NODES_GIB = 0.3
"""Peak memory of a prediction of 1000 strands of 100 nodes, measured; of 300 of 333 it is 0.2."""
MAX_MM = 1_000_000.0
"""Longest length that is accepted, 1 km; a longer one is a typing error. [mm]"""
MIN_MM = 0.001
"""Shortest length other than 0: a resistance of almost nothing has no solution. [mm]"""
MIN_JOINT_MOHM, MAX_JOINT_MOHM = 0.1, 25.0
"""Resistance of a healthy joint that is accepted. [mΩ] Makers' tables print 20 for the pins of
small housings."""
_MAX_NAME_LENGTH = 40

_KEYS = ("format", "name", "node", "strand", "data", "bus", "link", "feed", "output", "enough")
_STRAND_KEYS = ("count", "nodes", "pitch_mm", "lead_mm", "wire")
_BUS_KEYS = ("name", "joins", "copper", "wire", "spacing_mm", "ring", "joint_mohm")
_LINK_KEYS = ("from", "to", "length_mm", "wire", "follow", "rails", "joint_mohm")
_FEED_KEYS = (
    "name", "at", "volts", "wire", "length_mm", "fuse_a", "fuse_mohm", "supply_a", "joint_mohm",
    "source_mohm",
)  # fmt: skip

_NAME = re.compile(r"^[A-Za-z][A-Za-z0-9_]*(?:-[A-Za-z0-9_]+)*$", re.ASCII)


def read_design(path: Path) -> Design:
    """Read a prop file.

    Raises:
        FileFaults: every fault of the file, each with its key and what would be right.
        InputError: the file cannot be read.
    """
    return parse_design(read_text(path, "prop", MAX_TOML_BYTES), str(path))


def parse_design(text: str, file: str) -> Design:
    """Read the text of a prop file.

    Args:
        text: content of the file.
        file: its name, for the faults.

    Raises:
        FileFaults: every fault of the file, each with its key and what would be right.
    """
    faults: list[str] = []
    design = _design(TomlTable(parse_toml(text, file), "", faults))
    if design is not None:
        partial = find_partial_output_faults(design, faults) if _is_of_outputs(faults) else ()
        faults.extend([*find_design_faults(design, sound=not faults), *partial])
    if faults or design is None:
        raise FileFaults(file, truncate_faults(faults))
    return design


def _is_of_outputs(faults: list[str]) -> bool:
    """Return True if there are faults and all are of outputs, so that the rest is as written."""
    return bool(faults) and all(fault.startswith("output") for fault in faults)


def _design(root: TomlTable) -> Design | None:
    root.reject_other_keys(_KEYS)
    if root.get("format", "write format = 1") not in (None, 1):
        root.fault("format", "this version reads format = 1")
    name = root.text("name", needed='write a name, such as "Willow fan"')
    node = read_node(root)
    strands = _strands(root)
    outputs = _outputs(root, strands, node)
    path = _path_by_outputs(root, _data_path(root, strands), outputs)
    buses = _buses(root, strands)
    links = _links(root, strands, path)
    feeds = _feeds(root, node.volts if node else None)
    if not strands:
        return None
    # stand in for a name or kind that could not be read, so that the whole can be validated
    name, node = name or "unnamed", node or next(iter(catalogue().values()))
    return Design(
        name,
        node,
        tuple(strands),
        tuple(path),
        tuple(buses),
        tuple(links),
        tuple(feeds),
        outputs,
        _enough(root),
    )


def _enough(root: TomlTable) -> EnoughRule:
    """Read the evidence from which a sign-off is offered."""
    text = (
        root.text("enough", needed="write such as 99% or 100mOhm") if root.has("enough") else None
    )
    if text is None:
        return USUAL_RULE
    try:
        return parse_enough(text)
    except InputError as error:
        root.fault("enough", str(error).removeprefix("enough").lstrip(": "))
        return USUAL_RULE


def _strands(root: TomlTable) -> list[Strand]:
    tables = root.tables("strand", maximum=MAX_STRANDS)
    if not tables:
        root.fault("strand", "is missing; write a table [[strand]] with nodes, pitch_mm and wire")
    strands: list[Strand] = []
    for table in tables:
        strands += _alike_strands(table, len(strands) + 1)
        if len(strands) > MAX_STRANDS:
            root.fault("strand", f"{len(strands)} strands; give at most {MAX_STRANDS}")
            break
    nodes = sum(strand.nodes for strand in strands)
    if nodes > MAX_NODES:
        root.fault(
            "strand",
            f"{nodes} nodes in total; give at most {MAX_NODES}, for which a prediction takes "
            f"{_MAX_NODES_GIB} GiB of memory, or split the prop",
        )
    return strands[:MAX_STRANDS]


def _alike_strands(table: TomlTable, first: int) -> list[Strand]:
    table.reject_other_keys(_STRAND_KEYS)
    count = table.whole("count", minimum=1, maximum=MAX_STRANDS, default=1)
    nodes = table.whole("nodes", minimum=1, maximum=MAX_NODES)
    pitch_mm = table.number("pitch_mm", minimum=MIN_MM, maximum=MAX_MM)
    leads_mm = _leads(table)
    wire = table.parsed("wire", parse_wire, needed='write it as "22 AWG" or "0.5 mm2"')
    if count is None or nodes is None or pitch_mm is None or leads_mm is None or wire is None:
        # stand in for invalid figures, so that names in other tables still find a strand
        count, nodes, pitch_mm, leads_mm = count or 1, nodes or 1, pitch_mm or 1.0, (0.0, 0.0)
        wire = parse_wire("22 AWG")
    return [
        Strand(number, nodes, pitch_mm, leads_mm, wire) for number in range(first, first + count)
    ]


def _leads(table: TomlTable) -> tuple[float, float] | None:
    value = table.get("lead_mm")
    if value is None:
        return 0.0, 0.0
    good = isinstance(value, list) and len(value) == 2
    if good and all(
        isinstance(v, int | float)
        and not isinstance(v, bool)
        and (v == 0.0 or MIN_MM <= v <= MAX_MM)
        for v in value
    ):
        return float(value[0]), float(value[1])
    table.fault(
        "lead_mm",
        f"write two lengths, each 0 or from {MIN_MM:g}, at end A and at end B: [60.0, 60.0]",
    )
    return None


def _length(table: TomlTable, default: float | None = None) -> float | None:
    """Return the length of a cable or link; 0 for none. [mm]"""
    value = table.number("length_mm", minimum=0.0, maximum=MAX_MM, default=default)
    if value is not None and 0.0 < value < MIN_MM:
        bounds = f"give 0, or {MIN_MM:g} to {MAX_MM:g}"
        table.fault("length_mm", f"is {value:g}; {bounds}")
        return None
    return value


def _data_path(root: TomlTable, strands: list[Strand]) -> list[StrandEnd]:
    numbers = [strand.number for strand in strands]
    zigzag: list[StrandEnd] = [StrandEnd(n, "A" if n % 2 else "B") for n in numbers]
    table = root.table("data")
    if table is None:
        return zigzag
    table.reject_other_keys(("path",))
    value = table.get("path", 'write "zigzag", "from-A" or a list such as ["1A", "2B"]')
    if value == "from-A":
        return [StrandEnd(n, "A") for n in numbers]
    if value == "zigzag" or value is None:
        return zigzag
    if not isinstance(value, list):
        table.fault(
            "path", f'is {describe_value(value)}; write "zigzag", "from-A" or a list ["1A", "2B"]'
        )
        return zigzag
    if len(value) > 2 * MAX_STRANDS:
        table.fault("path", f"names {len(value)} ends; name every strand once")
        return zigzag
    return _listed_path(table, value, numbers) or zigzag


def _listed_path(table: TomlTable, value: list[Any], numbers: list[int]) -> list[StrandEnd]:
    path = [end for word in value if (end := _end(table, "path", word, len(numbers)))]
    seen: set[int] = set()
    for end in path:
        if end.strand in seen:
            table.fault("path", f"names strand {end.strand} twice; data enters a strand once")
        seen.add(end.strand)
    if missing := [number for number in numbers if number not in seen]:
        listed = ", ".join(map(str, missing[:8]))
        table.fault("path", f"leaves out strand {listed}; name every strand once")
    return [] if missing or len(path) != len(value) or len(seen) != len(path) else path


def _end(table: TomlTable, key: str, word: Any, strands: int) -> StrandEnd | None:
    try:
        end = parse_end(word if isinstance(word, str) else str(word))
    except InputError as error:
        table.fault(key, str(error))
        return None
    if end.strand > strands:
        table.fault(key, f'"{end}": the prop has strands 1 to {strands}')
        return None
    return end


def _buses(root: TomlTable, strands: list[Strand]) -> list[Bus]:
    buses: list[Bus] = []
    ends = 0
    for table in root.tables("bus", maximum=MAX_STRANDS):
        if (bus := _bus(table, strands)) is not None:
            buses.append(bus)
            ends += len(bus.ends)
        if ends > 2 * MAX_STRANDS:
            root.fault("bus", f"join {ends} ends in total; a prop has at most {2 * MAX_STRANDS}")
            break
    return buses


def _bus(table: TomlTable, strands: list[Strand]) -> Bus | None:
    table.reject_other_keys(_BUS_KEYS)
    name = _place_name(table, "bus")
    ends = _joined_ends(table, strands)
    copper = _copper(table)
    spacing_mm = table.number("spacing_mm", minimum=MIN_MM, maximum=MAX_MM)
    ring = table.flag("ring", default=False)
    joint_ohm = _joint_ohm(table)
    if name is None or ends is None or copper is None or spacing_mm is None:
        return None
    return Bus(name, tuple(ends), copper, spacing_mm, ring, joint_ohm)


def _place_name(table: TomlTable, thing: str) -> str | None:
    needed = f"give the {thing} a name"
    return table.parsed("name", parse_place_name, needed=needed, longest=_MAX_NAME_LENGTH)


def parse_place_name(text: str) -> str:
    """Read the name of a bus or a feed: a letter, then letters, digits, `_` or inner `-`.

    Raises:
        InputError: another form, or too long.
    """
    name = text.strip()
    if not _NAME.match(name) or len(name) > _MAX_NAME_LENGTH:
        raise InputError(
            f'is "{name[:_MAX_NAME_LENGTH]}"; write a letter, then letters, digits, _ or inner -'
        )
    return name


def _joined_ends(table: TomlTable, strands: list[Strand]) -> list[StrandEnd] | None:
    value = table.get("joins", 'write "A", "B" or a list such as ["1A", "2A"]')
    if value == "A":
        return [StrandEnd(strand.number, "A") for strand in strands]
    if value == "B":
        return [StrandEnd(strand.number, "B") for strand in strands]
    if value is None:
        return None
    if not isinstance(value, list) or not value:
        table.fault(
            "joins", f'is {describe_value(value)}; write "A", "B" or a list such as ["1A", "2A"]'
        )
        return None
    if len(value) > 2 * MAX_STRANDS:
        table.fault("joins", f"names {len(value)} ends; a prop has at most {2 * MAX_STRANDS}")
        return None
    ends = [_end(table, "joins", word, len(strands)) for word in value]
    good = [end for end in ends if end is not None]
    return good if len(good) == len(ends) else None


def _copper(table: TomlTable) -> Conductor | None:
    if table.has("copper") and table.has("wire"):
        table.fault("copper", "is given and so is wire; give one of them")
    if table.has("wire"):
        return table.parsed("wire", parse_wire)
    copper = table.table("copper")
    if copper is None:
        table.fault(
            "copper", 'is missing; write { weight_oz = 2.0, width_mm = 8.0 }, or wire = "18 AWG"'
        )
        return None
    copper.reject_other_keys(("weight_oz", "width_mm"))
    weight_oz = copper.number("weight_oz", minimum=MIN_OZ, maximum=MAX_OZ)
    width_mm = copper.number("width_mm", minimum=MIN_WIDTH_MM, maximum=MAX_WIDTH_MM)
    if weight_oz is None or width_mm is None:
        return None
    return board_copper(weight_oz, width_mm)


def _links(root: TomlTable, strands: list[Strand], path: list[StrandEnd]) -> list[Link]:
    found: list[Link] = []
    for table in root.tables("link", maximum=2 * MAX_STRANDS):
        table.reject_other_keys(_LINK_KEYS)
        length_mm = _length(table, default=0.0)
        wire = table.parsed("wire", parse_wire) if table.has("wire") else None
        rails, joint_ohm = _rails(table), _joint_ohm(table)
        for first, second in _link_ends(table, strands, path):
            own = wire or strands[first.strand - 1].wire
            found.append(Link(first, second, length_mm or 0.0, own, rails, joint_ohm))
        if len(found) > 2 * MAX_STRANDS:
            root.fault("link", f"{len(found)} links; give at most {2 * MAX_STRANDS}")
            break
    return found


def _rails(table: TomlTable) -> tuple[Rail, ...]:
    """Return the rails that a link joins: `"-"` alone between supplies of their own."""
    value = table.get("rails") if table.has("rails") else "+-"
    if value in ("+-", "-+"):
        return RAILS
    if value == "-":
        return ("-",)
    table.fault(
        "rails", f'is {describe_value(value)}; write "+-", or "-" where only the return is joined'
    )
    return RAILS


def _joint_ohm(table: TomlTable) -> float:
    """Return the resistance of each healthy joint of a table: solder, or a pin of a plug. [Ω]"""
    usual = HEALTHY_JOINT_OHM * 1e3
    mohm = table.number("joint_mohm", minimum=MIN_JOINT_MOHM, maximum=MAX_JOINT_MOHM, default=usual)
    return (mohm or usual) * 1e-3


def _link_ends(
    table: TomlTable, strands: list[Strand], path: list[StrandEnd]
) -> list[tuple[StrandEnd, StrandEnd]]:
    if table.has("follow"):
        if table.get("follow") != "data":
            table.fault("follow", 'write "data": a link for every hop of the data path')
        if table.has("from") or table.has("to"):
            table.fault("follow", "links every hop already; leave out from and to")
        return [(entry.other, following) for entry, following in pairwise(path)]
    ends = []
    for key in ("from", "to"):
        word = table.get(key, 'write a strand end such as "1B"')
        end = None if word is None else _end(table, key, word, len(strands))
        if end is not None:
            ends.append(end)
    return [(ends[0], ends[1])] if len(ends) == 2 else []


def _feeds(root: TomlTable, node_v: float | None) -> list[Feed]:
    tables = root.tables("feed", maximum=100)
    if not tables:
        root.fault("feed", 'is missing; write a table [[feed]] with name, at = "foot:1", volts')
    found = [_feed(table, node_v) for table in tables]
    return [feed for feed in found if feed is not None]


def _feed(table: TomlTable, node_v: float | None) -> Feed | None:
    table.reject_other_keys(_FEED_KEYS)
    name = _place_name(table, "feed")
    at = table.parsed("at", _feed_place, needed='write a bus pad ("foot:1") or a strand end ("1A")')
    volts = table.number("volts", minimum=0.0, maximum=60.0, exclusive=True, default=node_v)
    wire = table.parsed("wire", parse_wire, needed='write the cable as "16 AWG" or "1.5 mm2"')
    length_mm = _length(table)
    fuse_a = supply_a = None
    if table.has("fuse_a"):
        fuse_a = table.number("fuse_a", minimum=0.0, maximum=1000.0, exclusive=True)
    fuse_mohm = table.number("fuse_mohm", minimum=0.0, maximum=10_000.0, default=0.0)
    if table.has("supply_a"):
        supply_a = table.number("supply_a", minimum=0.0, maximum=1000.0, exclusive=True)
    if name is None or at is None or volts is None or wire is None or length_mm is None:
        return None
    source_mohm = table.number("source_mohm", minimum=0.0, maximum=10_000.0, default=0.0)
    return Feed(
        name, at, volts, wire, length_mm, fuse_a, fuse_mohm or 0.0, supply_a, _joint_ohm(table),
        source_mohm or 0.0,
    )  # fmt: skip


def _feed_place(text: str) -> BusPad | StrandEnd:
    bus, colon, strand = text.partition(":")
    if not colon:
        return parse_end(text)
    if not (strand.isascii() and strand.isdigit() and len(strand) < 7):
        raise InputError(f'is "{text}"; write a bus pad ("foot:1") or a strand end ("1A")')
    return BusPad(bus, int(strand))


_OUTPUT_KEYS = (
    "strands", "universe", "channel", "slots", "packed", "colour_order", "null_nodes", "group",
    "host",
)  # fmt: skip
_MAX_OUTPUTS = 1000


def _outputs(root: TomlTable, strands: list[Strand], node: NodeKind | None) -> tuple[Output, ...]:
    """Read `[output]`, or one `[[output]]` for each output of the controller."""
    if not isinstance(root.get("output"), list):
        table = root.table("output")
        if table is None:
            return (Output(),)
        table.reject_other_keys(_OUTPUT_KEYS[1:])
        return (_output(table, (), node, is_plain=True),)
    tables = root.tables("output", maximum=_MAX_OUTPUTS)
    if not tables:
        root.fault("output", "is an empty list; write one table [[output]] for each, or none")
        return (Output(),)
    found = []
    for table in tables:
        table.reject_other_keys(_OUTPUT_KEYS)
        needed = 'write the strands on this output, such as "1-6"' if len(tables) > 1 else ""
        text = table.text("strands", needed=needed, longest=_MAX_RUNS_LENGTH)
        runs: tuple[NodeRun, ...] = ()
        if text is not None and strands:
            try:
                runs = parse_runs(text, strands)
            except InputError as error:
                table.fault("strands", str(error))
        found.append(_output(table, runs, node, is_plain=False))
    return tuple(found)


_MAX_RUNS_LENGTH = 4000


def _output(
    table: TomlTable, runs: tuple[NodeRun, ...], node: NodeKind | None, *, is_plain: bool
) -> Output:
    universe = table.whole("universe", minimum=1, maximum=MAX_UNIVERSE, default=1)
    channel = table.whole("channel", minimum=1, maximum=MAX_SLOTS, default=1)
    packed = table.flag("packed", default=False)
    # a plain table fills a universe with whole nodes from any channel on
    usual = MAX_SLOTS if is_plain and not packed else whole_node_slots(node.channels if node else 3)
    slots = table.whole("slots", minimum=1, maximum=MAX_SLOTS, default=usual)
    order = None
    if table.has("colour_order") and node is not None:
        order = table.parsed("colour_order", lambda text: parse_colour_order(text, node))
    null_nodes = table.whole("null_nodes", minimum=0, maximum=MAX_NULL_NODES, default=0)
    group = table.whole("group", minimum=1, maximum=MAX_GROUP, default=1)
    host = table.parsed("host", parse_host)
    return Output(
        universe or 1, channel or 1, runs, slots or usual, packed, order, null_nodes or 0,
        group or 1, host,
    )  # fmt: skip


def _path_by_outputs(
    root: TomlTable, path: list[StrandEnd], outputs: tuple[Output, ...]
) -> list[StrandEnd]:
    """Return the data path in the order in which the outputs name the strands.

    A list of ends in `data.path` has an order already, which the outputs must follow.
    """
    data = root.get("data")
    if isinstance(data, dict) and isinstance(data.get("path"), list):
        return path
    return list(ordered_path(path, outputs))
