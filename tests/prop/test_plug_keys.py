"""`joint_mohm` and `rails`: joints that are plugs, and links that join only the return."""

from __future__ import annotations

import pytest

from benchtest.errors import FileFaults
from benchtest.prop.design import Design
from benchtest.prop.joints import power_joints
from benchtest.prop.reader import parse_design

ARCH = """
format = 1
name = "Tide arch"
[node]
kind = "ws2811-5v"
[[strand]]
count = 2
nodes = 5
pitch_mm = 40.0
wire = "22 AWG"
[[bus]]
name = "foot"
joins = ["1A"]
wire = "18 AWG"
spacing_mm = 30.0
[[link]]
from = "1B"
to = "2A"
[[feed]]
name = "main"
at = "foot:1"
volts = 5.0
wire = "16 AWG"
length_mm = 900.0
"""
SECOND = """
[[feed]]
name = "right"
at = "2B"
volts = 5.0
wire = "16 AWG"
length_mm = 900.0
"""


def _read(table: str = "", line: str = "", more: str = "") -> Design:
    text = ARCH.replace(table, f"{table}\n{line}", 1) if table else ARCH
    return parse_design(text + more, "arch.toml")


def _mohm(design: Design) -> dict[str, float]:
    return {joint.name: round(joint.ohm * 1e3, 9) for joint in power_joints(design)}


def test_a_joint_has_two_milliohms_by_default() -> None:
    # 2 mΩ as probed: common practice, no source
    names = ["main+", "main-", "1A+", "1A-", "1B~2A+", "1B~2A-"]
    assert _mohm(_read()) == dict.fromkeys(names, 2.0)


@pytest.mark.parametrize(
    ("table", "joints"),
    [
        ("[[bus]]", {"1A+", "1A-"}),
        ("[[link]]", {"1B~2A+", "1B~2A-"}),
        ("[[feed]]", {"main+", "main-"}),
    ],
)
def test_joint_mohm_of_a_table_applies_to_its_own_joints(table: str, joints: set[str]) -> None:
    mohm = _mohm(_read(table, "joint_mohm = 15.0"))
    assert {name for name, own in mohm.items() if own == 15.0} == joints
    assert set(mohm.values()) == {2.0, 15.0}


@pytest.mark.parametrize("table", ["[[bus]]", "[[link]]", "[[feed]]"])
@pytest.mark.parametrize("mohm", ["0.0", "-2.0", "25.1", "2000", '"2"', "true", "nan"])
def test_more_milliohms_than_a_healthy_joint_has_are_a_fault(table: str, mohm: str) -> None:
    """Makers print 20 mΩ for the pins of small housings; no healthy joint has more."""
    with pytest.raises(FileFaults, match=r"(bus|link|feed)\[1\]\.joint_mohm: ") as found:
        _read(table, f"joint_mohm = {mohm}")
    assert len(found.value.faults) == 1


def test_a_strand_has_no_joints_of_its_own() -> None:
    with pytest.raises(FileFaults, match=r"strand\[1\]\.joint_mohm: is not a known key"):
        _read("[[strand]]", "joint_mohm = 2.0")


def test_a_link_of_the_return_alone_has_one_joint() -> None:
    design = _read("[[link]]", 'rails = "-"', SECOND)
    assert design.links[0].rails == ("-",)
    assert [name for name in _mohm(design) if "~" in name] == ["1B~2A-"]


@pytest.mark.parametrize("both", ["+-", "-+"])
def test_both_rails_may_be_given(both: str) -> None:
    assert _read("[[link]]", f'rails = "{both}"') == _read()


def test_a_link_of_the_return_alone_feeds_no_strand() -> None:
    with pytest.raises(FileFaults, match="strand 2: has no path to a feed"):
        _read("[[link]]", 'rails = "-"')


@pytest.mark.parametrize("rails", ['"+"', '""', '"--"', "1", '["+", "-"]'])
def test_other_rails_are_a_fault_with_a_remedy(rails: str) -> None:
    with pytest.raises(FileFaults, match=r'link\[1\]\.rails: is .*; write "\+-", or "-" where'):
        _read("[[link]]", f"rails = {rails}")
