"""Writer of prop files: a design as text, with comments for the next person to edit it."""

from __future__ import annotations

import json
from collections.abc import Iterable, Iterator, Mapping
from itertools import groupby

from benchtest.prop.conductors import Conductor, board_dimensions
from benchtest.prop.design import (
    HEALTHY_JOINT_OHM,
    RAILS,
    Bus,
    Design,
    Feed,
    Link,
    Output,
    Strand,
    StrandEnd,
)
from benchtest.prop.enough import USUAL_RULE
from benchtest.prop.joints import path_hops
from benchtest.prop.node_kinds import (
    FIGURES_BY_COLOUR,
    MAX_FIGURES,
    OWN_SOURCE,
    NodeKind,
    catalogue,
)
from benchtest.prop.outputs import MAX_SLOTS, format_runs


def write_design(design: Design) -> str:
    """Return the text of a prop file; `parse_design` reads it back as an equal design.

    Args:
        design: the design, with its copper at 20 °C.
    """
    tables = [
        _head(design),
        _node(design.node),
        _strands(design.strands),
        _data(design),
        *(_bus(bus, len(design.strands)) for bus in design.buses),
        *_links(design),
        *map(_feed, design.feeds),
        _output(design),
    ]
    written: set[str] = set()
    return "\n\n".join("\n".join(_once(lines, written)) for lines in tables) + "\n"


def _once(lines: Iterable[str], written: set[str]) -> Iterator[str]:
    """Yield lines without the comments that an earlier table has."""
    for line in lines:
        if not (line.startswith("#") and line in written):
            yield line
        written.add(line)


def _head(design: Design) -> Iterator[str]:
    yield "# Prop file: one design. Every unit built to it shares this file."
    yield "# Lengths are in mm, strands and nodes count from 1; end A is the end at the first bus."
    yield "# Run `benchtest check` on this file to find mistakes and to see the current drawn."
    yield "format = 1"
    yield f"name = {_text(design.name)}"
    if design.enough != USUAL_RULE:
        words = "from this on a sign-off is offered in place of readings"
        yield f"enough = {_text(str(design.enough))}  # {words}"


def _node(node: NodeKind) -> Iterator[str]:
    yield f"# {node.title}. Figures of this kind may be changed here."
    yield "[node]"
    yield f"kind = {_text(node.name)}"
    kind = catalogue()[node.name]
    if _is_own(node, kind, "colour_order"):
        yield f"colour_order = {_text(node.colour_order)}"
    else:
        words = "letters in the order that the wire carries them"
        yield f'# colour_order = "{kind.colour_order}"  # {words}'
    for key in MAX_FIGURES:
        if _is_own(node, kind, key):
            yield f"{key} = {_number(getattr(node, key))}"
        elif key == "channel_ma":
            yield f"# channel_ma = {kind.channel_ma:g}  # one colour at full; measure it if you can"
    for key in FIGURES_BY_COLOUR:
        if _is_own(node, kind, key):
            yield f"{key} = {_by_colour(getattr(node, key))}"
    if _is_own(node, kind, "backup_data"):
        yield f"backup_data = {_flag(node.backup_data)}"


def _is_own(node: NodeKind, kind: NodeKind, key: str) -> bool:
    return node.sources.get(key) == OWN_SOURCE or getattr(node, key) != getattr(kind, key)


def _strands(strands: tuple[Strand, ...]) -> Iterator[str]:
    """Yield strands in number order; equal neighbours share a table."""
    runs = [list(run) for _, run in groupby(strands, _likeness)]
    for place, run in enumerate(runs):
        strand, first = run[0], run[0].number
        last = run[-1].number
        if place:
            yield ""
        yield f"# strand {first}" if first == last else f"# strands {first} to {last}"
        yield "[[strand]]"
        if len(run) > 1:
            yield f"count = {len(run)}"
        yield f"nodes = {strand.nodes}"
        yield f"pitch_mm = {_number(strand.pitch_mm)}  # node to node"
        lead_a, lead_b = map(_number, strand.lead_mm)
        yield f"lead_mm = [{lead_a}, {lead_b}]  # joint to outermost node, at A and at B"
        yield f"wire = {_text(strand.wire.text)}"


def _likeness(strand: Strand) -> tuple[object, ...]:
    return strand.nodes, strand.pitch_mm, strand.lead_mm, strand.wire


def _data(design: Design) -> Iterator[str]:
    path = design.data_path
    ends = "".join(end.end for end in path)
    in_order = [end.strand for end in path] == list(range(1, len(path) + 1))
    yield "# end where data enters each strand, in order: zigzag is 1 at A, 2 at B, 3 at A ..."
    yield "[data]"
    if in_order and all(end == "AB"[place % 2] for place, end in enumerate(ends)):
        yield 'path = "zigzag"'
    elif in_order and set(ends) == {"A"}:
        yield 'path = "from-A"'
    else:
        yield f"path = {_ends(path)}"


def _bus(bus: Bus, strands: int) -> Iterator[str]:
    yield "# copper that joins strand ends on both rails; pads are in the order joined"
    yield "[[bus]]"
    yield f"name = {_text(bus.name)}"
    yield f"joins = {_joins(bus, strands)}"
    yield _copper(bus.copper)
    yield f"spacing_mm = {_number(bus.spacing_mm)}  # between neighbouring pads"
    yield f"ring = {_flag(bus.ring)}  # true: the last pad is joined to the first"
    yield from _joint(bus.joint_ohm, "every strand")


