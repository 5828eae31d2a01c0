"""Prop files: valid ones are read, and all faults of an invalid one are reported at once."""

from __future__ import annotations

import contextlib
import math
from importlib.resources import files
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from benchtest.errors import FileFaults, InputError
from benchtest.prop.design import Design, StrandEnd
from benchtest.prop.joints import data_joints, power_joints
from benchtest.prop.node_kinds import catalogue
from benchtest.prop.reader import parse_design, read_design

FAN = """
format = 1
name = "Willow fan"

[node]
kind = "ws2811-5v"
colour_order = "RGB"

[[strand]]
count = 12
nodes = 30
pitch_mm = 30.0
lead_mm = [60.0, 60.0]
wire = "22 AWG"

[data]
path = "zigzag"

[[bus]]
name = "foot"
joins = "A"
copper = { weight_oz = 2.0, width_mm = 8.0 }
spacing_mm = 40.0
ring = false

[[bus]]
name = "crown"
joins = "B"
wire = "18 AWG"
spacing_mm = 40.0

[[feed]]
name = "main"
at = "foot:1"
volts = 5.0
wire = "16 AWG"
length_mm = 1500.0
fuse_a = 7.5
supply_a = 20.0

[output]
universe = 1
channel = 1
"""


def _faults(text: str) -> list[str]:
    with pytest.raises(FileFaults) as caught:
        parse_design(text, "fan.toml")
    return list(caught.value.faults)


def test_a_whole_file_is_read() -> None:
    fan = parse_design(FAN, "fan.toml")
    assert fan.name == "Willow fan"
    assert fan.node_count == 360
    assert [str(end) for end in fan.data_path[:3]] == ["1A", "2B", "3A"]
    assert [bus.name for bus in fan.buses] == ["foot", "crown"]
    assert fan.buses[0].copper.board
    assert not fan.buses[1].copper.board
    assert fan.feeds[0].fuse_a == 7.5
    assert fan.strand(12).lead_mm == (60.0, 60.0)


@pytest.mark.parametrize("name", ["willow-fan", "tide-arch", "gull-wing"])
def test_the_demo_designs_have_no_faults(name: str) -> None:
    path = Path(str(files("benchtest.virtual").joinpath(f"{name}.toml")))
    assert read_design(path).feeds


# old text in the file above, new text, words of the fault
WRONG = {
    "format": ('format = 1', 'format = 2', "format: this version reads format = 1"),
    "unknown key": ('name = "Willow fan"', 'nam = "Willow fan"', 'did you mean "name"'),
    "kind": ('"ws2811-5v"', '"ws2811-5w"', 'did you mean "ws2811-5v"'),
    "order": ('"RGB"', '"RGX"', "node.colour_order"),
    "count": ("count = 12", "count = 0", "strand[1].count: is 0"),
    "nodes": ("nodes = 30", "nodes = -3", "strand[1].nodes: is -3; give a whole number from 1"),
    "half a node": ("nodes = 30", "nodes = 30.5", "strand[1].nodes: is 30.5"),
    "true is not a number": ("pitch_mm = 30.0", "pitch_mm = true", "strand[1].pitch_mm: is true"),
    "pitch": ("pitch_mm = 30.0", "pitch_mm = 0", "strand[1].pitch_mm: is 0; give a number from"),
    "nan": ("pitch_mm = 30.0", "pitch_mm = nan", "strand[1].pitch_mm: is not a finite number"),
    "endless": ("pitch_mm = 30.0", "pitch_mm = inf", "strand[1].pitch_mm"),
    "leads": ("[60.0, 60.0]", "[60.0, -1]", "strand[1].lead_mm: write two lengths"),
    "gauge": ('"22 AWG"', '"22 GAU"', 'strand[1].wire: is "22 GAU"; write it as "22 AWG"'),
    "data path": ('"zigzag"', '"zigzga"', "data.path"),
    "path twice": ('"zigzag"', '["1A", "1B"]', "names strand 1 twice"),
    "path leaves out": ('"zigzag"', '["1A", "2B"]', "leaves out strand 3"),
    "path beyond": ('"zigzag"', '["44A"]', '"44A": the prop has strands 1 to 12'),
    "joins": ('joins = "A"', 'joins = "C"', 'bus[1].joins: is "C"'),
    "joins unknown": ('joins = "A"', 'joins = ["1A", "20A"]', '"20A": the prop has strands'),
    "bus twice": ('name = "crown"', 'name = "foot"', 'name "foot": used 2 times'),
    "both ends": ('joins = "B"', 'joins = ["1B", "2B", "2A"]', "2A is on bus foot already"),
    "one strand twice": ('joins = "B"', 'joins = ["1B", "1B"]', "strand 1 is named 2 times"),
    "spacing": ("spacing_mm = 40.0\nring", "spacing_mm = -40.0\nring", "bus[1].spacing_mm: is -40"),
    "copper": ("weight_oz = 2.0", "weight_oz = 0", "bus[1].copper.weight_oz: is 0"),
    "ring": ("ring = false", 'ring = "no"', 'bus[1].ring: is "no"; write true or false'),
    "bus name": ('name = "crown"', 'name = "4A"', "bus[2].name"),
    "feed at": ('at = "foot:1"', 'at = "fot:1"', 'did you mean "foot"'),
    "feed pad": ('at = "foot:1"', 'at = "foot:13"', "has no pad at strand 13"),
    "feed name": ('name = "main"', 'name = "ma>in"', "feed[1].name"),
    "feed volts": ("volts = 5.0", "volts = 12.0", "are rated for 5.5 V at most"),
    "feed length": ("length_mm = 1500.0", "length_mm = -1", "feed[1].length_mm: is -1"),
    "enough": ("format = 1", 'format = 1\nenough = "12"', 'enough: "12": give a probability'),
    "enough share": ("format = 1", 'format = 1\nenough = "50%"', "enough: 50 % is not from 95"),
    "enough kind": ("format = 1", "format = 1\nenough = 99", "enough"),
    "fuse": ("fuse_a = 7.5", "fuse_a = 0", "feed[1].fuse_a: is 0"),
    "universe": ("universe = 1", "universe = 64000", "output.universe: is 64000"),
    "past the last universe": ("universe = 1", "universe = 63999", "universes above 63999"),
    "channel": ("channel = 1", "channel = 513", "output.channel: is 513"),
    "control character": ('"Willow fan"', '"Wil\\u001blow"', "name: is"),
}  # fmt: skip


