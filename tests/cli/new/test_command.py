"""`benchtest new` by options alone: every file that it writes reads back as the same design."""

from __future__ import annotations

import json
import tempfile
from collections.abc import Callable
from itertools import cycle
from pathlib import Path
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from benchtest.cli.atomic_write import write_atomic
from benchtest.cli.main import main
from benchtest.errors import InputError
from benchtest.prop.conductors import Conductor, parse_board, parse_wire
from benchtest.prop.design import (
    HEALTHY_JOINT_OHM,
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
from benchtest.prop.node_kinds import catalogue, with_figures
from benchtest.prop.reader import read_design
from benchtest.records.models import Unit
from benchtest.records.shelf import Shelf
from benchtest.session.session import shelf_rows

Run = Callable[..., Any]

joints = st.sampled_from([HEALTHY_JOINT_OHM, 10.0 * 1e-3, 12.5 * 1e-3, 0.1 * 1e-3, 25.0 * 1e-3])
figures = st.decimals(0, 5000, places=2).filter(lambda d: d > 0).map(float)
wires = st.sampled_from(["22 AWG", "18 AWG CCA", "0.75 mm2"]).map(parse_wire)
boards = st.sampled_from(["2 oz × 8 mm", "1 oz × 12.5 mm", "0.5 oz × 3 mm"]).map(parse_board)
copper: st.SearchStrategy[Conductor] = wires | boards


@st.composite
def designs(draw: st.DrawFn) -> Design:
    """Draw a design that options can describe: buses at any ends, links, and a feed per strand."""
    count = draw(st.integers(1, 6))
    kind = draw(st.sampled_from(sorted(catalogue().values(), key=lambda kind: kind.name)))
    if draw(st.booleans()):
        order = "".join(draw(st.permutations(kind.colour_order)))
        kind = kind if order == kind.colour_order else with_figures(kind, colour_order=order)
    run = draw(st.tuples(figures, st.tuples(st.just(0.0) | figures, figures), wires))
    strands = tuple(Strand(n, draw(st.integers(1, 60)), *run) for n in range(1, count + 1))
    path = tuple(
        StrandEnd(n, draw(st.sampled_from("AB")))
        for n in draw(st.permutations(range(1, count + 1)))
    )
    buses = tuple(_bus(draw, name, end, count) for name, end in (("foot", "A"), ("crown-2", "B")))
    links = () if count == 1 else (_link(draw, strands),)
    feeds = tuple(_feed(draw, n, kind.volts) for n in range(1, count + 1))
    output = Output(draw(st.integers(1, 60000)), draw(st.integers(1, 512)))
    some = draw(st.sampled_from([(), buses, buses[:1]]))
    return Design("Tide arch", kind, strands, path, some, links, feeds, (output,))


def _bus(draw: st.DrawFn, name: str, end: str, count: int) -> Bus:
    which: End = "A" if end == "A" else "B"
    numbers = draw(st.permutations(range(1, count + 1)))[: draw(st.integers(1, count))]
    ends = tuple(StrandEnd(n, which) for n in numbers)
    return Bus(name, ends, draw(copper), draw(figures), draw(st.booleans()), draw(joints))


def _link(draw: st.DrawFn, strands: tuple[Strand, ...]) -> Link:
    wire = draw(st.none() | wires)
    length_mm = draw(st.just(0.0) | figures)
    rails: tuple[Rail, ...] = draw(st.sampled_from([RAILS, ("-",)]))
    ends = StrandEnd(1, "B"), StrandEnd(2, "A")
    return Link(*ends, length_mm, wire or strands[0].wire, rails, draw(joints))


def _feed(draw: st.DrawFn, number: int, volts: float) -> Feed:
    amps = st.none() | st.sampled_from([0.5, 7.5, 30.0])
    at = StrandEnd(number, draw(st.sampled_from("AB")))
    cable = draw(wires), draw(figures), draw(amps)
    fuse_mohm = draw(st.sampled_from([0.0, 6.5, 120.0]))
    return Feed(f"feed_{number}", at, volts, *cable, fuse_mohm, draw(amps), draw(joints))


def _plugs(ohm: float) -> str:
    return "" if ohm == HEALTHY_JOINT_OHM else f", plugs {ohm * 1e3:.9g} mΩ"


def _options(design: Design) -> list[str]:
    """Return the options that describe a design."""
    strand = design.strands[0]
    words = ["--name", design.name, "--kind", design.node.name]
    words += ["--colour-order", design.node.colour_order, "--strands", str(len(design.strands))]
    words += ["--nodes", " ".join(str(s.nodes) for s in design.strands)]
    words += ["--pitch-mm", str(strand.pitch_mm), "--wire", strand.wire.text]
    words += ["--lead-mm", f"{strand.lead_mm[0]} mm, {strand.lead_mm[1] / 10:.9g} cm"]
    words += ["--data", " ".join(map(str, design.data_path))]
    for bus in design.buses:
        ring = ", ring" if bus.ring else ""
        ends = " ".join(map(str, bus.ends))
        words += ["--bus", f"{bus.name}, {ends}, {bus.copper.text}, {bus.spacing_mm}{ring}"]
        words[-1] += _plugs(bus.joint_ohm)
    for link in design.links:
        lone = "" if link.rails == RAILS else ", return only"
        words += ["--link", f"{link.name}, {link.length_mm} mm, {link.wire.text}{lone}"]
        words[-1] += _plugs(link.joint_ohm)
    for feed in design.feeds:
        parts = [feed.name, str(feed.at), feed.wire.text, f"{feed.length_mm} mm"]
        parts += [f"fuse {feed.fuse_a} A"] if feed.fuse_a else []
        parts += [f"supply {feed.supply_a}"] if feed.supply_a else []
        parts += [f"holder {feed.fuse_mohm} mohm"] if feed.fuse_mohm else []
        words += ["--feed", ", ".join(parts) + _plugs(feed.joint_ohm)]
    return [*words, "--universe", str(design.outputs[0].universe)]


@settings(max_examples=30, deadline=None)
@given(designs())
def test_a_file_reads_back_as_the_design_asked_for(design: Design) -> None:
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "prop.toml"
        channel = ["--channel", str(design.outputs[0].channel)]
        assert main(["new", str(path), *_options(design), *channel]) == 0
        assert read_design(path) == design


JOINS = ("both", "A", "links", "none")


@pytest.mark.parametrize(
    ("kind", "joins"),
    [*zip(sorted(catalogue()), cycle(JOINS), strict=False), ("buck-12v", "links")],
)
def test_check_accepts_the_default_answers(tmp_path: Path, kind: str, joins: str) -> None:
    path = tmp_path / "prop.toml"
    assert main(["new", str(path), "--yes", "--kind", kind, "--joins", joins]) == 0
    assert main(["check", str(path), "--json"]) == 0


@pytest.mark.parametrize("joins", ["both", "links"])
def test_the_default_fuse_and_cable_carry_full_white(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], joins: str
) -> None:
    """`check` warns of any fuse, wire or bus that carries more than its continuous rating."""
    path = str(tmp_path / "prop.toml")
    assert main(["new", path, "--yes", "--joins", joins]) == 0
    capsys.readouterr()
    assert main(["check", path, "--json"]) == 0
    found = json.loads(capsys.readouterr().out)
    assert all(feed["fuse_a"] is not None for feed in found["feeds"])
    assert found["warnings"] == []
    assert all(limit["level"] == 1.0 for limit in found["limits"])


