"""What a prop is made of, asked part by part: options and answers in, a design out."""

from __future__ import annotations

import argparse
from collections.abc import Callable
from dataclasses import replace
from functools import partial
from typing import TypeVar

from benchtest.cli.new import answer_parsers as answers
from benchtest.cli.new import part_options as parts
from benchtest.cli.new.defaults import (
    usual_cable,
    usual_feeds,
    usual_fuse,
    usual_fuse_mohm,
    usual_place,
    white_a,
)
from benchtest.cli.new.prompt import Dialogue, Question
from benchtest.errors import InputError
from benchtest.prop.conductors import parse_wire
from benchtest.prop.data_path import data_hops
from benchtest.prop.design import Bus, Design, Feed, Link, Output, Strand, StrandEnd
from benchtest.prop.node_kinds import NodeKind, catalogue, parse_colour_order, with_figures
from benchtest.prop.reader import MAX_NODES, MAX_STRANDS, parse_place_name
from benchtest.prop.validation import MAX_UNIVERSE, find_design_faults, unfed_strands

Part = TypeVar("Part")
JOINS = ("both", "A", "B", "links", "own", answers.NONE)
BUS_NAMES = {"A": "foot", "B": "crown"}
MOST_FEEDS = 100


def interview(dialogue: Dialogue, args: argparse.Namespace, default_name: str) -> Design:
    """Ask for a whole design.

    Args:
        dialogue: finds the answers.
        args: options of `benchtest new`, None where one was not given.
        default_name: name of the design unless told otherwise.

    Raises:
        InputError: an option is wrong, or nobody answers.
    """
    ask = dialogue.ask
    name = ask(Question("--name", "Name of the design", default_name, _design_name), args.name)
    node = _node(dialogue, args)
    strands = _strands(dialogue, args)
    path = _path(dialogue, args, len(strands))
    bare = Design(name, node, strands, path)
    joined = _with_joins(dialogue, args, bare)
    return _with_output(dialogue, args, _with_feeds(dialogue, args, joined))


def _design_name(text: str) -> str:
    name = text.strip()
    if not name or len(name) > 80 or not name.isprintable():
        raise InputError(f'is "{answers.shown(text)}"; write 1 to 80 printable characters')
    return name


def _node(dialogue: Dialogue, args: argparse.Namespace) -> NodeKind:
    kinds = catalogue()
    more = "\n  ".join(f"{kind.name:22} {kind.title}" for kind in kinds.values())
    read = answers.one_of(list(kinds))
    words = "Kind of node (? lists them)"
    kind = kinds[dialogue.ask(Question("--kind", words, next(iter(kinds)), read, more), args.kind)]
    order = dialogue.ask(
        Question(
            "--colour-order",
            "Order of the colours on its wire",
            kind.colour_order,
            lambda text: parse_colour_order(text, kind),
            "If red shows as green, the order is another: light one colour and look.",
        ),
        args.colour_order,
    )
    return kind if order == kind.colour_order else with_figures(kind, colour_order=order)


def _strands(dialogue: Dialogue, args: argparse.Namespace) -> tuple[Strand, ...]:
    ask = dialogue.ask
    read_count = answers.whole(1, MAX_STRANDS)
    more = "A strand is one run of nodes with two ends, A and B."
    count = ask(Question("--strands", "How many strands", "12", read_count, more), args.strands)
    nodes = ask(
        Question(
            "--nodes",
            "Nodes in each strand (one number, or one for each)",
            "30",
            answers.node_counts(count, MAX_NODES),
            "Strands of different length: 24 18 18 24.",
        ),
        args.nodes,
    )
    pitch = Question(
        "--pitch-mm",
        "Pitch, node to node, in mm",
        "30",
        answers.length_mm,
        "Of cut strip it is 1000 over nodes per metre: 33.3 for 30 a metre.",
    )
    pitch_mm = ask(pitch, args.pitch_mm)
    lead = Question(
        "--lead-mm",
        "Leads, joint to outermost node, in mm (one, or at A and B)",
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
        "Printed on it, or in its order: 22 AWG, 0.5 mm2; CCA behind it for copper-clad aluminium.",
    )
    wire = ask(gauge, args.wire)
    return tuple(Strand(n, many, pitch_mm, lead_mm, wire) for n, many in enumerate(nodes, 1))


