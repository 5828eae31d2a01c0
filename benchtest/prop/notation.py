"""Notation of places, points, probes and locations of faults: parsers and formatters.

Every value has its notation as `str(value)`; the parsers here read it back.
"""

from __future__ import annotations

import re
from collections.abc import Collection, Iterable
from dataclasses import dataclass

from benchtest.errors import NameFault, did_you_mean
from benchtest.input_files import printable
from benchtest.prop.design import (
    BusPad,
    Design,
    End,
    FeedName,
    Lead,
    NodeName,
    Place,
    Point,
    Probe,
    Rail,
    StrandEnd,
    rail_probe,
)
from benchtest.prop.joints import Joint, find_joint

_END = re.compile(r"^([1-9]\d{0,5})([AB])$", re.ASCII)
_NODE = re.compile(r"^([1-9]\d{0,5})\.([1-9]\d{0,5})$", re.ASCII)
_PAD = re.compile(r"^([^:>]+):([1-9]\d{0,5})$", re.ASCII)


def parse_end(text: str) -> StrandEnd:
    """Read a strand end, such as `4A`, of any prop.

    Raises:
        NameFault: not of that form.
    """
    if not (found := _END.match(text.strip())):
        raise NameFault(
            f'"{printable(text)}" is not a strand end; write a strand number and A or B, such as 4A'
        )
    end: End = "A" if found[2] == "A" else "B"
    return StrandEnd(int(found[1]), end)


def parse_node(text: str, design: Design) -> NodeName:
    """Read a node, such as `4.17`.

    Raises:
        NameFault: not of that form, or the prop has no such node.
    """
    if not (found := _NODE.match(text.strip())):
        raise NameFault(
            f'"{printable(text)}" is not a node; write strand, point, node, such as 4.17'
        )
    node = NodeName(int(found[1]), int(found[2]))
    _check_strand(node.strand, text, design)
    count = design.strand(node.strand).nodes
    if node.node > count:
        raise NameFault(f'"{text}": strand {node.strand} has nodes 1 to {count}')
    return node


def parse_place(text: str, design: Design) -> Place:
    """Read a place with both rails: a strand end, bus pad, node or feed.

    Raises:
        NameFault: the prop has no such place.
    """
    word = text.strip()
    if _END.match(word):
        end = parse_end(word)
        _check_strand(end.strand, word, design)
        return end
    if _NODE.match(word):
        return parse_node(word, design)
    if found := _PAD.match(word):
        return _pad(found[1], int(found[2]), word, design)
    if _has_feed(word, design):
        return FeedName(word)
    known = [str(place) for place in meter_places(design)]
    raise NameFault(
        f'{design.name} has no place "{printable(word)}"; write a strand end (4A), a bus pad '
        f"(foot:4), a node (4.17) or a feed's name{did_you_mean(word, known)}"
    )


def parse_point(text: str, design: Design) -> Point:
    """Read a place on one rail, such as `foot:4+`.

    Raises:
        NameFault: the rail is missing, or the prop has no such place.
    """
    word = text.strip()
    if word[-1:] not in ("+", "-"):
        raise NameFault(
            f'"{printable(word)}" has no rail; add + or -, such as "{printable(word)}+"'
        )
    rail: Rail = "+" if word[-1] == "+" else "-"
    return Point(parse_place(word[:-1], design), rail)


def parse_probe(text: str, design: Design) -> Probe:
    """Read a probe: `4A` for a rail voltage, or `red>black` between two points.

    Raises:
        NameFault: the prop has no such point, or both leads are on the same one.
    """
    red, arrow, black = text.partition(">")
    if not arrow:
        word = text.strip()
        if word[-1:] in ("+", "-"):
            point = printable(word)
            raise NameFault(
                f'"{point}" is one point; write "{printable(word[:-1])}" for the volts between its '
                f'rails, or "{point}>…" for the drop to another point'
            )
        return rail_probe(parse_place(word, design))
    probe = Probe(parse_point(red, design), parse_point(black, design))
    if probe.red == probe.black:
        raise NameFault(
            f'"{printable(text)}": both leads are on {probe.red}; name two different points'
        )
    return probe


def meter_places(design: Design) -> list[Place]:
    """Return every place that a meter reaches, except nodes: feeds, pads and strand ends."""
    found: list[Place] = [FeedName(feed.name) for feed in design.feeds]
    found.extend(pad for bus in design.buses for pad in bus.pads)
    for strand in design.strands:
        found.extend((StrandEnd(strand.number, "A"), StrandEnd(strand.number, "B")))
    return found


# -- locations of faults and repairs --------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class StrandNumbers:
    """One strand, or two in each other's place on the data line, written `4` or `4 5`."""

    numbers: tuple[int, ...]

    def __str__(self) -> str:
        return " ".join(map(str, self.numbers))


COLOUR_ORDER = "colour_order"
"""Location of a wrong colour order of the whole prop: the key of the prop file."""