def test_the_file_is_named_in_the_answer(run: Run, tmp_path: Path) -> None:
    done = run("new", "willow-fan.toml", "--yes", "--units", "WF-01..WF-03", "--json")
    units = ["WF-01", "WF-02", "WF-03"]
    assert done.json == {"file": "willow-fan.toml", "prop": "Willow fan", "units": units}
    assert (tmp_path / "willow-fan.toml").is_file()


WRONG = [
    (["--kind", "ws2811-5"], ["--kind", 'did you mean "ws2811-5v"']),
    (["--nodes", "30 30"], ["--nodes", "has 2 numbers"]),
    (["--pitch-mm", "nan"], ["--pitch-mm", "above 0"]),
    (["--pitch-mm", "3 miles"], ["--pitch-mm", "mm, cm, m, in, ft"]),
    (["--lead-mm", "62,5"], ["--lead-mm", '"62.5" for one length, "62 5" for two']),
    (["--lead-mm", "1 2 3"], ["--lead-mm", "at end A and at end B"]),
    (["--data", "1A 1B"], ["--data", "names strand 1 twice"]),
    (["--bus", "foot, A"], ["--bus", "2 oz x 8 mm"]),
    (["--bus", "4A, A, 18 AWG, 40"], ["--bus", "write a letter"]),
    (["--bus", "foot, A, 99 oz x 8 mm, 40"], ["--bus", "20 oz"]),
    (["--bus", "foot, A, 18 AWG, 40, round"], ["--bus", '"ring"']),
    (["--bus", "foot, 1A 99A, 18 AWG, 40"], ["--bus", "strands 1 to 12"]),
    (["--link", "1B-2B, 50"], ["--link", "1B~2B"]),
    (["--feed", "main, foot:1, 5 V, 1000 mm"], ["--feed", "lacks its cable"]),
    (["--feed", "main, foot:1, 14 AWG, 5 V"], ["--feed", "lacks its length"]),
    (["--feed", "main, foot:1, 12 V, 14 AWG, 1 m"], ["--feed", "5.5, in V"]),
    (["--feed", "main, foot:44, 14 AWG, 1 m"], ["--feed", "has pads only at strands"]),
    (["--feed", "main, 1A, 14 AWG, 1 m, fuse 5 A, fuse 6 A"], ["--feed", "given twice"]),
    (["--bus", "foot, 1A, 18 AWG, 40", "--feed", "main, 1A, 14 AWG, 1 m"], ["strand 2", "no path"]),
    (["--universe", "0"], ["--universe", "1 to 63999"]),
    (["--units", "WF-01..GW-07"], ["--units", "the same prefix"]),
    (["--units", "WF-07..WF-01"], ["--units", "lower tag first"]),
    (["--units", "WF-1..WF-99999"], ["--units", "at most 1000"]),
    (["--units", "W/F"], ["--units", "such as WF-03"]),
]


