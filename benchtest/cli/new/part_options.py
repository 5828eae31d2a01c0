"""A whole part of a prop in one option: `--bus`, `--link`, `--feed`. Pure, like `cli.answers`."""

from __future__ import annotations

import re
from collections.abc import Sequence

from benchtest.cli.new.answer_parsers import (
    SOLDERED,
    amps,
    copper,
    end_of,
    ends,
    feed_place,
    figure,
    fuse_mohm,
    joint_ohm,
    length_mm,
    rails,
    shown,
    volts,
)
from benchtest.errors import InputError
from benchtest.prop.conductors import parse_wire
from benchtest.prop.design import Bus, Design, Feed, Link, Strand, StrandEnd
from benchtest.prop.reader import MAX_MM, parse_place_name


def bus(text: str, strands: int) -> Bus:
    """A bus: name, ends, copper, spacing; `ring` where it is one, `plugs 12 mohm` for no solder.

    >>> bus("foot, A, 2 oz x 8 mm, 40 mm", 3).pads[2]
    BusPad(bus='foot', strand=3)
    """
    name, joined, made_of, spacing, *more = _parts_of(text, 4, "foot, A, 2 oz x 8 mm, 40 mm, ring")
    plugs = [part for part in more if part.startswith("plugs")]
    if extra := [part for part in more if part != "ring" and part not in plugs]:
        raise InputError(
            f'"{shown(extra[0])}": after the spacing only "ring" and "plugs 12 mohm" may stand'
        )
    return Bus(
        parse_place_name(name),
        ends(strands)(joined),
        copper(made_of),
        length_mm(spacing),
        "ring" in more,
        joint_ohm(plugs[0] if plugs else SOLDERED),
    )


def links(
    text: str, strands: Sequence[Strand], hops: Sequence[tuple[StrandEnd, StrandEnd]]
) -> list[Link]:
    """Links: `data` for every hop of the data path or one such as `1B~2B`, then its length.

    Then in any order its wire, `plugs 12 mohm` in place of solder, and `return only`.
    """
    which, length, *more = _parts_of(text, 2, "1B~2B, 50 mm")
    plugs = [part for part in more if part.startswith("plugs")]
    lone = [part for part in more if part == "return only"]
    wires = [part for part in more if part not in plugs and part not in lone]
    if len(wires) > 1:
        raise InputError(
            f'"{shown(wires[1])}": after length and wire only "plugs 12 mohm" and "return only" '
            "may stand"
        )
    mm = figure("mm", MAX_MM, zero=True)(length)
    wire = parse_wire(wires[0]) if wires else None
    ohm, joined = joint_ohm(plugs[0] if plugs else SOLDERED), rails("return" if lone else "both")
    pairs = hops if which.lower() == "data" else [_pair(which, len(strands))]
    return [Link(a, b, mm, wire or strands[a.strand - 1].wire, joined, ohm) for a, b in pairs]


def _pair(text: str, strands: int) -> tuple[StrandEnd, StrandEnd]:
    one, sign, other = text.partition("~")
    if not sign:
        raise InputError(f'is "{shown(text)}"; write two strand ends, "1B~2B", or "data"')
    return end_of(one.strip(), strands), end_of(other.strip(), strands)


def feed(text: str, design: Design) -> Feed:
    """A feed: name and place, then in any order volts, cable, its length, fuse and supply.

    Also `plugs 12 mohm` where its cable is not soldered on, and `holder 10 mohm`: the resistance of
    the fuse with its holder.
    """
    example = "main, foot:1, 5 V, 14 AWG, 1000 mm, fuse 10 A, supply 20 A"
    name, at, *rest = _parts_of(text, 4, example)
    found: dict[str, str] = {}
    for part in rest:
        key = _feed_key(part)
        if key in found:
            raise InputError(f'"{shown(part)}": the {key} is given twice')
        found[key] = part.removeprefix(key).strip()
    for key, words in (("cable", "14 AWG"), ("length", "1000 mm")):
        if key not in found:
            raise InputError(f'lacks its {key}, such as "{words}"; write "{example}"')
    return Feed(
        parse_place_name(name),
        feed_place(design)(at),
        volts(design.node)(found["volts"]) if "volts" in found else design.node.volts,
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
    """Parts between commas, at least so many."""
    parts = [part.strip() for part in text.split(",")]
    if len(parts) < least or not all(parts):
        raise InputError(f'is "{shown(text)}"; write "{example}"')
    return parts
