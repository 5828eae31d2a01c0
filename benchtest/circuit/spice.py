"""SPICE deck of a prop's circuit, for an independent solution.

Wire, copper, joints and supplies are those of `benchtest.circuit.netlist`. Each node is a current
source with the laws of `benchtest.circuit.node_loads`, and each data line that feeds an island one
with those of `benchtest.circuit.backfeed`. The deck contains nothing of our own solution.
"""

from __future__ import annotations

import re
from collections.abc import Iterator, Mapping, Sequence

import numpy as np

from benchtest.circuit.backfeed import (
    DATA_LINE_OHM,
    KNEE_V,
    LEAK_S,
    Backfeed,
    backfeed_paths,
)
from benchtest.circuit.netlist import FloatArray, Netlist, build_netlist
from benchtest.circuit.network import IsolatedSupplies, find_isolated_supplies
from benchtest.circuit.node_loads import CORNER_V
from benchtest.circuit.prediction import strand_end_probes
from benchtest.circuit.reduction import ReducedNetwork, merged_points, reduce_netlist
from benchtest.input_files import strip_control_chars
from benchtest.prop.design import BusPad, Design, FeedName, Probe, StrandEnd
from benchtest.prop.node_kinds import NodeKind

_OPTIONS = ".options reltol=1e-9 abstol=1e-14 vntol=1e-10 gmin=1e-18 itl1=500 itl6=500"
"""Tolerances for comparing microvolts; the defaults of the programs stop at a thousandth."""

_PREFIX = {BusPad: "pad_", StrandEnd: "end_", FeedName: "feed_"}
"""Prefix of the name of a place: SPICE would read a leading digit as a number."""


def spice_deck(
    design: Design,
    duty: FloatArray,
    joint_ohm: Mapping[str, float] | None = None,
    probes: Sequence[Probe] = (),
    short_ohm: Mapping[Probe, float] | None = None,
) -> str:
    """Return a deck that `ngspice -b` solves.

    ngspice prints a line for each probe and each feed in their order: `probe_1 = …` [V] and
    `feed_1 = …` [A].

    Args:
        design: the prop.
        duty: share of full current asked of each channel, 0 to 1, shape (nodes, colours).
        joint_ohm: resistance of joints that are not as designed, `math.inf` for open. [Ω]
        probes: probes to print; every strand end when none is given.
        short_ohm: resistance of shorts between two points, 0 or more. [Ω]

    Raises:
        NameFault: the design has no such joint.
        InputError: a resistance is negative.
        CircuitFault: supplies of different volts are joined by zero resistance.

    Source: syntax of the ngspice manual.
    """
    netlist = build_netlist(design, joint_ohm or {}, short_ohm)
    reduced, paths = reduce_netlist(netlist, backfeed_paths(netlist))
    isolated = find_isolated_supplies(netlist, reduced)
    own_names = _point_names(netlist, isolated)
    names = _shared_names(netlist, own_names)
    lines = [
        f"* {strip_control_chars(design.name)}: {design.node_count} nodes of kind "
        f"{strip_control_chars(design.node.name)}",
        "* Places keep their names: end_4a_p is 4A+, end_4a_n is 4A-, node_4_17_p is 4.17+.",
        *(f"* {own} is {one}" for own, one in zip(own_names, names, strict=True) if own != one),
        _OPTIONS,
        *_laws(design.node),
        *_branches(netlist, names),
        *_node_sources(design, duty, names),
        *_data_lines(paths, names),
        *_adrift(reduced, isolated, netlist.sources, names),
        *_starts(netlist, names),
        *_control(netlist, names, list(probes) or strand_end_probes(design)),
        ".end",
    ]
    return "\n".join(lines) + "\n"


