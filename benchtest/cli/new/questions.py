"""Questions about a prop, part by part: options and answers in, a design out.

`--bus`, `--link` and `--feed` each describe a whole part; their parsers are pure.
"""

from __future__ import annotations

import argparse
import re
from collections.abc import Callable, Sequence
from dataclasses import replace
from functools import partial
from pathlib import Path
from typing import TypeVar

from benchtest.cli.new import answer_parsers as answers
from benchtest.cli.new.answer_parsers import (
    SOLDERED,
    amps,
    copper,
    ends,
    feed_place,
    fuse_mohm,
    joint_ohm,
    length_mm,
    quantity,
    rails,
    shown,
    strand_end,
    supply_v,
)
from benchtest.cli.new.defaults import (
    default_cable,
    default_feed_count,
    default_fuse_a,
    default_fuse_mohm,
    default_place,
    white_a,
)
from benchtest.cli.new.prompt import Prompt, Question
from benchtest.drive.port_table import read_ports
from benchtest.errors import InputError
from benchtest.prop.conductors import parse_wire
from benchtest.prop.design import Bus, Design, Feed, Link, Output, Strand, StrandEnd
from benchtest.prop.joints import path_hops
from benchtest.prop.node_kinds import NodeKind, catalogue, parse_colour_order, with_figures
from benchtest.prop.outputs import MAX_SLOTS, MAX_UNIVERSE, whole_node_slots
from benchtest.prop.reader import MAX_MM, MAX_NODES, MAX_STRANDS, parse_place_name
from benchtest.prop.validation import find_design_faults, unfed_strands

Part = TypeVar("Part")
JOINS = ("both", "A", "B", "links", "own", answers.NONE)
BUS_NAMES = {"A": "foot", "B": "crown"}
MAX_FEEDS = 100


def ask_design(prompt: Prompt, args: argparse.Namespace, default_name: str) -> Design:
    """Ask for a whole design.

    Args:
        prompt: source of the answers.
        args: options of `benchtest new`, None for an option that is missing.
        default_name: default name of the design.

    Raises:
        InputError: an option is invalid, or input has ended.
    """
    ask = prompt.ask
    name = ask(Question("--name", "Name of the design", default_name, _design_name), args.name)
    node = _node(prompt, args)
    strands = _strands(prompt, args)
    path = _path(prompt, args, len(strands))
    bare = Design(name, node, strands, path)
    joined = _with_joins(prompt, args, bare)
    return _with_output(prompt, args, _with_feeds(prompt, args, joined))


def _design_name(text: str) -> str:
    name = text.strip()
    if not name or len(name) > 80 or not name.isprintable():
        raise InputError(f'"{answers.shown(text)}" is not valid; use 1 to 80 printable characters')
    return name


def _node(prompt: Prompt, args: argparse.Namespace) -> NodeKind:
    kinds = catalogue()
    listed = "\n  ".join(f"{kind.name:22} {kind.title}" for kind in kinds.values())
    read = answers.one_of(list(kinds))
    text = "Kind of node (? lists them)"
    kind = kinds[prompt.ask(Question("--kind", text, next(iter(kinds)), read, listed), args.kind)]
    order = prompt.ask(
        Question(
            "--colour-order",
            "Order of the colours in the data",
            kind.colour_order,
            lambda text: parse_colour_order(text, kind),
            "If red lights green, the order differs: light one colour at a time and look.",
        ),
        args.colour_order,
    )
    return kind if order == kind.colour_order else with_figures(kind, colour_order=order)


def _strands(prompt: Prompt, args: argparse.Namespace) -> tuple[Strand, ...]:
    ask = prompt.ask
    read_count = answers.whole_number(1, MAX_STRANDS)
    help_text = "A strand is one run of nodes with two ends, A and B."
    question = Question("--strands", "Number of strands", "12", read_count, help_text)
    count = ask(question, args.strands)
    nodes = ask(
        Question(
            "--nodes",
            "Nodes per strand (one number, or one for each strand)",
            "30",
            answers.node_counts(count, MAX_NODES),
            "If strands differ, give one number for each: 24 18 18 24.",
        ),
        args.nodes,
    )
    pitch = Question(
        "--pitch-mm",
        "Pitch, node to node, in mm",
        "30",
        answers.length_mm,
        "For cut strip: 1000 ÷ nodes per metre, such as 33.3 for 30 nodes per metre.",
    )
    pitch_mm = ask(pitch, args.pitch_mm)
    lead = Question(
        "--lead-mm",
        "Leads, joint to outermost node, in mm (one, or two: at A and at B)",
        "60",
        answers.lead_lengths,
        "Wire between the joint and the outermost node: 60, or 80 40 for 80 at A and 40 at B.",
    )
    lead_mm = ask(lead, args.lead_mm)
    gauge = Question(
        "--wire",
        "Wire of the strands",
        "22 AWG",
        parse_wire,
        "Printed on the insulation or on your invoice, such as 22 AWG or 0.5 mm2; add CCA for "
        "copper-clad\n  aluminum.",
    )
    wire = ask(gauge, args.wire)
    return tuple(Strand(n, many, pitch_mm, lead_mm, wire) for n, many in enumerate(nodes, 1))