TINY = {
    "pitch": ("pitch_mm = 30.0", "pitch_mm = {}", "strand[1].pitch_mm: ", "from 0.001"),
    "lead": ("[60.0, 60.0]", "[{}, 60.0]", "strand[1].lead_mm: ", "each 0 or from 0.001"),
    "spacing": ("spacing_mm = 40.0", "spacing_mm = {}", "bus[1].spacing_mm: ", "from 0.001"),
    "feed": ("length_mm = 1500.0", "length_mm = {}", "feed[1].length_mm: ", "0, or 0.001 to"),
    "link": (
        "[[feed]]", '[[link]]\nfrom = "1B"\nto = "2B"\nlength_mm = {}\n[[feed]]',
        "link[1].length_mm: ", "give 0, or 0.001 to 1e+06",
    ),
    "copper width": ("width_mm = 8.0", "width_mm = {}", "bus[1].copper.width_mm: ", "from 0.001"),
    "copper weight": ("weight_oz = 2.0", "weight_oz = {}", "copper.weight_oz: ", "from 0.001"),
}  # fmt: skip


@pytest.mark.parametrize("figure", ["1e-9", "5e-324"])
@pytest.mark.parametrize("case", TINY)
def test_a_figure_of_almost_zero_is_rejected_with_its_key(case: str, figure: str) -> None:
    """Such figures caused divisions by zero and overflows in other libraries."""
    right, wrong, key, bounds = TINY[case]
    assert right in FAN
    faults = _faults(FAN.replace(right, wrong.format(figure), 1))
    assert any(key in fault and bounds in fault for fault in faults), faults


@pytest.mark.parametrize("case", WRONG)
def test_a_fault_gives_its_key_and_a_remedy(case: str) -> None:
    right, wrong, words = WRONG[case]
    assert right in FAN
    faults = _faults(FAN.replace(right, wrong, 1))
    assert any(words in fault for fault in faults), faults


def test_every_fault_of_a_file_is_reported_at_once() -> None:
    text = FAN
    for case in ("nodes", "gauge", "joins", "ring", "fuse", "channel", "kind"):
        right, wrong, _ = WRONG[case]
        text = text.replace(right, wrong, 1)
    faults = _faults(text)
    for case in ("nodes", "gauge", "joins", "ring", "fuse", "channel", "kind"):
        assert any(WRONG[case][2] in fault for fault in faults), (case, faults)


