"""What a person answers, made into figures and parts of a prop. Pure: asks and prints nothing.

Every reader raises an `InputError` that says what was wrong and what would be right.
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
"""The answer that leaves something out."""
MM_OF = {"mm": 1.0, "cm": 10.0, "m": 1000.0, "in": 25.4, "ft": 304.8}
MOST_UNITS = 1000
MOST_A = 1000.0
SOLDERED = "soldered"
PLUG_MOHM = 10.0
"""Pin of a plug: 5 to 20 mΩ by makers' sheets of 2.5 mm housings and sealed round plugs. [mΩ]"""
MOST_FUSE_MOHM = 10_000.0

_FIGURE = re.compile(r"^(\d*\.?\d+|\d+\.)\s*([A-Za-z]*)$", re.ASCII)
_TAIL = re.compile(r"^(.*?)(\d+)$", re.ASCII)


def whole(least: int, most: int) -> Callable[[str], int]:
    """Reader of a whole number within bounds."""

    def read(text: str) -> int:
        word = text.strip()
        if word.isascii() and word.isdigit() and len(word) < 9 and least <= int(word) <= most:
            return int(word)
        raise InputError(f'is "{shown(text)}"; give a whole number from {least} to {most}')

    return read


def figure(unit: str, most: float, *, zero: bool = False) -> Callable[[str], float]:
    """Reader of a number, with or without its unit behind it."""
    known = MM_OF if unit == "mm" else {unit: 1.0}

    def read(text: str) -> float:
        bounds = f"give a number {'from 0' if zero else 'above 0,'} up to {most:.9g}, in {unit}"
        found = _FIGURE.match(text.strip())
        if not found:
            hint = " (with a point, not a comma)" if "," in text else ""
            raise InputError(f'is "{shown(text)}"; {bounds}{hint}')
        names = {name.lower(): factor for name, factor in known.items()}
        factor = names.get((found[2] or unit).lower())
        if factor is None:
            raise InputError(f'is "{shown(text)}"; {bounds}, or write {", ".join(known)} behind it')
        value = round(float(found[1]) * factor, 9)  # 1.5 in are 38.1 mm, not a hair less
        if not (value <= most and (value > 0.0 or (zero and value == 0.0))):
            raise InputError(f'is "{shown(text)}"; {bounds}')
        if unit == "mm" and 0.0 < value < MIN_MM:
            raise InputError(f'is "{shown(text)}"; give {MIN_MM:g} mm or more')
        return value

    return read


length_mm = figure("mm", MAX_MM)
amps = figure("A", MOST_A)


def or_none(read: Callable[[str], Value]) -> Callable[[str], Value | None]:
    """Reader that also takes `none`."""
    return lambda text: None if text.strip().lower() == NONE else read(text)


def one_of(known: Sequence[str]) -> Callable[[str], str]:
    """Reader of one word of a list, in either case of letters."""

    def read(text: str) -> str:
        word = text.strip()
        for name in known:
            if name.lower() == word.lower():
                return name
        near = did_you_mean(word, known)
        raise InputError(f'is "{shown(text)}"; give one of {", ".join(known)}{near}')

    return read


def yes_or_no(text: str) -> bool:
    """`yes` or `no`, or their first letters."""
    word = text.strip().lower()
    if word in ("y", "yes", "n", "no"):
        return word[0] == "y"
    raise InputError(f'is "{shown(text)}"; answer yes or no')


def node_counts(strands: int, most: int) -> Callable[[str], list[int]]:
    """Reader of nodes of each strand: one number for all of them, or one for each."""
    read_one = whole(1, most)

    def read(text: str) -> list[int]:
        counts = [read_one(word) for word in words_of(text)]
        if len(counts) == 1:
            counts *= strands
        if len(counts) != strands:
            raise InputError(
                f"gives {len(counts)} numbers; give one for all strands, or {strands}, one for each"
            )
        if sum(counts) > most:
            raise InputError(f"is {sum(counts)} nodes together; a prop has at most {most}")
        return counts

    return read


def lead_lengths(text: str) -> tuple[float, float]:
    """Leads at A and at B: one length for both, or two. [mm]"""
    read = figure("mm", MAX_MM, zero=True)
    if re.fullmatch(r"\s*\d+,\d+\s*", text, re.ASCII):  # 62,5 is one length where commas are points
        one, two = text.strip().replace(",", "."), text.strip().replace(",", " ")
        raise InputError(f'is "{shown(text)}"; write "{one}" for one length, "{two}" for two')
    with_units = re.sub(r"(\d)\s+([A-Za-z])", r"\1\2", text)  # "8 cm" is one word
    found = [read(word) for word in words_of(with_units)]
    if len(found) not in (1, 2):
        raise InputError(f'is "{shown(text)}"; give one length, or two: at end A and at end B')
    return found[0], found[-1]