def _joins(bus: Bus, strands: int) -> str:
    for end in ("A", "B"):
        if [str(joined) for joined in bus.ends] == [f"{n}{end}" for n in range(1, strands + 1)]:
            return f'"{end}"'
    return _ends(bus.ends)


def _copper(copper: Conductor) -> str:
    if copper.board:
        weight_oz, width_mm = map(_number, board_dimensions(copper.text))
        return f"copper = {{ weight_oz = {weight_oz}, width_mm = {width_mm} }}"
    return f"wire = {_text(copper.text)}"


def _links(design: Design) -> Iterator[Iterator[str]]:
    """Yield each link, or one table where every hop of the data has one and all are equal."""
    links = design.links
    ends = [(link.first, link.second) for link in links]
    alike = {(link.length_mm, link.rails, link.joint_ohm) for link in links}
    if links and ends == path_hops(design) and len(alike) == 1 and all(_own_wire(design, links)):
        yield _link(design, links[0], ['follow = "data"  # a link for every hop of the data path'])
        return
    for link in links:
        yield _link(design, link, [f'from = "{link.first}"', f'to = "{link.second}"'])


def _own_wire(design: Design, links: tuple[Link, ...]) -> Iterator[bool]:
    return (link.wire == design.strand(link.first.strand).wire for link in links)


def _link(design: Design, link: Link, which: list[str]) -> Iterator[str]:
    yield "# strand ends joined wire to wire; length 0: the two leads meet in the joint"
    yield "[[link]]"
    yield from which
    yield f"length_mm = {_number(link.length_mm)}"
    if not all(_own_wire(design, (link,))):
        yield f"wire = {_text(link.wire.text)}"
    if link.rails != RAILS:
        yield f'rails = "{"".join(link.rails)}"  # + is not joined: each side has its own supply'
    yield from _joint(link.joint_ohm, "the link")


def _feed(feed: Feed) -> Iterator[str]:
    yield "# a supply's cable, and the bus pad or strand end where it enters"
    yield "[[feed]]"
    yield f"name = {_text(feed.name)}"
    yield f'at = "{feed.at}"'
    yield f"volts = {_number(feed.volts)}"
    yield f"wire = {_text(feed.wire.text)}"
    yield f"length_mm = {_number(feed.length_mm)}  # one way"
    for key, amps, words in (
        ("fuse_a", feed.fuse_a, "the fuse where the cable starts"),
        ("supply_a", feed.supply_a, "rated current of the supply, see its label"),
    ):
        if amps is None:
            yield f"# {key} = 10.0  # not known yet: {words}"
        else:
            yield f"{key} = {_number(amps)}  # {words}"
    words = "resistance of the fuse with its holder"
    if feed.fuse_mohm:
        yield f"fuse_mohm = {_number(feed.fuse_mohm)}  # {words}"
    elif feed.fuse_a is not None:
        yield f"# fuse_mohm = 10.0  # not known yet: {words}"
    if feed.source_mohm:
        words = "source resistance of the supply: millivolts lost per ampere"
        yield f"source_mohm = {_number(feed.source_mohm)}  # {words}"
    yield from _joint(feed.joint_ohm, "the cable")


def _output(design: Design) -> Iterator[str]:
    if len(design.outputs) == 1:
        output = design.outputs[0]
        yield "# universe and channel of its first channel when driven over E1.31"
        yield "[output]"
        yield from _address(output, is_plain=output.slots == MAX_SLOTS and not output.packed)
        return
    yield "# one table for each output of the controller, in the order of data"
    for place, output in enumerate(design.outputs):
        if place:
            yield ""
        yield "[[output]]"
        yield f"strands = {_text(format_runs(design, output))}"
        yield from _address(output, is_plain=False)


def _address(output: Output, *, is_plain: bool) -> Iterator[str]:
    """Yield the keys of an output's place; those that have their usual value are left out."""
    yield f"universe = {output.universe}"
    yield f"channel = {output.channel}"
    if not is_plain:
        yield f"slots = {output.slots}  # slots used of each universe"
        yield f"packed = {_flag(output.packed)}  # true: a node may span two universes"
    if output.colour_order is not None:
        yield f"colour_order = {_text(output.colour_order)}"
    if output.null_nodes:
        yield f"null_nodes = {output.null_nodes}  # addresses before the first node"
    if output.group > 1:
        yield f"group = {output.group}  # nodes that share one address"
    if output.host is not None:
        yield f"host = {_text(output.host)}"


def _joint(joint_ohm: float, part: str) -> Iterator[str]:
    if joint_ohm == HEALTHY_JOINT_OHM:
        yield f"# joint_mohm = 10.0  # one pin, where {part} has plugs instead of solder"
        return
    # the conversion to milliohms and back loses the last bit unless it is rounded
    yield f"joint_mohm = {_number(round(joint_ohm * 1e3, 9))}  # one pin of the plugs of {part}"


def _ends(ends: Iterable[StrandEnd]) -> str:
    return "[" + ", ".join(f'"{end}"' for end in ends) + "]"


def _text(text: str) -> str:
    return json.dumps(text, ensure_ascii=False)


def _number(value: float) -> str:
    """Return the shortest text that is read back as the same number."""
    return repr(float(value))


def _flag(value: bool) -> str:
    return "true" if value else "false"


def _by_colour(figures: Mapping[str, float]) -> str:
    inner = ", ".join(f"{colour} = {_number(value)}" for colour, value in figures.items())
    return f"{{ {inner} }}"