def _path(prompt: Prompt, args: argparse.Namespace, strands: int) -> tuple[StrandEnd, ...]:
    question = Question(
        "--data",
        "Data route (zigzag, from-A, or the ends where data enters: 1A 2B)",
        "zigzag",
        answers.data_path(strands),
        "zigzag: data enters at 1A, 2B, 3A and so on. from-A: at every A end. Or list the ends in "
        "the order\n  of the data, such as 1A 3B 2A.",
    )
    return prompt.ask(question, args.data or ("zigzag" if strands == 1 else None))


# -- buses and links ------------------------------------------------------------------------------


def _with_joins(prompt: Prompt, args: argparse.Namespace, bare: Design) -> Design:
    """Return the design with the buses and links of the options, or of the user's answers."""
    count = len(bare.strands)
    buses = option_parts("--bus", args.bus, lambda text: [parse_bus(text, count)])
    links = option_parts(
        "--link", args.link, lambda text: parse_links(text, bare.strands, path_hops(bare))
    )
    if buses or links or count == 1:
        return replace(bare, buses=tuple(buses), links=tuple(links))
    question = Question(
        "--joins",
        "Power connections between strands (both, A, B, links, own, none)",
        "both",
        answers.one_of(JOINS),
        "both: a bus at all A ends and one at all B ends. A or B: a bus only at that end. links: "
        "wires\n  from strand to strand. own: you describe each bus. none: every strand has its "
        "own feed.",
    )
    joins = prompt.ask(question, args.joins)
    found = bare
    if joins in ("both", "A", "B"):
        for end in "AB" if joins == "both" else joins:
            found = _with_bus(prompt, found, answers.ends(count)(end), BUS_NAMES[end])
    elif joins == "own":
        found = _with_own_buses(prompt, found)
    return _with_asked_links(prompt, found) if joins in ("links", "own") else found


def option_parts(
    option: str, texts: list[str] | None, read: Callable[[str], list[Part]]
) -> list[Part]:
    """Return the parts that a repeatable option describes.

    Raises:
        InputError: a text is invalid; the message contains the option and the text.
    """
    found: list[Part] = []
    for text in texts or []:
        try:
            found += read(text)
        except InputError as error:
            raise InputError(f'{option} "{answers.shown(text)}": {error}') from None
    return found


def _with_bus(
    prompt: Prompt, design: Design, ends: tuple[StrandEnd, ...], default_name: str
) -> Design:
    """Return the design with one more bus."""
    ask = prompt.ask
    which = {end.end for end in ends}
    where = f" at the {min(which)} ends" if len(which) == 1 else ""
    help_text = "Board copper: weight and width of one rail, 2 oz x 8 mm. Wire: 18 AWG or 1 mm2."
    made_of = ask(
        Question("--bus", f"Copper of the bus{where}", "2 oz x 8 mm", answers.copper, help_text)
    )
    spacing_mm = ask(Question("--bus", "Spacing of its pads, in mm", "40", answers.length_mm))
    help_text = "yes: the last pad is joined to the first, with the same spacing."
    ring = len(ends) > 2 and ask(
        Question("--bus", "Is the bus a ring", "no", answers.yes_or_no, help_text)
    )

    joint_ohm = _joint(prompt, "--bus", "Joints of the strands with the bus")

    def with_bus(name: str) -> Design:
        bus = Bus(name, ends, made_of, spacing_mm, ring, joint_ohm)
        return replace(design, buses=(*design.buses, bus))

    read = _checked(parse_place_name, with_bus)
    help_text = "A short word; it names the pads: foot:1 is the pad of the bus foot at strand 1."
    return with_bus(ask(Question("--bus", "Name of the bus", default_name, read, help_text)))


