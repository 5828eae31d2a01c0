"""Clad wire, strands from two reels, and supplies whose volts were measured at their feeds."""

from __future__ import annotations

import dataclasses
from collections.abc import Callable

import numpy as np
import pytest

from benchtest.circuit.network import Circuit
from benchtest.circuit.solution import solve
from benchtest.circuit.tolerance import FROM_MANY_REELS, Tolerances, sensitivities
from benchtest.diagnosis import Engine
from benchtest.diagnosis.model.node_variation import REEL_SD, node_variation_a
from benchtest.evidence.readings import Reading
from benchtest.pattern import frame_from_duty
from benchtest.prop.design import Design
from benchtest.prop.lit_set import all_lit
from benchtest.prop.notation import parse_probe
from benchtest.virtual.injected_faults import parse_fault
from benchtest.virtual.virtual_prop import VirtualProp, build_unit

SECOND = 3
"""Strands of the first reel."""


@pytest.fixture(scope="module")
def comb(make_fan: Callable[..., Design]) -> Design:
    return make_fan(7, 16, crown=False)


def _unit(design: Design, factor: float) -> VirtualProp:
    """A unit as designed but for the nodes of its later strands."""
    built = build_unit(design, None, 0.5)
    strand = np.repeat(np.arange(len(design.strands)), [one.nodes for one in design.strands])
    factors = np.where(strand >= SECOND, factor, 1.0)
    return VirtualProp(design, [], 1, built=dataclasses.replace(built, node_factor=factors))


def _read(prop: VirtualProp, *probes: str) -> list[Reading]:
    lit = all_lit(prop.design)
    prop.receive(frame_from_duty(lit.duty(prop.design)))
    return [Reading(lit, p, prop.measure(p)) for p in (parse_probe(t, prop.design) for t in probes)]


def test_shifts_by_a_second_reel_are_differences_of_circuits(comb: Design) -> None:
    tolerances = dataclasses.replace(FROM_MANY_REELS, reels=(SECOND,))
    probes = [parse_probe(text, comb) for text in ("2B", "6B", "foot:1+>foot:7+")]
    circuit = Circuit(comb)
    solution = solve(circuit, all_lit(comb).duty(comb))
    columns = circuit.probe_incidence(probes).columns()
    read = sensitivities(circuit, solution.factor, columns, circuit.probe_offset(probes))
    effect = (read.per_amp.T @ node_variation_a(solution, tolerances))[:, 2]
    volts = []
    for factor in (1.0, 1.0 + REEL_SD):
        prop = _unit(comb, factor)
        prop.receive(frame_from_duty(all_lit(comb).duty(comb)))
        volts.append([prop.volts(probe) for probe in probes])
    assert effect == pytest.approx(np.subtract(volts[1], volts[0]), rel=0.03, abs=2e-4)


@pytest.mark.parametrize("factor", [1.0 / 6.0, -1.0 / 6.0])
def test_a_change_of_reel_makes_no_joint_suspect(comb: Design, factor: float) -> None:
    ends = [f"{number}B" for number in range(1, 8)]
    finding = Engine(comb).diagnose(_read(_unit(comb, 1.0 + factor), *ends))
    accused = [s.where for s in finding.suspects if s.probability > 0.5]
    assert not accused
    assert finding.healthy > 0.5


def test_tolerances_of_one_reel_have_no_change_of_reel() -> None:
    assert Tolerances().reels == ()


@pytest.mark.parametrize("volts", [0.3, 1.0, 2.0])
def test_volts_that_no_supply_has_are_a_short(
    make_fan: Callable[..., Design], volts: float
) -> None:
    """Rail volts far below the design's are no reason to assume another supply."""
    design = make_fan(5, 10, feeds=("foot:1", "crown:5"))
    readings = [
        Reading(all_lit(design), parse_probe(feed.name, design), volts) for feed in design.feeds
    ]
    top = Engine(design).diagnose(readings).suspects[0]
    assert top.fault == "short"
    assert top.probability > 0.9


def _clad_unit(design: Design, ohm: float | None) -> list[Reading]:
    """Readings of a unit wired with copper-clad aluminium, by the table of ASTM B566 class 10A."""
    strands = tuple(
        dataclasses.replace(s, wire=dataclasses.replace(s.wire, ratio=s.wire.ratio * 9.90 / 6.385))
        for s in design.strands
    )
    made = dataclasses.replace(design, strands=strands)
    faults = [] if ohm is None else [parse_fault(f"3A+={ohm}", made)]
    prop = VirtualProp(made, faults, 1, built=build_unit(made, None, 0.5))
    return _read(prop, "1A+>1B+", "2B->2A-", "foot:1+>1A+", "foot:3+>3A+")


def test_clad_wire_makes_nothing_suspect(make_fan: Callable[..., Design]) -> None:
    design = make_fan(4, 60, crown=False)
    finding = Engine(design).diagnose(_clad_unit(design, None))
    assert finding.healthy > 0.9
    assert all(s.probability < 0.01 for s in finding.suspects)


def test_only_the_bad_joint_of_a_unit_with_clad_wire_is_suspect(
    make_fan: Callable[..., Design],
) -> None:
    design = make_fan(4, 60, crown=False)
    finding = Engine(design).diagnose(_clad_unit(design, 0.2))
    assert finding.suspects[0].where == "3A+"
    assert all(s.probability < 0.01 for s in finding.suspects if s.where != "3A+")
