"""Parsers of answers: text in, figures and parts of a prop out. Pure.

Every parser raises an `InputError` that contains the invalid text and what is valid.
"""

from __future__ import annotations

import re
from collections.abc import Callable, Sequence
from typing import TypeVar

from benchtest.errors import InputError, did_you_mean
from benchtest.input_files import printable
from benchtest.prop.conductors import Conductor, parse_board, parse_wire
from benchtest.prop.design import HEALTHY_JOINT_OHM, RAILS, BusPad, Design, End, Rail, StrandEnd
from benchtest.prop.node_kinds import NodeKind
from benchtest.prop.notation import parse_end
from benchtest.prop.reader import MAX_JOINT_MOHM, MAX_MM, MIN_JOINT_MOHM, MIN_MM
from benchtest.records.models import check_tag

Value = TypeVar("Value")

NONE = "none"
"""Answer for something that the prop does not have."""
MM_PER_UNIT = {"mm": 1.0, "cm": 10.0, "m": 1000.0, "in": 25.4, "ft": 304.8}
MAX_UNITS = 1000
"""Most units added at once."""
MAX_A = 1000.0
"""Largest rating of a fuse or supply. [A]"""
SOLDERED = "soldered"
"""Answer for a soldered joint."""
PLUG_MOHM = 10.0
"""A connector pin: 5 to 20 mΩ in data sheets of 2.5 mm housings and sealed round plugs. [mΩ]"""
MAX_FUSE_MOHM = 10_000.0
"""Largest resistance of a fuse with its holder. [mΩ]"""

_FIGURE = re.compile(r"^(\d*\.?\d+|\d+\.)\s*([A-Za-z]*)$", re.ASCII)
_TAIL = re.compile(r"^(.*?)(\d+)$", re.ASCII)


def whole_number(least: int, most: int) -> Callable[[str], int]:
    """Return a parser of a whole number within bounds."""

    def read(text: str) -> int:
        word = text.strip()
        if word.isascii() and word.isdigit() and len(word) < 9 and least <= int(word) <= most:
            return int(word)
        raise _invalid(text, f"give a whole number from {least} to {most}")

    return read


def quantity(unit: str, most: float, *, zero: bool = False) -> Callable[[str], float]:
    """Return a parser of a number with or without a unit; the value is in `unit`."""
    known = MM_PER_UNIT if unit == "mm" else {unit: 1.0}

    def read(text: str) -> float:
        bounds = f"give a number {'from 0' if zero else 'above 0,'} up to {most:.9g}, in {unit}"
        found = _FIGURE.match(text.strip())
        if not found:
            hint = " (with a point, not a comma)" if "," in text else ""
            raise _invalid(text, f"{bounds}{hint}")
        names = {name.lower(): factor for name, factor in known.items()}
        factor = names.get((found[2] or unit).lower())
        if factor is None:
            raise _invalid(text, f"{bounds}, or add a unit: {', '.join(known)}")
        value = round(float(found[1]) * factor, 9)  # so that 1.5 in is exactly 38.1 mm
        if not (value <= most and (value > 0.0 or (zero and value == 0.0))):
            raise _invalid(text, bounds)
        if unit == "mm" and 0.0 < value < MIN_MM:
            raise _invalid(text, f"give {MIN_MM:g} mm or more")
        return value

    return read


length_mm = quantity("mm", MAX_MM)
amps = quantity("A", MAX_A)


def or_none(read: Callable[[str], Value]) -> Callable[[str], Value | None]:
    """Return a parser that also accepts `none`."""
    return lambda text: None if text.strip().lower() == NONE else read(text)


def one_of(known: Sequence[str]) -> Callable[[str], str]:
    """Return a parser of one word of a list; the case of letters is ignored."""

    def read(text: str) -> str:
        word = text.strip()
        for name in known:
            if name.lower() == word.lower():
                return name
        near = did_you_mean(word, known)
        raise _invalid(text, f"give one of {', '.join(known)}{near}")

    return read