def _joint(prompt: Prompt, option: str, text: str) -> float:
    """Ask for the resistance of a healthy joint: solder, or a connector pin. [Ω]"""
    return prompt.ask(
        Question(
            option,
            f"{text} (soldered, plugs, or mΩ of a pin)",
            answers.SOLDERED,
            answers.joint_ohm,
            "A soldered joint has about 2 mΩ between the probe tips, a connector pin 5 to 20; see "
            "its data\n  sheet. plugs: 10 mΩ each.",
        )
    )


def _with_own_buses(prompt: Prompt, design: Design) -> Design:
    default, read_ends = "A", answers.ends(len(design.strands))
    while True:
        read = answers.or_none(_checked(read_ends, partial(_with_plain_bus, design)))
        text = "Ends that the next bus joins (A, B, a list such as 1A 2A, or none)"
        ends = prompt.ask(Question("--bus", text, default, read))
        if ends is None:
            return design
        design = _with_bus(prompt, design, ends, f"bus{len(design.buses) + 1}")
        default = answers.NONE


def _with_plain_bus(design: Design, ends: tuple[StrandEnd, ...]) -> Design:
    """Return the design with a bus of any copper at these ends, to check the ends."""
    return replace(design, buses=(*design.buses, Bus("-", ends, answers.copper("18 AWG"), 1.0)))


def _with_asked_links(prompt: Prompt, design: Design) -> Design:
    default = "data"
    text = "Next link (data, 1B~2B with length and wire, or none)"
    help_text = (
        "data: a link for every hop of the data. 1B~2B, 50 mm, 20 AWG: from end 1B to 2B.\n"
        "  Length 0: the two leads meet in the joint. Defaults: 50 mm of the strand's wire."
    )
    while True:
        read = answers.or_none(_checked(partial(_links, design), partial(_with_links, design)))
        links = prompt.ask(Question("--link", text, default, read, help_text))
        if links is None:
            return design
        joint_ohm = _joint(prompt, "--link", "Joints of the link")
        rails = prompt.ask(
            Question(
                "--link",
                "Rails that the link joins (both, or return)",
                "both",
                answers.rails,
                "return: only the - rail, if the strands on both sides have their own supplies.",
            )
        )
        links = [replace(link, rails=rails, joint_ohm=joint_ohm) for link in links]
        design, default = _with_links(design, links), answers.NONE


def _links(design: Design, text: str) -> list[Link]:
    return parse_links(text if "," in text else f"{text}, 50 mm", design.strands, path_hops(design))


def _with_links(design: Design, links: list[Link]) -> Design:
    return replace(design, links=(*design.links, *links))


def _checked(
    read: Callable[[str], Part], build: Callable[[Part], Design], *, whole: bool = False
) -> Callable[[str], Part]:
    """Return a parser that also rejects an answer that contradicts the rest of the design.

    Args:
        read: parser of the part.
        build: returns the design with that part.
        whole: True if the design is complete with it, so that all checks apply.
    """

    def checked(text: str) -> Part:
        part = read(text)
        if faults := find_design_faults(build(part), sound=whole):
            raise InputError(faults[0].partition(": ")[2])
        return part

    return checked


# -- feeds and output -----------------------------------------------------------------------------


def _with_feeds(prompt: Prompt, args: argparse.Namespace, design: Design) -> Design:
    if feeds := option_parts("--feed", args.feed, lambda text: [parse_feed(text, design)]):
        return replace(design, feeds=tuple(feeds))
    question = Question(
        "--feeds",
        "Number of feeds (supply cables)",
        str(min(default_feed_count(design), MAX_FEEDS)),
        answers.whole_number(1, MAX_FEEDS),
        "Each supply cable is one feed. More feeds raise the volts of distant nodes.",
    )
    count = prompt.ask(question, args.feeds)
    while len(design.feeds) < count or unfed_strands(design):
        if len(design.feeds) >= count:
            dark = ", ".join(map(str, unfed_strands(design)[0]))
            prompt.note(f"Strand {dark} has no supply yet: one more feed.")
        design = _with_feed(
            prompt, design, max(count, len(unfed_strands(design)) + len(design.feeds))
        )
    return design


