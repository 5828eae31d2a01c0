"""The node catalogue: every figure has a source, and the figures of a kind are consistent."""

from __future__ import annotations

import dataclasses

import pytest

from benchtest.prop.node_kinds import NodeKind, catalogue

KINDS = sorted(catalogue())
ASKED_FOR = {"ws2811-5v", "ws2811-12v", "ws2811-12v-resistor", "ws2812b-5v", "ws2815-12v",
             "sk6812-rgbw-5v"}  # fmt: skip
NO_FIGURE = {"name", "title", "family", "colours", "sources"}


def test_the_catalogue_has_the_kinds_that_builders_use() -> None:
    assert set(KINDS) >= ASKED_FOR


@pytest.mark.parametrize("name", KINDS)
def test_every_figure_has_its_source(name: str) -> None:
    kind = catalogue()[name]
    figures = {field.name for field in dataclasses.fields(NodeKind)} - NO_FIGURE
    assert set(kind.sources) == figures
    for source in kind.sources.values():
        assert len(source) > 8


@pytest.mark.parametrize("name", KINDS)
def test_figures_are_consistent(name: str) -> None:
    kind = catalogue()[name]
    assert 0 < kind.logic_v < kind.lowest_v < kind.volts <= kind.most_v
    assert 0.1 <= kind.quiescent_ma <= 5.0
    assert 2.0 <= kind.channel_ma <= 25.0
    letters = "".join(colour[0].upper() for colour in kind.colours)
    assert sorted(kind.colour_order) == sorted(letters)
    for colour in kind.colours:
        assert 0 < kind.dark_v[colour] < kind.full_v[colour] <= kind.volts
        # red needs fewest volts: an undervoltage prop turns warm
        assert kind.full_v["red"] <= kind.full_v[colour]


def test_figures_are_those_of_data_sheets() -> None:
    kinds = catalogue()
    # WS2812B data sheet: LED red 2.0-2.2 V, green and blue 3.0-3.4 V; supply 3.5-5.3 V
    # SM16706 data sheet: a sink of this class needs 0.4 to 0.7 V
    ws2812b = kinds["ws2812b-5v"]
    assert 2.0 + 0.4 <= ws2812b.full_v["red"] <= 2.2 + 0.7
    assert 3.0 + 0.4 <= ws2812b.full_v["blue"] <= 3.4 + 0.7
    assert ws2812b.most_v == 5.3
    assert ws2812b.colour_order == "GRB"
    # WS2813 data sheet: 18 mA for letters A and B, 0.6 mA quiescent, a second data input
    assert kinds["ws2813-5v"].channel_ma == 18
    assert kinds["ws2813-5v"].quiescent_ma == 0.6
    assert kinds["ws2813-5v"].backup_data
    # three of those LEDs in series behind the same sink
    assert 3 * 3.0 + 0.4 <= kinds["ws2811-12v"].full_v["blue"] <= 3 * 3.4 + 0.7
    assert kinds["ws2815-12v"].backup_data
    assert len(kinds["sk6812-rgbw-5v"].colours) == 4
