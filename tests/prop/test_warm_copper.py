"""Copper that is not at 20 °C, against the coefficients that tables print."""

from __future__ import annotations

from collections.abc import Callable

import pytest

from benchtest.prop.conductors import Conductor, board_copper, parse_wire
from benchtest.prop.design import Design

COPPER_PER_K, ALUMINIUM_PER_K = 0.00393, 0.00403
"""Rise of resistance from 20 °C. Handbook tables: annealed copper, electrical aluminium."""

# Ω per 1000 ft of solid, uncoated copper at 75 °C: NFPA 70 (NEC), chapter 9, table 8.
NEC_OHM_KFT_75C = {18: 7.77, 16: 4.89, 14: 3.07, 12: 1.93}


def _ratio(conductor: Conductor, celsius: float) -> float:
    return conductor.at_celsius(celsius).ohm_per_mm / conductor.ohm_per_mm


@pytest.mark.parametrize("celsius", [-40.0, 0.0, 20.0, 25.0, 60.0, 120.0])
@pytest.mark.parametrize(
    "conductor", [parse_wire("22 AWG"), parse_wire("0.5 mm2"), board_copper(2.0, 8.0)]
)
def test_copper_follows_the_published_coefficient(conductor: Conductor, celsius: float) -> None:
    assert _ratio(conductor, celsius) == pytest.approx(1 + COPPER_PER_K * (celsius - 20), rel=1e-12)


@pytest.mark.parametrize("celsius", [0.0, 40.0, 60.0, 75.0])
def test_copper_agrees_with_the_inferred_zero_rule_to_a_thousandth(celsius: float) -> None:
    """(234.5 + T) / 254.5: the other common form, IEC 60228; from memory."""
    assert _ratio(parse_wire("18 AWG"), celsius) == pytest.approx(
        (234.5 + celsius) / 254.5, rel=1e-3
    )


@pytest.mark.parametrize(("gauge", "printed"), NEC_OHM_KFT_75C.items())
def test_wire_at_75_celsius_agrees_with_the_electrical_code(gauge: int, printed: float) -> None:
    ohm_kft = parse_wire(f"{gauge} AWG").at_celsius(75.0).ohm_per_mm * 304_800
    assert ohm_kft == pytest.approx(printed, rel=1.5e-3)


def test_the_coefficient_of_clad_aluminium_is_between_those_of_its_metals() -> None:
    rise = (_ratio(parse_wire("18 AWG CCA"), 60.0) - 1.0) / 40.0
    assert COPPER_PER_K < rise < ALUMINIUM_PER_K


def test_warming_changes_all_copper_of_a_prop_but_no_joint(make_fan: Callable[..., Design]) -> None:
    cold = make_fan(3, 4)
    warm = cold.at_celsius(70.0)
    rise = 1 + COPPER_PER_K * 50
    pairs = [(s.wire, w.wire) for s, w in zip(cold.strands, warm.strands, strict=True)]
    pairs += [(c.copper, w.copper) for c, w in zip(cold.buses, warm.buses, strict=True)]
    pairs += [(c.wire, w.wire) for c, w in zip(cold.feeds, warm.feeds, strict=True)]
    assert len(pairs) == 3 + 2 + 1
    assert [w.ohm_per_mm / c.ohm_per_mm for c, w in pairs] == pytest.approx([rise] * 6)
    assert warm.feeds[0].joint_ohm == cold.feeds[0].joint_ohm
    assert [w.text for _, w in pairs] == [c.text for c, _ in pairs]