def _path(dialogue: Dialogue, args: argparse.Namespace, strands: int) -> tuple[StrandEnd, ...]:
    question = Question(
        "--data",
        "Way of the data (zigzag, from-A, or where it enters: 1A 2B)",
        "zigzag",
        answers.data_path(strands),
        "zigzag goes in at 1A, 2B, 3A and so on; from-A at every A end; 1A 3B 2A is your own.",
    )
    return dialogue.ask(question, args.data or ("zigzag" if strands == 1 else None))


# -- buses and links ------------------------------------------------------------------------------


def _with_joins(dialogue: Dialogue, args: argparse.Namespace, bare: Design) -> Design:
    """The design with its buses and links: those of options, else as a person says."""
    count = len(bare.strands)
    own_buses = given("--bus", args.bus, lambda text: [parts.bus(text, count)])
    own_links = given(
        "--link", args.link, lambda text: parts.links(text, bare.strands, data_hops(bare))
    )
    if own_buses or own_links or count == 1:
        return replace(bare, buses=tuple(own_buses), links=tuple(own_links))
    question = Question(
        "--joins",
        "What joins the ends (both, A, B, links, own, none)",
        "both",
        answers.one_of(JOINS),
        "both: a bus at all A ends and one at all B ends. A or B: a bus at that end alone. links: "
        "wire\n  from strand to strand. own: you say it bus by bus. none: every strand has a feed.",
    )
    joins = dialogue.ask(question, args.joins)
    found = bare
    if joins in ("both", "A", "B"):
        for end in "AB" if joins == "both" else joins:
            found = _with_bus(dialogue, found, answers.ends(count)(end), BUS_NAMES[end])
    elif joins == "own":
        found = _with_own_buses(dialogue, found)
    return _with_asked_links(dialogue, found) if joins in ("links", "own") else found


def given(option: str, texts: list[str] | None, read: Callable[[str], list[Part]]) -> list[Part]:
    """Parts that an option gives, once for each time that it stands.

    Raises:
        InputError: one is wrong; says which option.
    """
    found: list[Part] = []
    for text in texts or []:
        try:
            found += read(text)
        except InputError as error:
            raise InputError(f'{option} "{answers.shown(text)}": {error}') from None
    return found


def _with_bus(
    dialogue: Dialogue, design: Design, ends: tuple[StrandEnd, ...], default_name: str
) -> Design:
    """The design with one bus more."""
    ask = dialogue.ask
    which = {end.end for end in ends}
    where = f" at the {min(which)} ends" if len(which) == 1 else ""
    more = "Board copper: weight and width of one rail, 2 oz x 8 mm. Wire: 18 AWG or 1 mm2."
    made_of = ask(
        Question("--bus", f"Copper of the bus{where}", "2 oz x 8 mm", answers.copper, more)
    )
    words = "Spacing of its pads, in mm"
    spacing_mm = ask(Question("--bus", words, "40", answers.length_mm))
    more = "yes: its last pad is joined to its first, with the same spacing."
    ring = len(ends) > 2 and ask(Question("--bus", "Is it a ring", "no", answers.yes_or_no, more))

    joint_ohm = _joint(dialogue, "--bus", "How strands meet it")

    def with_it(name: str) -> Design:
        bus = Bus(name, ends, made_of, spacing_mm, ring, joint_ohm)
        return replace(design, buses=(*design.buses, bus))

    read = _fitting(parse_place_name, with_it)
    more = "A short word; its pads are called by it: foot:1 is the pad beside strand 1."
    return with_it(ask(Question("--bus", "Its name", default_name, read, more)))


