"""Prop files that the tool writes: every design is read back unchanged."""

from __future__ import annotations

import tomllib
from dataclasses import replace
from importlib.resources import files
from pathlib import Path
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from benchtest.prop.conductors import Conductor, board_copper, parse_board, parse_wire
from benchtest.prop.design import (
    RAILS,
    Bus,
    BusPad,
    Design,
    End,
    Feed,
    Link,
    Output,
    Rail,
    Strand,
    StrandEnd,
)
from benchtest.prop.enough import parse_enough
from benchtest.prop.joints import data_hops
from benchtest.prop.node_kinds import NodeKind, catalogue, with_figures
from benchtest.prop.reader import parse_design, read_design
from benchtest.prop.validation import find_design_faults
from benchtest.prop.writer import write_design

DEMOS = ["willow-fan", "tide-arch", "gull-wing"]

lengths_mm = st.floats(0.001, 1e6)
some_amps = st.none() | st.floats(0.01, 1000.0)
joints_ohm = st.sampled_from([m * 1e-3 for m in (2.0, 5.0, 7.1, 20.0)])
names = st.text(st.characters(categories=["L", "N", "P", "S"]), min_size=1, max_size=80)
wires = st.one_of(
    st.integers(4, 40).map(lambda gauge: parse_wire(f"{gauge} AWG")),
    st.sampled_from(["0.5 mm2", "22 AWG CCA", "1.25 mm²", "2.5mm2 cca"]).map(parse_wire),
)
boards = st.builds(board_copper, st.floats(0.001, 20.0), st.floats(0.001, 1000.0))
copper: st.SearchStrategy[Conductor] = wires | boards


@st.composite
def node_kinds(draw: st.DrawFn) -> NodeKind:
    kind = draw(st.sampled_from(sorted(catalogue().values(), key=lambda kind: kind.name)))
    own: dict[str, Any] = {}
    if draw(st.booleans()):
        own["colour_order"] = "".join(draw(st.permutations(kind.colour_order)))
    if draw(st.booleans()):
        own["channel_ma"] = draw(st.floats(0.1, 100.0))
        own |= {"data_khz": draw(st.sampled_from([400.0, 800.0])), "one_ns": 1200.0}
    if draw(st.booleans()):
        own["dark_v"] = {colour: volts / 2 for colour, volts in kind.dark_v.items()}
        own["backup_data"] = not kind.backup_data
    return with_figures(kind, **own) if own else kind


@st.composite
def strand_rows(draw: st.DrawFn) -> tuple[Strand, ...]:
    """Up to eight strands, with neighbours that are often equal."""
    found: list[Strand] = []
    for _ in range(draw(st.integers(1, 4))):
        alike = draw(
            st.tuples(
                st.integers(1, 50),
                lengths_mm,
                st.tuples(st.just(0.0) | lengths_mm, lengths_mm),
                wires,
            )
        )
        for _ in range(draw(st.integers(1, 2))):
            found.append(Strand(len(found) + 1, *alike))
    return tuple(found)


@st.composite
def designs(draw: st.DrawFn) -> Design:
    """A bus at either end or both, links that follow the data or do not, and a feed for each
    strand that nothing else feeds."""
    strands = draw(strand_rows())
    numbers = [strand.number for strand in strands]
    entries = [StrandEnd(n, draw(st.sampled_from(["A", "B"]))) for n in numbers]
    path = draw(
        st.sampled_from(
            [
                [StrandEnd(n, "A") for n in numbers],
                [StrandEnd(n, "A" if n % 2 else "B") for n in numbers],
                draw(st.permutations(entries)),
            ]
        )
    )
    ends: list[End] = draw(st.lists(st.sampled_from(["A", "B"]), unique=True, max_size=2))
    buses = []
    for name, end in zip(["foot", "crown-2"], ends, strict=False):
        some = draw(st.permutations(numbers)) if draw(st.booleans()) else numbers
        joined = tuple(StrandEnd(n, end) for n in some[: draw(st.integers(1, len(some)))])
        spacing_mm, ring = draw(lengths_mm), draw(st.booleans())
        buses.append(Bus(name, joined, draw(copper), spacing_mm, ring, draw(joints_ohm)))
    bare = Design(draw(names), draw(node_kinds()), strands, tuple(path), tuple(buses))
    links = _links(draw, bare)
    feeds = _feeds(draw, bare, numbers)
    output = Output(draw(st.integers(1, 60000)), draw(st.integers(1, 512)))
    kept = (bare.name, bare.node, strands, bare.data_path, bare.buses)
    enough = draw(st.sampled_from(["95%", "97.5%", "99%", "100mOhm", "62.5mOhm"]))
    return Design(*kept, tuple(links), tuple(feeds), (output,), parse_enough(enough))