@pytest.mark.parametrize(("options", "words"), WRONG, ids=lambda value: " ".join(value))
def test_a_wrong_option_is_named_and_writes_nothing(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], options: list[str], words: list[str]
) -> None:
    assert main(["new", str(tmp_path / "prop.toml"), "--yes", *options]) == 2
    said = capsys.readouterr()
    assert said.out == ""
    for word in words:
        assert word in said.err
    assert list(tmp_path.iterdir()) == []


def test_an_existing_file_is_kept(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    path = tmp_path / "fan.toml"
    path.write_text("mine", encoding="utf-8")
    assert main(["new", str(path), "--yes"]) == 2
    assert "add --replace to overwrite it" in capsys.readouterr().err
    assert path.read_text("utf-8") == "mine"
    assert main(["new", str(path), "--yes", "--replace"]) == 0
    assert read_design(path).name == "Fan"


def test_a_file_created_meanwhile_is_kept(tmp_path: Path) -> None:
    path = tmp_path / "fan.toml"
    path.write_text("from another program", encoding="utf-8")
    with pytest.raises(InputError, match="exists already; add --replace to overwrite it"):
        write_atomic(path, b"mine", replace=False)
    assert path.read_text("utf-8") == "from another program"
    assert list(tmp_path.iterdir()) == [path]


def test_a_new_file_has_default_permissions(tmp_path: Path) -> None:
    (tmp_path / "by-hand.toml").touch()
    assert main(["new", str(tmp_path / "fan.toml"), "--yes"]) == 0
    modes = [(tmp_path / name).stat().st_mode for name in ("by-hand.toml", "fan.toml")]
    assert modes[0] == modes[1]


@pytest.mark.parametrize(("place", "words"), [("", "is a folder"), ("no/f", "does not exist")])
def test_a_folder_or_a_missing_folder_is_reported(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], place: str, words: str
) -> None:
    assert main(["new", str(tmp_path / place), "--yes"]) == 2
    assert words in capsys.readouterr().err


def test_the_end_of_standard_input_is_reported(run: Run, tmp_path: Path) -> None:
    done = run("new", "fan.toml", "--strands", "4")
    assert done.code == 2
    assert "give --name, or --yes" in done.err
    assert list(tmp_path.iterdir()) == []


def test_answers_may_come_from_a_pipe(run: Run, tmp_path: Path) -> None:
    done = run("new", "fan.toml", "--json", stdin="Tide arch\nws2811-12v\n" + "\n" * 40)
    assert done.json["prop"] == "Tide arch"  # questions are not on standard output
    assert read_design(tmp_path / "fan.toml").node.name == "ws2811-12v"


def test_new_units_are_on_the_shelf_untested(tmp_path: Path) -> None:
    words = ["--bench", str(tmp_path / "bench"), "--yes", "--units"]
    assert main(["new", str(tmp_path / "willow-fan.toml"), *words, "WF-09..WF-11, WF-20"]) == 0
    with Shelf(tmp_path / "bench") as shelf:
        assert shelf.units() == [
            Unit(tag, "Willow fan", "bare") for tag in ("WF-09", "WF-10", "WF-11", "WF-20")
        ]
        assert [waits for _, _, waits in shelf_rows(shelf)] == [["a test"]] * 4
        text = (tmp_path / "willow-fan.toml").read_text("utf-8")
        assert shelf.design_text("WF-10") == text


def test_a_tag_of_another_design_keeps_all_units_off_the_shelf(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    bench = ["--bench", str(tmp_path / "bench"), "--yes", "--units"]
    assert main(["new", str(tmp_path / "willow-fan.toml"), *bench, "WF-03"]) == 0
    assert main(["new", str(tmp_path / "tide-arch.toml"), *bench, "WF-01..WF-07"]) == 2
    said = capsys.readouterr().err
    assert "was written, but its units are not on the shelf" in said
    assert "unit WF-03: is a Willow fan, not a Tide arch" in said
    with Shelf(tmp_path / "bench") as shelf:
        assert [unit.tag for unit in shelf.units()] == ["WF-03"]


def test_a_feed_may_be_at_a_pad() -> None:
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "prop.toml"
        feed = ["--feed", "main, foot:2, 5 V, 14 AWG, 1 m"]
        assert main(["new", str(path), "--yes", "--strands", "3", *feed]) == 0
        assert read_design(path).feeds[0].at == BusPad("foot", 2)