def yes_or_no(text: str) -> bool:
    """Parse `yes` or `no`, or their first letters."""
    word = text.strip().lower()
    if word in ("y", "yes", "n", "no"):
        return word[0] == "y"
    raise _invalid(text, "answer yes or no")


def node_counts(strands: int, most: int) -> Callable[[str], list[int]]:
    """Return a parser of the nodes per strand: one number for all strands, or one for each."""
    read_one = whole_number(1, most)

    def read(text: str) -> list[int]:
        counts = [read_one(word) for word in split_words(text)]
        if len(counts) == 1:
            counts *= strands
        if len(counts) != strands:
            raise InputError(
                f"has {len(counts)} numbers; give one for all strands, or {strands}, one for each"
            )
        if sum(counts) > most:
            raise InputError(f"makes {sum(counts)} nodes in total; a prop has at most {most}")
        return counts

    return read


def lead_lengths(text: str) -> tuple[float, float]:
    """Parse the leads at A and at B: one length for both, or two. [mm]"""
    read = quantity("mm", MAX_MM, zero=True)
    if re.fullmatch(r"\s*\d+,\d+\s*", text, re.ASCII):  # 62,5 may be one length or two
        one, two = text.strip().replace(",", "."), text.strip().replace(",", " ")
        raise _invalid(text, f'write "{one}" for one length, "{two}" for two')
    with_units = re.sub(r"(\d)\s+([A-Za-z])", r"\1\2", text)  # "8 cm" becomes one word
    found = [read(word) for word in split_words(with_units)]
    if len(found) not in (1, 2):
        raise _invalid(text, "give one length, or two: at end A and at end B")
    return found[0], found[-1]


def data_path(strands: int) -> Callable[[str], tuple[StrandEnd, ...]]:
    """Return a parser of the ends where data enters each strand, in the order of data."""
    numbers = range(1, strands + 1)

    def read(text: str) -> tuple[StrandEnd, ...]:
        if (word := text.strip().lower()) in ("zigzag", "from-a"):
            second: End = "A" if word == "from-a" else "B"
            return tuple(StrandEnd(n, "A" if n % 2 else second) for n in numbers)
        path = ends(strands)(text)
        if missing := set(numbers) - {end.strand for end in path}:
            listed = ", ".join(map(str, sorted(missing)[:8]))
            raise InputError(f'leaves out strand {listed}; name every strand, or write "zigzag"')
        return path

    return read


def ends(strands: int) -> Callable[[str], tuple[StrandEnd, ...]]:
    """Return a parser of strand ends: `A`, `B`, or a list such as `1A 2A`; no strand twice."""

    def read(text: str) -> tuple[StrandEnd, ...]:
        word = text.strip().upper()
        if word in ("A", "B"):
            end: End = "A" if word == "A" else "B"
            return tuple(StrandEnd(n, end) for n in range(1, strands + 1))
        found = [strand_end(name, strands) for name in split_words(word)]
        if not found:
            raise InputError('is empty; write A, B, or strand ends such as "1A 2A 3B"')
        for number in {end.strand for end in found}:
            if sum(end.strand == number for end in found) > 1:
                raise InputError(f"names strand {number} twice; name each strand once")
        return tuple(found)

    return read


def strand_end(text: str, strands: int) -> StrandEnd:
    """Parse an end of one of the prop's strands."""
    end = parse_end(text.upper())
    if end.strand > strands:
        raise InputError(f'"{end}": the prop has strands 1 to {strands}')
    return end


def feed_place(design: Design) -> Callable[[str], BusPad | StrandEnd]:
    """Return a parser of the place where a feed enters this design."""

    def read(text: str) -> BusPad | StrandEnd:
        name, colon, number = text.strip().partition(":")
        if not colon:
            return strand_end(name, len(design.strands))
        bus = next((bus for bus in design.buses if bus.name == name), None)
        if bus is None:
            known = [bus.name for bus in design.buses]
            advice = f"choose from {', '.join(known)}" if known else "give a strand end"
            raise InputError(f'"{shown(text)}": no bus is called "{shown(name)}"; {advice}')
        pad = next((pad for pad in bus.pads if str(pad.strand) == number), None)
        if pad is None:
            strands = " ".join(str(pad.strand) for pad in bus.pads)
            raise InputError(f'"{shown(text)}": bus {name} has pads only at strands {strands}')
        return pad

    return read