def _with_feed(prompt: Prompt, design: Design, count: int) -> Design:
    """Return the design with one more of `count` feeds; the defaults suit its share of the load."""
    ask, number = prompt.ask, len(design.feeds) + 1
    text = f"Place of feed {number} (a bus pad, foot:1, or a strand end, 1A)"
    at = ask(Question("--feed", text, default_place(design, count), answers.feed_place(design)))
    read_v = answers.supply_v(design.node)
    supply_v = ask(Question("--feed", "Supply volts", f"{design.node.volts:g}", read_v))
    load_a = white_a(design.node, design.node_count) / count
    fuse_a, fuse_mohm = _fuse(prompt, load_a)
    previous = design.feeds[-1] if design.feeds else None
    cable = previous.wire.text if previous else default_cable(fuse_a or load_a)
    help_text = "The cable must withstand the current that its fuse allows."
    wire = ask(Question("--feed", "Cable of the feed", cable, parse_wire, help_text))
    default_mm = f"{previous.length_mm:g}" if previous else "1000"
    text = "Length of the cable, one way, in mm"
    length_mm = ask(Question("--feed", text, default_mm, answers.length_mm))
    text, help_text = "Rated current of the supply, in A, or none", "See the supply's rating label."
    read_a = answers.or_none(answers.amps)
    supply_a = ask(Question("--feed", text, answers.NONE, read_a, help_text))

    joint_ohm = _joint(prompt, "--feed", "Joints of the cable with the prop")

    def with_feed(name: str) -> Design:
        feed = Feed(name, at, supply_v, wire, length_mm, fuse_a, fuse_mohm, supply_a, joint_ohm)
        return replace(design, feeds=(*design.feeds, feed))

    default_name = "main" if number == 1 else f"feed{number}"
    read = _checked(parse_place_name, with_feed)
    return with_feed(ask(Question("--feed", "Name of the feed", default_name, read)))


def _fuse(prompt: Prompt, load_a: float) -> tuple[float | None, float]:
    """Ask for the rating of a feed's fuse and its resistance with the holder. [A], [mΩ]"""
    default_a = default_fuse_a(load_a)
    fuse_a = prompt.ask(
        Question(
            "--feed",
            f"Fuse of the feed, in A, or none (full white draws {load_a:.1f} A)",
            answers.NONE if default_a is None else f"{default_a:g}",
            answers.or_none(answers.amps),
            "One fuse per cable, at the supply; a fuse carries three quarters of its rating "
            "continuously.",
        )
    )
    if fuse_a is None:
        return None, 0.0
    mohm = prompt.ask(
        Question(
            "--feed",
            "Resistance of the fuse with its holder, in mΩ, or none",
            f"{default_fuse_mohm(fuse_a):g}",
            answers.fuse_mohm,
            "It lowers the volts of every node. A blade fuse drops about 80 mV at its rating, the "
            "clips of a clean\n  holder have 2 mΩ together. Best measured at a known current.",
        )
    )
    return fuse_a, mohm


def _with_output(prompt: Prompt, args: argparse.Namespace, design: Design) -> Design:
    if args.ports is not None:
        return read_ports(Path(args.ports), design)
    slots, packed = _packing(args, design.node.channels)

    def with_output(universe: int, channel: int = 1) -> Design:
        output = Output(universe, channel, slots=slots, packed=packed)
        return replace(design, outputs=(output,))

    read = answers.whole_number(1, MAX_UNIVERSE)
    if not find_design_faults(design):  # other faults of the design must not reject the universe
        read = _checked(read, with_output, whole=True)
    question = Question("--universe", "First E1.31 universe", "1", read)
    universe = prompt.ask(question, args.universe)
    slot = Question("--channel", "First channel in it", "1", answers.whole_number(1, 512))
    return with_output(universe, prompt.ask(slot, args.channel))


def _packing(args: argparse.Namespace, channels: int) -> tuple[int, bool]:
    """Return the slots used of each universe, and True if a node may span two; never asked.

    Raises:
        InputError: an option is invalid.
    """
    packed = False
    if args.packed is not None:
        (packed,) = option_parts("--packed", [args.packed], lambda text: [answers.yes_or_no(text)])
    usual = whole_node_slots(channels) if packed else MAX_SLOTS
    if args.slots is None:
        return usual, packed
    read = answers.whole_number(1, MAX_SLOTS)
    return option_parts("--slots", [args.slots], lambda text: [read(text)])[0], packed