def data_path(strands: int) -> Callable[[str], tuple[StrandEnd, ...]]:
    """Reader of where data enters each strand, in the order that it flows."""
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
    """Reader of strand ends: `A`, `B`, or a list such as `1A 2A`; each strand at most once."""

    def read(text: str) -> tuple[StrandEnd, ...]:
        word = text.strip().upper()
        if word in ("A", "B"):
            end: End = "A" if word == "A" else "B"
            return tuple(StrandEnd(n, end) for n in range(1, strands + 1))
        found = [end_of(name, strands) for name in words_of(word)]
        if not found:
            raise InputError('is empty; write A, B, or strand ends such as "1A 2A 3B"')
        for number in {end.strand for end in found}:
            if sum(end.strand == number for end in found) > 1:
                raise InputError(f"names strand {number} twice; once is all there can be")
        return tuple(found)

    return read


def end_of(text: str, strands: int) -> StrandEnd:
    """A strand end that the prop has."""
    end = parse_end(text.upper())
    if end.strand > strands:
        raise InputError(f'"{end}": the prop has strands 1 to {strands}')
    return end


def feed_place(design: Design) -> Callable[[str], BusPad | StrandEnd]:
    """Reader of where a feed may enter this design."""

    def read(text: str) -> BusPad | StrandEnd:
        name, colon, number = text.strip().partition(":")
        if not colon:
            return end_of(name, len(design.strands))
        bus = next((bus for bus in design.buses if bus.name == name), None)
        if bus is None:
            known = [bus.name for bus in design.buses]
            words = f"there are {', '.join(known)}" if known else "there is none; give a strand end"
            raise InputError(f'"{shown(text)}": no bus is called "{shown(name)}"; {words}')
        pad = next((pad for pad in bus.pads if str(pad.strand) == number), None)
        if pad is None:
            beside = " ".join(str(pad.strand) for pad in bus.pads)
            raise InputError(f'"{shown(text)}": bus {name} has pads beside strands {beside}')
        return pad

    return read


def copper(text: str) -> Conductor:
    """Board copper, `2 oz x 8 mm`, or a wire, `18 AWG`."""
    return parse_board(text) if "oz" in text.lower() else parse_wire(text)


def mohms(text: str, most: float) -> float:
    """A resistance in milliohms, with or without its unit. [mΩ]"""
    return figure("mohm", most, zero=True)(text.replace("Ω", "ohm").replace("ω", "ohm"))


def joint_ohm(text: str) -> float:
    """A healthy joint: `soldered`, `plugs`, or the milliohms of one pin. [Ω]

    >>> joint_ohm("soldered"), joint_ohm("plugs"), joint_ohm("12 mΩ")
    (0.002, 0.01, 0.012)
    """
    word = text.strip().lower()
    if word == SOLDERED:
        return HEALTHY_JOINT_OHM
    figure_of = word.removeprefix("plugs").strip()
    mohm = PLUG_MOHM if word == "plugs" else mohms(figure_of, MAX_JOINT_MOHM)
    if mohm < MIN_JOINT_MOHM:
        raise InputError(
            f'is "{shown(text)}"; write {SOLDERED}, plugs, or the milliohms of one pin, '
            f"{MIN_JOINT_MOHM:g} to {MAX_JOINT_MOHM:g}"
        )
    return mohm * 1e-3


def fuse_mohm(text: str) -> float:
    """A fuse with its holder; 0 for `none`. [mΩ]"""
    return 0.0 if text.strip().lower() == NONE else mohms(text, MOST_FUSE_MOHM)


def rails(text: str) -> tuple[Rail, ...]:
    """Rails that a link joins: `both`, or `return` for the return alone."""
    return RAILS if one_of(("both", "return"))(text) == "both" else ("-",)


def volts(node: NodeKind) -> Callable[[str], float]:
    """Reader of a supply that the nodes stand."""
    return figure("V", node.most_v)


# -- units ----------------------------------------------------------------------------------------


def unit_tags(text: str) -> list[str]:
    """Tags of units: ranges and single ones, parted by spaces or commas; none for `none`.

    >>> unit_tags("WF-08..WF-10 WF-12")
    ['WF-08', 'WF-09', 'WF-10', 'WF-12']
    """
    if text.strip().lower() in (NONE, ""):
        return []
    tags = [check_tag(tag) for word in words_of(text) for tag in _range(word)]
    if len(tags) > MOST_UNITS:
        raise InputError(f"is {len(tags)} units; put at most {MOST_UNITS} on the shelf at once")
    for tag in tags:
        if tags.count(tag) > 1:
            raise InputError(f"names {tag} twice; a tag belongs to one unit")
    return tags


def _range(word: str) -> list[str]:
    first, dots, last = word.partition("..")
    if not dots:
        return [word]
    one, other = _TAIL.match(first), _TAIL.match(last)
    if not (one and other and one[1] == other[1]):
        raise InputError(f'is "{shown(word)}"; write a range with one beginning: WF-01..WF-07')
    low, high = int(one[2]), int(other[2])
    if high < low:
        raise InputError(f'is "{shown(word)}"; write the lower tag first')
    if high - low >= MOST_UNITS:
        raise InputError(f"is {high - low + 1} units; put at most {MOST_UNITS} there at once")
    width = len(one[2])
    return [f"{one[1]}{number:0{width}}" for number in range(low, high + 1)]


def words_of(text: str) -> list[str]:
    """Words parted by spaces or commas."""
    return text.replace(",", " ").split()


def shown(text: str) -> str:
    """What was typed, for a message."""
    return printable(text.strip())