def _joint(dialogue: Dialogue, option: str, words: str) -> float:
    """Solder, or the pin of a plug: what every joint of one part has when it is healthy. [Ω]"""
    return dialogue.ask(
        Question(
            option,
            f"{words} (soldered, plugs, or mΩ of a pin)",
            answers.SOLDERED,
            answers.joint_ohm,
            "A soldered joint has about 2 mΩ between the tips; the pin of a plug 5 to 20, as its "
            "maker says.\n  plugs: 10 mΩ each.",
        )
    )


def _with_own_buses(dialogue: Dialogue, design: Design) -> Design:
    usual, read_ends = "A", answers.ends(len(design.strands))
    while True:
        read = answers.or_none(_fitting(read_ends, partial(_joining, design)))
        words = "Ends the next bus joins (A, B, such as 1A 2A, or none)"
        ends = dialogue.ask(Question("--bus", words, usual, read))
        if ends is None:
            return design
        design = _with_bus(dialogue, design, ends, f"bus{len(design.buses) + 1}")
        usual = answers.NONE


def _joining(design: Design, ends: tuple[StrandEnd, ...]) -> Design:
    """The design with a bus at these ends, whatever it is made of."""
    return replace(design, buses=(*design.buses, Bus("-", ends, answers.copper("18 AWG"), 1.0)))


def _with_asked_links(dialogue: Dialogue, design: Design) -> Design:
    usual = "data"
    words = "Next link (data, 1B~2B with length and wire, or none)"
    more = (
        "data: a link for every hop of the data. 1B~2B, 50 mm, 20 AWG: from end 1B to 2B.\n"
        "  Length 0: the leads meet in the joint. Unless you say: the strand's wire, 50 mm."
    )
    while True:
        read = answers.or_none(_fitting(partial(_links, design), partial(_linked, design)))
        some = dialogue.ask(Question("--link", words, usual, read, more))
        if some is None:
            return design
        joint_ohm = _joint(dialogue, "--link", "How its wires meet")
        joined = dialogue.ask(
            Question(
                "--link",
                "Rails it joins (both, or return)",
                "both",
                answers.rails,
                "return: + stays apart, where the strands on its two sides have supplies of their "
                "own.",
            )
        )
        made = [replace(link, rails=joined, joint_ohm=joint_ohm) for link in some]
        design, usual = _linked(design, made), answers.NONE


def _links(design: Design, text: str) -> list[Link]:
    return parts.links(text if "," in text else f"{text}, 50 mm", design.strands, data_hops(design))


def _linked(design: Design, links: list[Link]) -> Design:
    return replace(design, links=(*design.links, *links))


def _fitting(
    read: Callable[[str], Part], build: Callable[[Part], Design], *, whole: bool = False
) -> Callable[[str], Part]:
    """A reader that also refuses what does not go with the rest of the design.

    Args:
        read: makes a part of the answer.
        build: the design with that part.
        whole: True once all else is there, so that what hangs together can be judged.
    """

    def fitting(text: str) -> Part:
        part = read(text)
        if faults := find_design_faults(build(part), sound=whole):
            raise InputError(faults[0].partition(": ")[2])
        return part

    return fitting


# -- feeds and output -----------------------------------------------------------------------------


def _with_feeds(dialogue: Dialogue, args: argparse.Namespace, design: Design) -> Design:
    if feeds := given("--feed", args.feed, lambda text: [parts.feed(text, design)]):
        return replace(design, feeds=tuple(feeds))
    usual = min(usual_feeds(design), MOST_FEEDS)
    question = Question(
        "--feeds",
        "How many feeds (supply cables)",
        str(usual),
        answers.whole(1, MOST_FEEDS),
        "Each supply's cable is one feed. More feeds bring more volts to the far nodes.",
    )
    count = dialogue.ask(question, args.feeds)
    while len(design.feeds) < count or unfed_strands(design):
        if len(design.feeds) >= count:
            dark = ", ".join(map(str, unfed_strands(design)[0]))
            dialogue.say(f"No copper leads to strand {dark} yet: one more feed.")
        design = _with_feed(
            dialogue, design, max(count, len(unfed_strands(design)) + len(design.feeds))
        )
    return design


