"""Parsers of `--bus`, `--link` and `--feed`, each of which describes a whole part. Pure."""

from __future__ import annotations

import re
from collections.abc import Sequence

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
from benchtest.errors import InputError
from benchtest.prop.conductors import parse_wire
from benchtest.prop.design import Bus, Design, Feed, Link, Strand, StrandEnd
from benchtest.prop.reader import MAX_MM, parse_place_name


def bus(text: str, strands: int) -> Bus:
    """Parse a bus: name, ends, copper, spacing; then `ring` and `plugs 12 mohm` if they apply.

    >>> bus("foot, A, 2 oz x 8 mm, 40 mm", 3).pads[2]
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


def links(
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


def feed(text: str, design: Design) -> Feed:
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
