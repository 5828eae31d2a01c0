"""Every shipped pattern has an up-to-date still picture."""

from __future__ import annotations

import re
from xml.etree import ElementTree

import pytest

from benchtest.pattern import load_patterns
from tests.stills import FOLDER, PAGE, draw, fan, file_name, page, steps_shown

PATTERNS = load_patterns()
FAN = fan()
SVG = "{http://www.w3.org/2000/svg}"


@pytest.mark.parametrize("name", PATTERNS)
def test_each_pattern_has_a_still_that_is_up_to_date(name: str) -> None:
    path = FOLDER / file_name(PATTERNS[name])
    assert path.exists(), "python -m tests.stills"
    assert path.read_text(encoding="utf-8") == draw(PATTERNS[name], FAN), "python -m tests.stills"


def test_the_page_shows_every_still_and_no_other() -> None:
    text = PAGE.read_text(encoding="utf-8")
    assert text == page(PATTERNS), "python -m tests.stills"
    shown = re.findall(r"\(pictures/(pattern-[^)]+)\)", text)
    assert sorted(shown) == sorted(path.name for path in FOLDER.glob("pattern-*.svg"))


LIT = {
    "by-strand": [30] * 4,  # one strand of 30
    "full-white": [360],
    "picture": [360] * 3,
    "primaries": [360] * 3,
    "ruler": [360],  # dim everywhere
    "walk": [1] * 4,
}


@pytest.mark.parametrize("name", PATTERNS)
def test_a_still_lights_the_nodes_that_the_pattern_states(name: str) -> None:
    tree = ElementTree.fromstring(draw(PATTERNS[name], FAN))
    panels = tree.findall(f"{SVG}g")
    dots = [
        [path.attrib["d"].count("M") for path in panel.findall(f"{SVG}path[@class='{state}']")]
        for state in ("lit", "dark")
        for panel in panels
    ]
    lit, dark = dots[: len(panels)], dots[len(panels) :]
    assert [sum(counts) for counts in lit] == LIT[name]
    assert all(sum(a) + sum(b) == 360 for a, b in zip(lit, dark, strict=True))


def test_marks_of_the_ruler_differ_on_a_screen() -> None:
    """On 30 nodes: 27 dim or blue, white at 10, 20, 30; no 50."""
    tree = ElementTree.fromstring(draw(PATTERNS["ruler"], FAN))
    counts = sorted(path.attrib["d"].count("M") for path in tree.iter(f"{SVG}path")
                    if path.attrib.get("class") == "lit")  # fmt: skip
    assert counts == [12 * 3, 12 * 3, 12 * 24]


def test_a_changed_pattern_makes_its_still_out_of_date() -> None:
    changed = load_patterns()
    pattern = changed["by-strand"]
    assert draw(changed["walk"], FAN) != draw(pattern, FAN)
    assert [step.text for step in steps_shown(pattern, FAN)] == [
        "Strand 1 alone", "Strand 5 alone", "Strand 8 alone", "Strand 12 alone",
    ]  # fmt: skip