def _with_feed(dialogue: Dialogue, design: Design, count: int) -> Design:
    """One more of `count` feeds; what is usual for it is what its share of full white takes."""
    ask, number = dialogue.ask, len(design.feeds) + 1
    words = f"Place of feed {number} (a bus pad, foot:1, or a strand end, 1A)"
    at = ask(Question("--feed", words, usual_place(design, count), answers.feed_place(design)))
    volts = answers.volts(design.node)
    supply_v = ask(Question("--feed", "Its volts", f"{design.node.volts:g}", volts))
    load_a = white_a(design.node, design.node_count) / count
    fuse_a, fuse_mohm = _fuse(dialogue, load_a)
    before = design.feeds[-1] if design.feeds else None
    cable = before.wire.text if before else usual_cable(fuse_a or load_a)
    more = "The cable must stand what the fuse lets through."
    wire = ask(Question("--feed", "Its cable", cable, parse_wire, more))
    usual_mm = f"{before.length_mm:g}" if before else "1000"
    words = "Length of the cable, one way, in mm"
    length_mm = ask(Question("--feed", words, usual_mm, answers.length_mm))
    words, more = "What its supply can give, in A, or none", "It stands on the supply's plate."
    read_a = answers.or_none(answers.amps)
    supply_a = ask(Question("--feed", words, answers.NONE, read_a, more))

    joint_ohm = _joint(dialogue, "--feed", "How its cable meets the prop")

    def with_it(name: str) -> Design:
        feed = Feed(name, at, supply_v, wire, length_mm, fuse_a, fuse_mohm, supply_a, joint_ohm)
        return replace(design, feeds=(*design.feeds, feed))

    usual = "main" if number == 1 else f"feed{number}"
    return with_it(ask(Question("--feed", "Its name", usual, _fitting(parse_place_name, with_it))))


def _fuse(dialogue: Dialogue, load_a: float) -> tuple[float | None, float]:
    """Rating of a feed's fuse and its resistance with the holder. [A], [mΩ]"""
    usual = usual_fuse(load_a)
    fuse_a = dialogue.ask(
        Question(
            "--feed",
            f"Its fuse, in A, or none (full white takes {load_a:.1f} A)",
            answers.NONE if usual is None else f"{usual:g}",
            answers.or_none(answers.amps),
            "One fuse per lead, where the cable starts; for hours a fuse carries three quarters of "
            "its rating.",
        )
    )
    if fuse_a is None:
        return None, 0.0
    mohm = dialogue.ask(
        Question(
            "--feed",
            "Resistance of the fuse with its holder, in mΩ, or none",
            f"{usual_fuse_mohm(fuse_a):g}",
            answers.fuse_mohm,
            "It takes volts from every node. A blade fuse has about 80 mV over its amperes, the "
            "clips of a clean holder\n  2 mΩ together; best measured at a known current.",
        )
    )
    return fuse_a, mohm


def _with_output(dialogue: Dialogue, args: argparse.Namespace, design: Design) -> Design:
    def with_it(universe: int, channel: int = 1) -> Design:
        return replace(design, output=Output(universe, channel))

    first = answers.whole(1, MAX_UNIVERSE)
    if not find_design_faults(design):  # what is wrong elsewhere must not be said of the universe
        first = _fitting(first, with_it, whole=True)
    universe = dialogue.ask(
        Question("--universe", "First E1.31 universe", "1", first), args.universe
    )
    slot = Question("--channel", "Its first channel", "1", answers.whole(1, 512))
    return with_it(universe, dialogue.ask(slot, args.channel))
