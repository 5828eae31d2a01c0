"""hw_notes/bridge.md matches the code: another person may write the other side from it."""

from __future__ import annotations

import re
from pathlib import Path

import pytest

from benchtest.drive.bridge.messages import Kind, Message, Refusal
from benchtest.drive.bridge.serial_link import BAUD, BOOT_TIMEOUT_S, HELLO_INTERVAL_S, MAX_TRIES
from tests.drive.boards import sealed

HARDWARE = Path(__file__).parents[3] / "hw_notes"
NOTES = (HARDWARE / "bridge.md").read_text(encoding="utf-8")
FIRMWARE = (HARDWARE / "bridge" / "bridge.c").read_text(encoding="utf-8")


def test_the_example_on_the_line_is_right() -> None:
    found = re.search(r"Body `([0-9a-f ]+)`, CRC `([0-9a-f ]+)`, on the line `([0-9a-f ]+)`", NOTES)
    assert found is not None
    body, crc, line = map(bytes.fromhex, found.groups())
    assert line == sealed(body) == Message(body[0], body[1]).encoded()
    assert crc == line[-3:-1]


@pytest.mark.parametrize("kind", list(Kind))
def test_each_kind_is_described(kind: Kind) -> None:
    assert re.search(rf"^\| {kind.value} {kind.name.lower()} \|", NOTES, re.MULTILINE)


def test_kinds_and_refusals_are_the_same_on_either_side() -> None:
    kinds = re.search(r"enum kind \{ HELLO = 1, ([A-Z, ]+), ANSWER", FIRMWARE)
    refusals = re.search(r"enum refusal \{ UNKNOWN = 1, ([A-Z_, ]+) \}", FIRMWARE)
    assert kinds is not None
    assert refusals is not None
    assert ["HELLO", *kinds[1].split(", ")] == [kind.name for kind in Kind]
    assert ["UNKNOWN", *refusals[1].split(", ")] == [why.name for why in Refusal]
    rows = re.findall(r"^\| (\d) \| [^|]+ \|$", NOTES, re.MULTILINE)
    assert [int(row) for row in rows] == [why.value for why in Refusal]


def test_the_figures_of_the_line_match_the_code() -> None:
    assert f"{BAUD:,} baud".replace(",", " ") in NOTES
    assert f"every {HELLO_INTERVAL_S:g} s for {BOOT_TIMEOUT_S:g} s" in NOTES
    assert MAX_TRIES == 4
    assert "four times in all" in NOTES


@pytest.mark.parametrize(
    ("upper_ohm", "reach_v", "count_mv"), [(39e3, 5.39, 5.3), (130e3, 15.4, 15)]
)
def test_the_dividers_are_computed_correctly(
    upper_ohm: float, reach_v: float, count_mv: float
) -> None:
    lower_ohm = 10e3
    most_v = 1.1 * (upper_ohm + lower_ohm) / lower_ohm  # ATmega328P: internal reference 1.1 V
    assert most_v == pytest.approx(reach_v, abs=0.005)
    assert most_v / 1024 * 1e3 == pytest.approx(count_mv, abs=0.05)
    # ATmega328P data sheet: the input is made for sources of 10 kΩ or less
    assert upper_ohm * lower_ohm / (upper_ohm + lower_ohm) <= 10e3
    assert f"{upper_ohm / 1e3:g} kΩ | 10 kΩ | {reach_v:g} V | {count_mv:g} mV" in NOTES
