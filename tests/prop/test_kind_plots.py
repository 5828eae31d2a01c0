"""Plots of the notes: light and current of each kind as its volts fall, as in the catalogue."""

from __future__ import annotations

import dataclasses
from pathlib import Path
from xml.etree import ElementTree

import numpy as np
import pytest

from benchtest.prop.node_kinds import catalogue
from tests.kinds import FOLDER, NOTES, Sweep, caption, currents, file_name, section

KINDS = sorted(catalogue())
SVG = "{http://www.w3.org/2000/svg}"
DESCRIPTION = "{http://purl.org/dc/elements/1.1/}description"
REDRAW = "draw again: python -m tests.plots"


def _picture(name: str) -> Path:
    return FOLDER / file_name(catalogue()[name])


@pytest.mark.parametrize("name", KINDS)
def test_the_notes_show_the_plot_of_every_kind(name: str) -> None:
    shown = NOTES.read_text(encoding="utf-8").partition(f"### `{name}`\n")[2].partition("###")[0]
    assert f"](pictures/{file_name(catalogue()[name])})" in shown, REDRAW
    assert caption(catalogue()[name]) in " ".join(shown.split()), REDRAW
    assert _picture(name).is_file(), REDRAW


def test_the_last_section_of_the_notes_is_that_of_the_catalogue() -> None:
    assert NOTES.read_text(encoding="utf-8").endswith(f"\n{section()}"), REDRAW


def test_no_plot_remains_of_a_removed_kind() -> None:
    assert {path.name for path in FOLDER.glob("kind-*.svg")} == {
        file_name(kind) for kind in catalogue().values()
    }


@pytest.mark.parametrize("name", KINDS)
def test_each_plot_has_the_figures_of_the_catalogue(name: str) -> None:
    kind = catalogue()[name]
    assert _picture(name).stat().st_size < 60_000
    picture = ElementTree.parse(_picture(name))
    words = {"".join(text.itertext()).strip() for text in picture.iter(f"{SVG}text")}
    assert words >= {
        name,
        kind.title,
        f"nominal {kind.volts:g} V",
        f"lowest {kind.lowest_v:g} V",
        f"logic stops {kind.logic_v:g} V",
        "node at white",
        "node dark",
    }
    labels = ", ".join(sorted(words))
    assert all(colour in labels for colour in kind.colours)
    (about,) = picture.iter(DESCRIPTION)
    assert about.text == f"{caption(kind)} {currents(kind)}", REDRAW


def test_a_sink_looks_perfect_where_the_notes_state_it() -> None:
    sinks = [kind for kind in catalogue().values() if kind.family == "sink"]
    assert sinks
    for kind in sinks:
        sweep = Sweep(kind)
        held = sweep.volts_v >= kind.lowest_v - 1e-9
        assert sweep.light[held] == pytest.approx(1.0)


def test_a_sink_is_warm_where_its_smooth_step_is_at_0_85() -> None:
    # a smooth step p²(3 - 2p) is 0.85 at one p between 0 and 1: root of 2p³ - 3p² + 0.85
    (part,) = [root.real for root in np.roots([2.0, -3.0, 0.0, 0.85]) if 0 < root.real < 1]
    kind = catalogue()["ws2812b-5v"]
    width_v = kind.full_v["blue"] - kind.dark_v["blue"]
    expected_v = kind.dark_v["blue"] + part * width_v
    assert Sweep(kind).lowest_as("white") == pytest.approx(expected_v, abs=0.01)
    assert f"go warm below {expected_v:.2f} V" in caption(kind)


def test_a_resistor_kind_fades_linearly() -> None:
    # (10.8 - 6.6) / (12 - 6.6) = 0.78 and (10.8 - 9.9) / (12 - 9.9) = 0.43; at 13.5 V 1.71
    words = caption(catalogue()["ws2811-12v-resistor"])
    assert "at 10.8 V red has 78 % of its light but green and blue only 43 %" in words
    assert "at 13.5 V those two have 171 %" in words


def test_a_regulated_node_draws_more_current_at_fewer_volts_and_keeps_its_light() -> None:
    # power in is power out over the efficiency: 3 channels of 8 mA at 12 V are 288 mW
    kind = catalogue()["buck-12v"]
    sweep = Sweep(kind)
    held = (sweep.volts_v >= kind.full_v["blue"]) & (sweep.volts_v <= kind.most_v)
    power_mw = (sweep.white_ma - sweep.dark_ma) * sweep.volts_v
    assert power_mw[held] == pytest.approx(288.0)
    assert sweep.light[held] == pytest.approx(1.0)


def test_a_node_is_dark_below_its_logic_volts() -> None:
    # common practice, no source: a node whose logic stopped has lost its frame
    kind = dataclasses.replace(catalogue()["ws2812b-5v"], logic_v=4.0)
    sweep = Sweep(kind)
    below = sweep.volts_v < 3.99
    assert not sweep.light[below].any()
    assert sweep.white_ma[below] == pytest.approx(sweep.dark_ma[below])
    assert {look for look, low in zip(sweep.looks, below, strict=True) if low} == {"dark"}