def copper(text: str) -> Conductor:
    """Parse board copper, such as `2 oz x 8 mm`, or a wire, such as `18 AWG`."""
    return parse_board(text) if "oz" in text.lower() else parse_wire(text)


def resistance_mohm(text: str, most: float) -> float:
    """Parse a resistance in milliohms, with or without its unit. [mΩ]"""
    return quantity("mohm", most, zero=True)(text.replace("Ω", "ohm").replace("ω", "ohm"))


def joint_ohm(text: str) -> float:
    """Parse a healthy joint: `soldered`, `plugs`, or the milliohms of one pin. [Ω]

    >>> joint_ohm("soldered"), joint_ohm("plugs"), joint_ohm("12 mΩ")
    (0.002, 0.01, 0.012)
    """
    word = text.strip().lower()
    if word == SOLDERED:
        return HEALTHY_JOINT_OHM
    pin_text = word.removeprefix("plugs").strip()
    mohm = PLUG_MOHM if word == "plugs" else resistance_mohm(pin_text, MAX_JOINT_MOHM)
    if mohm < MIN_JOINT_MOHM:
        raise _invalid(
            text,
            f"write {SOLDERED}, plugs, or the milliohms of one pin, "
            f"{MIN_JOINT_MOHM:g} to {MAX_JOINT_MOHM:g}",
        )
    return mohm * 1e-3


def fuse_mohm(text: str) -> float:
    """Parse the resistance of a fuse with its holder; `none` gives 0. [mΩ]"""
    return 0.0 if text.strip().lower() == NONE else resistance_mohm(text, MAX_FUSE_MOHM)


def rails(text: str) -> tuple[Rail, ...]:
    """Parse the rails that a link joins: `both`, or `return` for the return only."""
    return RAILS if one_of(("both", "return"))(text) == "both" else ("-",)


def supply_v(node: NodeKind) -> Callable[[str], float]:
    """Return a parser of supply volts within the rating of the nodes. [V]"""
    return quantity("V", node.most_v)


# -- units ----------------------------------------------------------------------------------------


def unit_tags(text: str) -> list[str]:
    """Parse tags of units: ranges and single tags, separated by spaces or commas; `none` for none.

    >>> unit_tags("WF-08..WF-10 WF-12")
    ['WF-08', 'WF-09', 'WF-10', 'WF-12']
    """
    if text.strip().lower() in (NONE, ""):
        return []
    tags = [check_tag(tag) for word in split_words(text) for tag in _range(word)]
    if len(tags) > MAX_UNITS:
        raise InputError(f"names {len(tags)} units; add at most {MAX_UNITS} at once")
    for tag in tags:
        if tags.count(tag) > 1:
            raise InputError(f"names {tag} twice; name each unit once")
    return tags


def _range(word: str) -> list[str]:
    first, dots, last = word.partition("..")
    if not dots:
        return [word]
    one, other = _TAIL.match(first), _TAIL.match(last)
    if not (one and other and one[1] == other[1]):
        raise _invalid(word, "write a range with the same prefix: WF-01..WF-07")
    low, high = int(one[2]), int(other[2])
    if high < low:
        raise _invalid(word, "write the lower tag first")
    if high - low >= MAX_UNITS:
        raise InputError(f"names {high - low + 1} units; add at most {MAX_UNITS} at once")
    width = len(one[2])
    return [f"{one[1]}{number:0{width}}" for number in range(low, high + 1)]


def split_words(text: str) -> list[str]:
    """Split a text at spaces and commas."""
    return text.replace(",", " ").split()


def shown(text: str) -> str:
    """Return a typed text for a message, without control characters."""
    return printable(text.strip())


def _invalid(text: str, advice: str) -> InputError:
    return InputError(f'"{shown(text)}" is not valid; {advice}')
