"""The view of a virtual prop: strands that differ are never left out for lack of space."""

from __future__ import annotations

from importlib.resources import files

import pytest

from benchtest.pattern import frame_from_duty
from benchtest.prop.lit_set import parse_lit_set
from benchtest.prop.reader import parse_design
from benchtest.tui.evidence_panels import view_lines
from benchtest.tui.glyphs import ASCII
from benchtest.virtual.injected_faults import parse_fault
from benchtest.virtual.observer import observe
from benchtest.virtual.virtual_prop import VirtualProp

FAN = parse_design(
    files("benchtest.virtual").joinpath("willow-fan.toml").read_text("utf-8"), "willow-fan"
)


def _seen(lit: str, *faults: str, level: float = 0.25, rows: int = 5, width: int = 36) -> list[str]:
    prop = VirtualProp(FAN, [parse_fault(fault, FAN) for fault in faults], 1)
    prop.receive(frame_from_duty(parse_lit_set(lit, FAN, level).duty(FAN)))
    return view_lines(observe(prop), rows, width, ASCII)


def test_few_strands_are_drawn_node_by_node() -> None:
    assert _seen("4 5", "5Ad=open") == ["  4A " + "#" * 30, "  5A " + "." * 30]


@pytest.mark.parametrize(
    ("data", "rows"), [("5Ad", ["5-12: dark", "1-4: lit"]), ("12Bd", ["12: dark", "1-11: lit"])]
)
def test_dark_strands_are_shown_in_five_rows(data: str, rows: list[str]) -> None:
    assert sorted(_seen("all", f"{data}=open")) == sorted(rows)


def test_one_dark_node_is_shown_with_its_place() -> None:
    assert _seen("all", "9.17=dark") == ["9: lit 1-16, dark 17, lit 18-30", "1-8 10-12: lit"]


def test_healthy_strands_are_one_row() -> None:
    assert _seen("all") == ["1-12: lit"]
    assert _seen("1 3 5 7 9 11") == ["1 3 5 7 9 11: lit"]


def test_every_strand_has_a_row_on_a_large_screen() -> None:
    assert len(_seen("all", rows=12)) == 12


def test_a_dark_prop_has_no_rows() -> None:
    assert _seen("none") == []