def _links(draw: st.DrawFn, design: Design) -> list[Link]:
    length_mm, joint_ohm = draw(st.just(0.0) | lengths_mm), draw(joints_ohm)
    wire = draw(st.none() | wires)
    rails: tuple[Rail, ...] = draw(st.sampled_from([RAILS, RAILS[1:]]))
    every = [
        Link(one, other, length_mm, wire or design.strand(one.strand).wire, rails, joint_ohm)
        for one, other in data_hops(design)
    ]
    return draw(st.sampled_from([[], every, every[:1]]))


def _feeds(draw: st.DrawFn, design: Design, numbers: list[int]) -> list[Feed]:
    found = []
    for number in numbers:
        bus = design.bus_of(StrandEnd(number, "A"))
        at = BusPad(bus.name, number) if bus and draw(st.booleans()) else StrandEnd(number, "B")
        volts = draw(st.floats(1.0, design.node.most_v))
        found.append(
            Feed(
                f"feed_{number}",
                at,
                volts,
                draw(wires),
                draw(lengths_mm),
                draw(some_amps),
                draw(st.sampled_from([0.0, 7.5])),
                draw(some_amps),
                draw(joints_ohm),
                draw(st.sampled_from([0.0, 12.5])),
            )
        )
    return found


@settings(max_examples=60, deadline=None)
@given(designs())
def test_a_written_file_reads_back_as_the_design(design: Design) -> None:
    assert not find_design_faults(design)  # otherwise the reader would reject it rightly
    text = write_design(design)
    assert parse_design(text, "written.toml") == design
    assert write_design(parse_design(text, "written.toml")) == text


@pytest.mark.parametrize("name", DEMOS)
def test_the_demo_designs_are_written_as_people_wrote_them(name: str) -> None:
    """The tables of a file made by hand, by the standard library's own TOML reader."""
    path = Path(str(files("benchtest.virtual").joinpath(f"{name}.toml")))
    by_hand = tomllib.loads(path.read_text(encoding="utf-8"))
    written = tomllib.loads(write_design(read_design(path)))
    for bus in by_hand.get("bus", []):
        bus.setdefault("ring", False)
    by_hand["output"] = {"universe": 1, "channel": 1} | by_hand.get("output", {})
    assert written == by_hand


def test_each_comment_is_written_once() -> None:
    path = Path(str(files("benchtest.virtual").joinpath("gull-wing.toml")))
    text = write_design(read_design(path))
    comments = [line for line in text.splitlines() if line.startswith("#")]
    assert len(comments) == len(set(comments))


def test_absent_keys_are_written_as_usable_comments() -> None:
    path = Path(str(files("benchtest.virtual").joinpath("tide-arch.toml")))
    arch = read_design(path)
    text = write_design(replace(arch, feeds=(replace(arch.feeds[0], supply_a=None),)))
    for key in ("colour_order", "channel_ma", "supply_a"):
        assert f"\n# {key} = " in text
        text = text.replace(f"# {key} = ", f"{key} = ")
    used = parse_design(text, "tide.toml")
    assert used.feeds[0].supply_a == 10.0
    for key in ("colour_order", "channel_ma"):
        assert used.node.sources[key] == "the prop file"
        assert getattr(used.node, key) == getattr(arch.node, key)


@given(st.floats(0.001, 20.0), st.floats(0.001, 1000.0))
def test_board_copper_is_read_back_from_its_text(weight_oz: float, width_mm: float) -> None:
    board = board_copper(weight_oz, width_mm)
    assert parse_board(board.text) == board
