"""Supplies with a source resistance, by ngspice: the resistor is put into the deck by hand."""

from __future__ import annotations

import dataclasses
from collections.abc import Callable
from pathlib import Path

import pytest

from benchtest.circuit.network import Circuit
from benchtest.circuit.solution import solve
from benchtest.circuit.spice import spice_deck
from benchtest.circuit.tolerance import cause_names, reading_spread
from benchtest.prop.design import Design
from benchtest.prop.lit_set import all_lit, parse_lit_set
from benchtest.prop.notation import parse_probe
from tests.outside.ngspice import by_ngspice

MakeFan = Callable[..., Design]

PROBES = ("foot:1", "3B", "feed1+>foot:1+", "feed1->foot:1-", "foot:1+>foot:4+", "feed1")


def _with_source(deck: str, ohms: dict[int, float]) -> str:
    """The deck with a resistor between each of these supplies and its cable."""
    lines = []
    for line in deck.splitlines():
        name, *words = line.split()
        number = int(name.removeprefix("Vfeed_")) if name.startswith("Vfeed_") else 0
        if ohms.get(number):
            lines.append(f"Rsource_{number} {words[0]} behind_{number} {ohms[number]!r}")
            line = " ".join([name, f"behind_{number}", *words[1:]])
        lines.append(line)
    return "\n".join(lines) + "\n"


@pytest.mark.parametrize(
    ("feeds", "source_ohm"),
    [
        (("foot:1",), (0.02,)),
        (("foot:1", "crown:4"), (0.0, 0.05)),
        (("foot:2", "crown:2"), (0.3, 0.01)),
    ],
    ids=["one", "two, one of them stiff", "two, one all but spent"],
)
def test_a_supply_that_sags(
    make_fan: MakeFan, tmp_path: Path, feeds: tuple[str, ...], source_ohm: tuple[float, ...]
) -> None:
    plain = make_fan(4, 8, feeds=feeds, wire="26 AWG")
    sagging = dataclasses.replace(
        plain,
        feeds=tuple(
            dataclasses.replace(feed, source_mohm=ohm * 1e3)
            for feed, ohm in zip(plain.feeds, source_ohm, strict=True)
        ),
    )
    probes = [parse_probe(text, plain) for text in PROBES]
    for lit in ("all", "2 3", "none"):
        duty = parse_lit_set(lit, plain).duty(plain)
        deck = _with_source(spice_deck(plain, duty, {}, probes), dict(enumerate(source_ohm, 1)))
        theirs = by_ngspice(deck, tmp_path)
        ours = solve(Circuit(sagging), duty).volts_at(probes)
        volts = [theirs[f"probe_{number}"] for number in range(1, len(probes) + 1)]
        assert ours == pytest.approx(volts, abs=1e-6)


def test_the_effect_of_source_and_cable_is_the_step_that_ngspice_reads(
    make_fan: MakeFan, tmp_path: Path
) -> None:
    """The effect of one feed's series resistance on each probe, by a step of 1 mΩ in the deck."""
    design = make_fan(4, 8, feeds=("foot:1", "crown:4"))
    probes = [parse_probe(text, design) for text in PROBES]
    duty = all_lit(design).duty(design)
    deck = spice_deck(design, duty, {}, probes)
    before, after = (by_ngspice(text, tmp_path) for text in (deck, _with_source(deck, {1: 1e-3})))
    cable_ohm = 2.0 * design.feeds[0].wire.ohm_per_mm * design.feeds[0].length_mm
    sd_mohm = 1e3 * (0.015**2 + (0.25 * cable_ohm) ** 2) ** 0.5
    stepped = [sd_mohm * (after[f"probe_{n}"] - before[f"probe_{n}"]) for n in range(1, 7)]
    column = cause_names(design).index("feed feed1")
    found = reading_spread(solve(Circuit(design), duty), probes).shared[:, column]
    assert found == pytest.approx(stepped, rel=0.03, abs=2e-6)