def parse_bus(text: str, strands: int) -> Bus:
    """Parse a bus: name, ends, copper, spacing; then `ring` and `plugs 12 mohm` if they apply.

    >>> parse_bus("foot, A, 2 oz x 8 mm, 40 mm", 3).pads[2]
    BusPad(bus='foot', strand=3)
    """
    name, joined, made_of, spacing, *more = _parts_of(text, 4, "foot, A, 2 oz x 8 mm, 40 mm, ring")
    plugs = [part for part in more if part.startswith("plugs")]
    if extra := [part for part in more if part != "ring" and part not in plugs]:
        raise InputError(
            f'"{shown(extra[0])}": only "ring" and "plugs 12 mohm" may follow the spacing'
        )
    return Bus(
        parse_place_name(name),
        ends(strands)(joined),
        copper(made_of),
        length_mm(spacing),
        "ring" in more,
        joint_ohm(plugs[0] if plugs else SOLDERED),
    )


def parse_links(
    text: str, strands: Sequence[Strand], hops: Sequence[tuple[StrandEnd, StrandEnd]]
) -> list[Link]:
    """Parse links: `data` for every hop of the data path or one such as `1B~2B`, then the length.

    Wire, `plugs 12 mohm` (instead of solder) and `return only` may follow in any order.
    """
    which, length, *more = _parts_of(text, 2, "1B~2B, 50 mm")
    plugs = [part for part in more if part.startswith("plugs")]
    lone = [part for part in more if part == "return only"]
    wires = [part for part in more if part not in plugs and part not in lone]
    if len(wires) > 1:
        raise InputError(
            f'"{shown(wires[1])}": only "plugs 12 mohm" and "return only" may follow length and '
            "wire"
        )
    mm = quantity("mm", MAX_MM, zero=True)(length)
    wire = parse_wire(wires[0]) if wires else None
    ohm, joined = joint_ohm(plugs[0] if plugs else SOLDERED), rails("return" if lone else "both")
    pairs = hops if which.lower() == "data" else [_pair(which, len(strands))]
    return [Link(a, b, mm, wire or strands[a.strand - 1].wire, joined, ohm) for a, b in pairs]


def _pair(text: str, strands: int) -> tuple[StrandEnd, StrandEnd]:
    one, tilde, other = text.partition("~")
    if not tilde:
        raise InputError(f'"{shown(text)}" is not valid; write two strand ends, "1B~2B", or "data"')
    return strand_end(one.strip(), strands), strand_end(other.strip(), strands)


def parse_feed(text: str, design: Design) -> Feed:
    """Parse a feed: name and place, then in any order volts, cable, its length, fuse and supply.

    `plugs 12 mohm` may follow for a cable that is not soldered, and `holder 10 mohm` for the
    resistance of the fuse with its holder.
    """
    example = "main, foot:1, 5 V, 14 AWG, 1000 mm, fuse 10 A, supply 20 A"
    name, at, *rest = _parts_of(text, 4, example)
    found: dict[str, str] = {}
    for part in rest:
        key = _feed_key(part)
        if key in found:
            raise InputError(f'"{shown(part)}": the {key} is given twice')
        found[key] = part.removeprefix(key).strip()
    for key, sample in (("cable", "14 AWG"), ("length", "1000 mm")):
        if key not in found:
            raise InputError(f'lacks its {key}, such as "{sample}"; write "{example}"')
    return Feed(
        parse_place_name(name),
        feed_place(design)(at),
        supply_v(design.node)(found["volts"]) if "volts" in found else design.node.volts,
        parse_wire(found["cable"]),
        length_mm(found["length"]),
        amps(found["fuse"]) if "fuse" in found else None,
        fuse_mohm(found["holder"]) if "holder" in found else 0.0,
        amps(found["supply"]) if "supply" in found else None,
        joint_ohm(found.get("plugs", SOLDERED) or "plugs"),
    )


def _feed_key(part: str) -> str:
    for key in ("fuse", "holder", "supply", "plugs"):
        if part.startswith(key):
            return key
    if re.search(r"(AWG|mm2|mm²|CCA)$", part, re.IGNORECASE):
        return "cable"
    return "volts" if re.search(r"\d\s*V$", part, re.IGNORECASE) else "length"


def _parts_of(text: str, least: int, example: str) -> list[str]:
    """Split a text at commas into at least `least` parts."""
    parts = [part.strip() for part in text.split(",")]
    if len(parts) < least or not all(parts):
        raise InputError(f'"{shown(text)}" is not valid; write "{example}"')
    return parts