def _point_names(netlist: Netlist, isolated: IsolatedSupplies) -> list[str]:
    """Return a valid SPICE name for each point; the reference of each group of supplies is 0."""
    design = netlist.design
    names = [f"inner_{number}" for number in range(netlist.point_count)]
    for index in range(design.node_count):
        node = design.node_at(index)
        names[index] = f"node_{node.strand}_{node.node}_p"
        names[design.node_count + index] = f"node_{node.strand}_{node.node}_n"
    for place, numbers in netlist.places.items():
        word = re.sub(r"[^a-z0-9]", "_", str(place).lower())
        for number, rail in zip(numbers, "pn", strict=True):
            names[number] = f"{_PREFIX[type(place)]}{word}_{rail}"
    taken: set[str] = {"0"}
    for number, name in enumerate(names):
        # SPICE ignores case, and a feed may have a name that equals the prefixed name of a place
        names[number] = f"{name}_{number}" if name in taken else name
        taken.add(names[number])
    for reference in isolated.reference_sources(netlist.sources):
        names[reference] = "0"
    return names


def _shared_names(netlist: Netlist, names: Sequence[str]) -> list[str]:
    """Return names that are equal for points joined by zero resistance.

    A source of 0 V between them would be correct in theory, but where no current flows ngspice
    loses the volts behind it to rounding.
    """
    chosen: dict[int, str] = {}
    labels = merged_points(netlist).tolist()
    for label, name in zip(labels, names, strict=True):
        if name == "0" or label not in chosen:
            chosen[label] = name
    return [chosen[label] for label in labels]


def _laws(kind: NodeKind) -> Iterator[str]:
    """Yield functions of full current against volts, one a colour, as in `circuit.node_loads`."""
    yield ".func part(x) {max(0,min(1,x))}"
    yield ".func smooth(x) {x*x*(3-2*x)}"
    yield ".func square(x) {x*x}"
    yield f".func corner(x) {{{_corner(CORNER_V)}}}"
    yield ".func fade(x) {x*(2-x)}"
    yield f".func idle(v) {{{kind.quiescent_ma * 1e-3!r}*fade(part(v/{kind.logic_v!r}))}}"
    full_a = repr(kind.channel_ma * 1e-3)
    for colour in kind.colours:
        dark_v = kind.dark_v[colour]
        if kind.family == "resistor":
            share = f"corner(v-{dark_v!r})/{kind.volts - dark_v!r}"
        elif kind.family == "regulated":
            full_v = kind.full_v[colour]
            share = (
                f"smooth(part((v-{dark_v!r})/{full_v - dark_v!r}))*{kind.volts!r}/max(v,{full_v!r})"
            )
        else:
            share = f"smooth(part((v-{dark_v!r})/{kind.full_v[colour] - dark_v!r}))"
        yield f".func {colour}(v) {{{full_a}*{share}}}"


def _corner(half_v: float) -> str:
    """Return an expression that is 0, then a rounded corner at x = 0, then a line of slope 1."""
    return f"square(part((x+{half_v!r})/{2 * half_v!r}))*{half_v!r}+max(0,x-{half_v!r})"


def _branches(netlist: Netlist, names: Sequence[str]) -> Iterator[str]:
    """Yield resistors, and supplies as voltage sources."""
    joint_of = {branch: name for name, branch in netlist.joint.items()}
    held: set[frozenset[str]] = set()
    for branch, ohm in enumerate(netlist.ohm.tolist()):
        tail, head = names[netlist.tail[branch]], names[netlist.head[branch]]
        feed = int(netlist.feed[branch])
        if branch in joint_of:
            name = joint_of[branch]
            what = (
                f"fuse of feed {strip_control_chars(name)}"
                if name in netlist.fuses
                else f"joint {name}"
            )
            yield f"* {what}{' is open' if ohm == np.inf else ''}"
        if branch in netlist.shorts:
            yield f"* short of {ohm!r} ohm from {tail} to {head}"
        if ohm == np.inf and feed < 0:
            continue
        if feed >= 0:
            # two ideal sources in parallel have no solution: the first gives all current
            inner = f"supply_{feed + 1}" if ohm > 0.0 or {tail, head} in held else head
            held.add(frozenset((tail, inner)))
            yield f"* feed {strip_control_chars(netlist.design.feeds[feed].name)}"
            yield f"Vfeed_{feed + 1} {inner} {tail} {netlist.design.feeds[feed].volts!r}"
            tail = inner
        if 0.0 < ohm < np.inf:
            yield f"R{branch} {tail} {head} {ohm!r}"