@dataclass(frozen=True, slots=True)
class ColourOrderSetting:
    """The colour order of the prop file, which every node shares."""

    def __str__(self) -> str:
        return COLOUR_ORDER


CONTROLLER = "controller"
"""First word of the location of a controller's setting, such as `controller slots=512`."""


@dataclass(frozen=True, slots=True)
class ControllerSetting:
    """A setting of the controller that may disagree with the prop file."""

    setting: str

    def __str__(self) -> str:
        return f"{CONTROLLER} {self.setting}"


Location = Joint | NodeName | StrandNumbers | FeedName | ColourOrderSetting | ControllerSetting
"""A location of a fault or repair; a feed's name is its fuse, or a short of the copper it feeds."""

_SETTING = re.compile(r"[a-z]{1,12}=[a-z0-9-]{1,12}(?:,[a-z]{1,12}=[a-z0-9-]{1,12}){0,3}", re.ASCII)
_WIRES = {"+": "+ wire", "-": "- wire", "d": "data wire"}


def parse_location(text: str, design: Design) -> Location:
    """Read the location of a fault or repair.

    Args:
        text: a joint (`4A+`), a node (`4.17`), a strand (`4`), two strands (`4 5`), the name of a
            feed, `colour_order`, or a setting (`controller slots=512,packed=true`).
        design: the prop.

    Raises:
        NameFault: the prop has no such location.
    """
    words = text.split()
    if words == [COLOUR_ORDER]:
        return ColourOrderSetting()
    if len(words) == 2 and words[0] == CONTROLLER and _SETTING.fullmatch(words[1]):
        return ControllerSetting(words[1])
    if words and all(word.isascii() and word.isdigit() and len(word) < 7 for word in words):
        for word in words:
            _check_strand(int(word), word, design)
        return StrandNumbers(tuple(map(int, words)))
    name = text.strip()
    if _has_feed(name, design):
        return FeedName(name)
    return parse_node(name, design) if "." in name else find_joint(name, design)


def location_strands(location: Location) -> tuple[int, ...]:
    """Return the strands that a location is at; none for a feed, its joints and the setting."""
    match location:
        case Joint():
            return location.strands
        case NodeName():
            return (location.strand,)
        case StrandNumbers():
            return location.numbers
        case FeedName() | ColourOrderSetting() | ControllerSetting():
            return ()


def location_strand(location: Location) -> int | None:
    """Return the strand of a location, the first of a joint between two.

    None for two strands in each other's place, a feed, its joints and the setting.
    """
    strands = location_strands(location)
    if isinstance(location, StrandNumbers) and len(strands) > 1:
        return None
    return strands[0] if strands else None


def name_locations(locations: Iterable[Location]) -> list[str]:
    """Return locations with their kinds in words; both rails of one strand end are one joint.

    >>> pair = [StrandNumbers((2, 3)), NodeName(4, 17), FeedName("main")]
    >>> name_locations(pair)
    ['strands 2 and 3', 'node 4.17', 'main']
    """
    found: dict[object, str] = {}
    for location in locations:
        match location:
            case Joint(is_power=True, ends=(end,)):
                found[end] = f"joint {end}" if end in found else f"joint {location}"
            case Joint():
                found[location] = f"joint {location}"
            case NodeName():
                found[location] = f"node {location}"
            case StrandNumbers():
                found[location] = _strands_in_words(location)
            case FeedName() | ColourOrderSetting() | ControllerSetting():
                found[location] = str(location)
    return list(found.values())


def location_feed(location: Location) -> str | None:
    """Return the feed of a location that is a feed or one of its joints; else None."""
    match location:
        case FeedName():
            return location.feed
        case Joint():
            near = location.near
            if near is not None and isinstance(near.place, FeedName):
                return near.place.feed
    return None


def location_ends(location: Location) -> tuple[StrandEnd, ...]:
    """Return the strand ends that a location is at: those of a joint, both of each strand."""
    match location:
        case Joint():
            return location.ends
        case StrandNumbers():
            ends = [StrandEnd(number, "A") for number in location.numbers]
            return tuple(each for end in ends for each in (end, end.other))
        case NodeName() | FeedName() | ColourOrderSetting() | ControllerSetting():
            return ()


def describe_location(location: Location, design: Design) -> str:
    """Return a location with its place on the prop in words.

    Returns:
        Such as `4A+ (strand 4's + wire at the foot board)`.
    """
    match location:
        case Joint():
            place = _joint_place(location, design)
        case NodeName():
            place = f"node {location.node} of strand {location.strand}, counted from end A"
        case StrandNumbers():
            place = _strands_in_words(location)
        case FeedName():
            feed = next(feed for feed in design.feeds if feed.name == location.feed)
            place = f"feed at {_at(feed.at, design)}"
        case ColourOrderSetting():
            place = "a setting in the prop file"
        case ControllerSetting():
            place = "its setting, where the prop file has another"
    return f"{location} ({place})"