def test_a_strand_without_a_path_to_a_feed_is_named() -> None:
    text = FAN.replace('joins = "A"', 'joins = ["1A", "2A"]').replace(
        'joins = "B"', 'joins = ["5B"]'
    )
    faults = _faults(text)
    assert "strand 3: has no path to a feed" in faults[0]
    assert len(faults) == 10


def test_invalid_toml_is_reported_with_its_line() -> None:
    (fault,) = _faults(FAN.replace("[data]", "[data"))
    assert "line" in fault
    assert "not TOML" in fault


def test_links_follow_the_data() -> None:
    path = Path(str(files("benchtest.virtual").joinpath("gull-wing.toml")))
    wing = read_design(path)
    assert [link.name for link in wing.links] == ["1B~2B", "2A~3A", "3B~4B"]
    assert [joint.name for joint in data_joints(wing)] == ["1Ad", "1B~2Bd", "2A~3Ad", "3B~4Bd"]
    assert "1B~2B+" in [joint.name for joint in power_joints(wing)]


def test_a_link_has_the_wire_of_its_strand_by_default() -> None:
    text = FAN + '\n[[link]]\nfrom = "1B"\nto = "12B"\nlength_mm = 500.0\n'
    assert parse_design(text, "f").links[0].wire.text == "22 AWG"
    text += 'wire = "20 AWG CCA"\n'
    assert parse_design(text, "f").links[0].wire.ratio > 1.5


@pytest.mark.parametrize(
    ("rows", "words"),
    [
        ('from = "1B"', "link[1].to: is missing"),
        ('from = "1B"\nto = "1B"', "joins 1B to itself"),
        ('from = "1B"\nto = "99B"', '"99B": the prop has strands'),
        ('follow = "date"', 'write "data"'),
        ('from = "1B"\nto = "2B"\nlength_mm = -2', "link[1].length_mm: is -2"),
    ],
)
def test_invalid_links_are_reported(rows: str, words: str) -> None:
    assert any(words in fault for fault in _faults(f"{FAN}\n[[link]]\n{rows}\n"))


def test_figures_of_the_kind_may_be_overridden() -> None:
    text = FAN.replace('kind = "ws2811-5v"', 'kind = "ws2811-5v"\nchannel_ma = 18.5')
    node = parse_design(text, "fan.toml").node
    assert node.channel_ma == 18.5
    assert node.quiescent_ma == catalogue()["ws2811-5v"].quiescent_ma
    assert node.sources["channel_ma"] == "the prop file"


def test_a_feed_may_enter_at_a_strand_end() -> None:
    fan = parse_design(FAN.replace('at = "foot:1"', 'at = "1A"'), "fan.toml")
    assert fan.feeds[0].at == StrandEnd(1, "A")


def test_unreadable_files_are_reported(tmp_path: Path) -> None:
    for make, words in (
        (lambda p: None, "no such file"),
        (lambda p: p.mkdir(), "is a folder"),
        (lambda p: p.write_bytes(b"\xff\xfe\x00"), "not UTF-8"),
        (lambda p: p.write_text("#" * 1_100_000), "larger than 1 MB"),
    ):
        path = tmp_path / words.replace(" ", "-")
        make(path)
        with pytest.raises(InputError, match=words):
            read_design(path)


def test_absurd_sizes_are_rejected_before_anything_is_built() -> None:
    assert _faults(FAN.replace("nodes = 30", "nodes = 99999999999"))
    assert _faults(FAN.replace("count = 12", "count = 1000").replace("nodes = 30", "nodes = 1000"))


def test_deep_nesting_is_a_fault_like_any_other() -> None:
    assert _faults("x = " + "[" * 5000 + "]" * 5000)


@settings(max_examples=100, deadline=None)
@given(st.text(max_size=400))
def test_any_text_is_a_design_or_raises_its_faults(text: str) -> None:
    with contextlib.suppress(FileFaults):
        parse_design(text, "any.toml")


@settings(max_examples=100, deadline=None)
@given(
    st.integers(0, len(FAN) - 1),
    st.integers(0, 30),
    st.text('0123456789-."[]{}=aAB:eE\n', max_size=8),
)
def test_a_damaged_file_is_a_design_or_raises_its_faults(at: int, length: int, put: str) -> None:
    with contextlib.suppress(FileFaults):
        design = parse_design(FAN[:at] + put + FAN[at + length :], "any.toml")
        assert isinstance(design, Design)
        assert all(math.isfinite(strand.pitch_mm) for strand in design.strands)