def _node_sources(design: Design, duty: FloatArray, names: Sequence[str]) -> Iterator[str]:
    for index in range(design.node_count):
        plus, minus = names[index], names[design.node_count + index]
        across = f"v({plus},{minus})"
        terms = [
            f"{share!r}*{colour}({across})"
            for colour, share in zip(design.node.colours, duty[index].tolist(), strict=True)
            if share > 0.0
        ]
        amperes = "+".join([f"idle({across})", *_joined(design, terms)])
        yield f"Bnode_{index} {plus} {minus} i={amperes}"


def _joined(design: Design, terms: list[str]) -> list[str]:
    """Return the terms to add: all channels, or the maximum of colours in series."""
    if design.node.family != "series-colours" or len(terms) < 2:
        return terms
    most = terms[0]
    for term in terms[1:]:
        most = f"max({most},{term})"
    return [most]


def _data_lines(paths: Backfeed, names: Sequence[str]) -> Iterator[str]:
    """Yield the protection diodes that feed islands."""
    if not len(paths.tail):
        return
    yield f".func clamp(x) {{({_corner(KNEE_V)})/{DATA_LINE_OHM!r}+{LEAK_S!r}*x}}"
    for number, (tail, head) in enumerate(
        zip(paths.tail.tolist(), paths.head.tolist(), strict=True)
    ):
        drive_v = f"v({names[tail]},{names[head]})+({float(paths.push_v[number])!r})"
        yield f"Bdata_{number} {names[tail]} {names[head]} i=clamp({drive_v})"


def _adrift(
    reduced: ReducedNetwork,
    isolated: IsolatedSupplies,
    sources: Sequence[int],
    names: Sequence[str],
) -> Iterator[str]:
    """Yield a large resistance from copper adrift to the reference, for a unique solution.

    An isolated supply without a reference of its own gets one as well.
    """
    _, first = np.unique(isolated.component[list(sources)], return_index=True)
    floats = [sources[index] for index in first if names[sources[index]] != "0"]
    for number in [*np.flatnonzero(reduced.adrift).tolist(), *floats]:
        yield f"Radrift_{number} {names[number]} 0 1e12"


def _starts(netlist: Netlist, names: Sequence[str]) -> Iterator[str]:
    """Yield the start of regulated nodes at their supply, which selects the upper solution."""
    if netlist.design.node.family != "regulated":
        return
    start_v = max(feed.volts for feed in netlist.design.feeds)
    lifted = (plus for plus, _ in netlist.places.values())
    for number in [*range(netlist.design.node_count), *lifted]:
        if names[number] != "0":
            yield f".nodeset v({names[number]})={start_v!r}"


def _control(netlist: Netlist, names: Sequence[str], probes: Sequence[Probe]) -> Iterator[str]:
    yield ".control"
    yield "set numdgt=12"
    yield "op"
    for number, probe in enumerate(probes, 1):
        red, black = names[netlist.number(probe.red)], names[netlist.number(probe.black)]
        yield f"* probe_{number} is {probe}"
        yield f"let probe_{number} = {_volts(red)} - {_volts(black)}"
        yield f"print probe_{number}"
    for number, feed in enumerate(netlist.design.feeds, 1):
        yield f"* feed_{number} is the current of {strip_control_chars(feed.name)}"
        yield f"let feed_{number} = -i(vfeed_{number})"
        yield f"print feed_{number}"
    yield ".endc"


def _volts(name: str) -> str:
    return "0" if name == "0" else f"v({name})"