def describe_point(point: Point) -> str:
    """Return a point in words: `foot 4 +` for a pad, `wire 4A +` for the wire soldered to it.

    >>> describe_point(Point(BusPad("foot", 4), "+")), describe_point(Point(NodeName(4, 17), "-"))
    ('foot 4 +', 'node 4.17 -')
    """
    match point.place:
        case BusPad(bus, strand):
            return f"{bus} {strand} {point.rail}"
        case StrandEnd():
            return f"wire {point.place} {point.rail}"
        case NodeName():
            return f"node {point.place} {point.rail}"
        case FeedName(feed):
            return f"feed {feed} {point.rail}"


def describe_leads(probe: Probe, before: Probe | None = None, left: Collection[Lead] = ()) -> str:
    """Return where the two leads go, in a sentence or two.

    Args:
        probe: where they go.
        before: where they are; None if that is not known.
        left: leads that stay there for the next readings, while the other one moves.

    >>> crown = [Point(BusPad("crown", strand), "+") for strand in (1, 3, 11)]
    >>> describe_leads(Probe(crown[1], crown[2]))
    'Red on crown 3 +, black on crown 11 +'
    >>> describe_leads(Probe(crown[1], crown[0]), Probe(crown[2], crown[0]))
    'Red on crown 3 +. Black stays on crown 1 +'
    >>> describe_leads(Probe(crown[1], crown[0]), left={"black"})
    'Clip black to crown 1 + and leave it there. Red on crown 3 +'
    """
    red, black = describe_point(probe.red), describe_point(probe.black)
    if before is not None and before.red == probe.red and before.black == probe.black:
        return f"Both leads stay: red on {red}, black on {black}"
    if before is not None and before.black == probe.black:
        return f"Red on {red}. Black stays on {black}"
    if before is not None and before.red == probe.red:
        return f"Black on {black}. Red stays on {red}"
    if "black" in left:
        return f"Clip black to {black} and leave it there. Red on {red}"
    if "red" in left:
        return f"Clip red to {red} and leave it there. Black on {black}"
    return f"Red on {red}, black on {black}"


def name_probe(probe: Probe) -> str:
    """Return a probe in few characters, for a table.

    >>> from benchtest.prop.design import rail_probe
    >>> name_probe(rail_probe(BusPad("foot", 4)))
    'foot 4'
    >>> crown = [Point(BusPad("crown", strand), "+") for strand in (3, 11)]
    >>> name_probe(Probe(*crown)), name_probe(Probe(crown[0], Point(StrandEnd(3, "B"), "+")))
    ('crown 3+ > 11+', 'crown 3+ > 3B+')
    """
    red, black = (str(point).replace(":", " ") for point in (probe.red, probe.black))
    if probe.is_rail:
        return red[:-1]
    places = probe.red.place, probe.black.place
    if all(isinstance(place, BusPad) for place in places):
        bus, _, rest = black.partition(" ")
        if red.startswith(f"{bus} "):
            black = rest
    return f"{red} > {black}"


def _strands_in_words(strands: StrandNumbers) -> str:
    plural = "" if len(strands.numbers) == 1 else "s"
    return f"strand{plural} {' and '.join(map(str, strands.numbers))}"


def _joint_place(joint: Joint, design: Design) -> str:
    for feed in design.feeds:
        if location_feed(joint) == feed.name:
            return f"feed {feed.name}'s {joint.conductor} cable at {_at(feed.at, design)}"
    wire = _WIRES[joint.conductor]
    if len(joint.ends) == 2:
        one, other = joint.ends
        return f"{wire} between strands {one.strand} and {other.strand}, ends {one} and {other}"
    (end,) = joint.ends
    return f"strand {end.strand}'s {wire} at {_at(end, design)}"


def _at(place: BusPad | StrandEnd, design: Design) -> str:
    if isinstance(place, BusPad):
        return f"pad {place}"
    bus = design.bus_of(place)
    if bus is None:
        return f"end {place}"
    return f"the {bus.name} {'board' if bus.copper.board else 'bus'}"


# -- parts ----------------------------------------------------------------------------------------


def _has_feed(name: str, design: Design) -> bool:
    return any(feed.name == name for feed in design.feeds)


def _pad(bus_name: str, strand: int, word: str, design: Design) -> BusPad:
    for bus in design.buses:
        if bus.name == bus_name:
            if any(end.strand == strand for end in bus.ends):
                return BusPad(bus_name, strand)
            raise NameFault(f'"{printable(word)}": bus {bus_name} has no pad at strand {strand}')
    known = [bus.name for bus in design.buses]
    others = f"; buses are {', '.join(known)}" if known else "; the prop has no bus"
    raise NameFault(
        f'"{printable(word)}": no bus is called "{printable(bus_name)}"'
        f"{did_you_mean(bus_name, known) or others}"
    )


def _check_strand(strand: int, word: str, design: Design) -> None:
    if not 1 <= strand <= len(design.strands):
        raise NameFault(f'"{word}": the prop has strands 1 to {len(design.strands)}')
