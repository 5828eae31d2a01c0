"""Variation of nodes and its effect, compared with the solved circuit."""

from __future__ import annotations

import dataclasses
from collections.abc import Callable

import numpy as np
import pytest

from benchtest.circuit.network import Circuit
from benchtest.circuit.solution import solve
from benchtest.circuit.tolerance import FROM_MANY_REELS, HAND_SOLDERED, sensitivities
from benchtest.diagnosis.model.node_variation import (
    QUIESCENT_SD,
    headroom_sd_v,
    node_variation_a,
    tolerances_of,
)
from benchtest.prop.design import Design
from benchtest.prop.lit_set import all_lit
from benchtest.prop.node_kinds import NodeKind, catalogue, with_figures
from benchtest.prop.notation import parse_probe

STEP = 1e-4


def _moved_v(design: Design, kind: NodeKind, joints: dict[str, float]) -> np.ndarray:
    """Return the change of two readings with nodes of another kind."""
    probes = [parse_probe(text, design) for text in ("3B", "foot:3+>3A+")]
    values = []
    for node in (design.node, kind):
        circuit = Circuit(dataclasses.replace(design, node=node), joints)
        solution = solve(circuit, all_lit(design).duty(design))
        values.append([solution.volts(probe) for probe in probes])
    return np.asarray(np.array(values[1]) - np.array(values[0]))


@pytest.fixture(scope="module")
def comb(make_fan: Callable[..., Design]) -> Design:
    return make_fan(4, 20, crown=False)


def _effects(design: Design, joints: dict[str, float]) -> np.ndarray:
    circuit = Circuit(design, joints)
    probes = [parse_probe(text, design) for text in ("3B", "foot:3+>3A+")]
    solution = solve(circuit, all_lit(design).duty(design))
    columns = circuit.probe_incidence(probes).columns()
    read = sensitivities(circuit, solution.factor, columns, circuit.probe_offset(probes))
    return np.asarray(read.per_amp.T @ node_variation_a(solution, HAND_SOLDERED))


@pytest.mark.parametrize("joints", [{}, {"3A+": 3.0}])
def test_effects_of_variation_are_differences_of_solved_circuits(
    comb: Design, joints: dict[str, float]
) -> None:
    kind = comb.node
    more = dataclasses.replace(kind, quiescent_ma=kind.quiescent_ma * (1.0 + STEP))
    later = dataclasses.replace(
        kind,
        full_v={colour: volts + STEP for colour, volts in kind.full_v.items()},
        dark_v={colour: volts + STEP for colour, volts in kind.dark_v.items()},
    )
    found = _effects(comb, joints)
    by_dark = _moved_v(comb, more, joints) / STEP * QUIESCENT_SD
    by_headroom = _moved_v(comb, later, joints) / STEP * headroom_sd_v(kind)
    assert found[:, 0] == pytest.approx(by_dark, rel=2e-3, abs=1e-9)
    assert found[:, 1] == pytest.approx(by_headroom, rel=2e-2, abs=1e-9)
    assert (np.abs(found[:, 1]) > 0.01).all() == bool(joints)  # only with undervoltage


def test_headroom_sd_grows_with_the_leds_in_series() -> None:
    one, three = catalogue()["ws2811-5v"], catalogue()["ws2811-12v"]
    # uniform over 0.4 V for an LED and 0.3 V for a sink: range / sqrt(12)
    led, sink = 0.4 / np.sqrt(12.0), 0.3 / np.sqrt(12.0)
    assert headroom_sd_v(one) == pytest.approx(np.hypot(led, sink), abs=1e-3)
    assert headroom_sd_v(three) == pytest.approx(np.hypot(3.0 * led, sink), abs=2e-3)
    assert headroom_sd_v(catalogue()["ws2811-12v-resistor"]) == 0.0


def test_a_kind_known_by_name_may_be_of_another_bin(comb: Design) -> None:
    kind = catalogue()["ws2811-5v"]  # 12 mA, sold with 5 and 18.5 mA too
    named = dataclasses.replace(comb, node=kind)
    measured = dataclasses.replace(comb, node=with_figures(kind, channel_ma=12.0))
    # another bin with probability 0.2, uniform: sqrt(0.08² + 0.2 ((7/12)² + (6.5/12)²) / 2)
    assert tolerances_of(named).current == pytest.approx(0.264, abs=1e-3)
    assert tolerances_of(measured) == FROM_MANY_REELS
    assert tolerances_of(comb) == FROM_MANY_REELS  # its bins are unknown
