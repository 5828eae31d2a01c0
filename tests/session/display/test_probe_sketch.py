"""Sketch of the meter leads: each at its place and on its rail, for every kind of prop."""

from __future__ import annotations

from importlib.resources import files

import pytest

from benchtest.prop.design import Design, Point, Probe
from benchtest.prop.notation import meter_places, parse_probe
from benchtest.prop.reader import parse_design
from benchtest.session.display.probe_sketch import ASCII_GLYPHS, draw_sketch

WIDTH = 33


def _read(name: str) -> Design:
    return parse_design(files("benchtest.virtual").joinpath(name).read_text("utf-8"), name)


DESIGNS = {name: _read(f"{name}.toml") for name in ("willow-fan", "tide-arch", "gull-wing")}


def _text(design: Design, probe: str) -> list[str]:
    rows = draw_sketch(design, parse_probe(probe, design), WIDTH, ASCII_GLYPHS)
    return ["".join(text for text, _ in row).rstrip() for row in rows]


def test_rail_volts_at_a_strand_end_are_drawn_across_both_rails() -> None:
    assert _text(DESIGNS["willow-fan"], "4A") == [
        "         red",
        " +  H-----@----...-----o-----H",
        " -  H-----@----...-----o-----H",
        "        black",
        " foot:4  4A strand 4  4B  crown:4",
    ]


def test_a_drop_across_a_joint_is_drawn_on_its_rail() -> None:
    assert _text(DESIGNS["willow-fan"], "4A->foot:4-") == [
        " +  H-----o----...-----o-----H",
        " -  @-----@----...-----o-----H",
        "black     red",
        " foot:4  4A strand 4  4B  crown:4",
    ]


def test_a_bus_is_drawn_with_both_pads_and_both_ends() -> None:
    assert _text(DESIGNS["willow-fan"], "crown:3+>crown:9+")[-1].split() == [
        "1", "crown:3", "crown:9", "12",
    ]  # fmt: skip


@pytest.mark.parametrize("name", DESIGNS)
def test_every_probe_of_every_demo_shows_both_leads_where_they_belong(name: str) -> None:
    design = DESIGNS[name]
    found = meter_places(design)
    for first in found[::3]:
        for second in found[::5]:
            for rails in ("+-", "++", "--", "-+"):
                probe = Probe(Point(first, rails[0]), Point(second, rails[1]))  # type: ignore[arg-type]
                if probe.red != probe.black:
                    _leads_are_right(design, probe)


def _leads_are_right(design: Design, probe: Probe) -> None:
    rows = draw_sketch(design, probe, WIDTH, ASCII_GLYPHS)
    texts = ["".join(text for text, _ in row) for row in rows]
    assert all(len(text) == WIDTH for text in texts), (probe, texts)
    assert "".join(texts).isascii()
    for role, point in (("red", probe.red), ("black", probe.black)):
        (place,) = [n for n, row in enumerate(rows) if ("@", role) in row]
        assert texts[place].lstrip()[0] == point.rail, (probe, texts)
        (word,) = [n for n, text in enumerate(texts) if role in text]
        assert abs(word - place) == 1  # the word is next to its rail
        # along one bus, where names do not fit side by side, the strand's number stands for the pad
        names = {str(point.place), str(point.place).rpartition(":")[2]}
        assert names & set(texts[-1].split()), (probe, texts)
