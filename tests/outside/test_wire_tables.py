"""Wire against printed tables: gauges, areas, copper-clad aluminium."""

from __future__ import annotations

import pytest

from benchtest.prop.conductors import awg_area_mm2, awg_diameter_mm, board_copper, parse_wire

FOOT_MM = 304.8
ALPHA_PER_K = 0.00393
"""Temperature coefficient of annealed copper from 20 °C. IEC 60028, and handbook tables."""

# Diameter in mm as ASTM B258 prints its solid round wires in mils. Digits from memory.
PRINTED_MILS = {10: 101.9, 14: 64.1, 18: 40.3, 22: 25.3, 26: 15.9, 36: 5.0}

# Ω per 1000 ft of annealed copper at 20 °C: NBS Circular 31, table VI.
PRINTED_OHM_KFT = {
    12: 1.588,
    13: 2.003,
    14: 2.525,
    15: 3.184,
    16: 4.016,
    17: 5.064,
    18: 6.385,
    19: 8.051,
    20: 10.15,
    22: 16.14,
    23: 20.36,
    24: 25.67,
    25: 32.37,
    26: 40.81,
}

# Ω per 1000 ft, solid, uncoated, 75 °C: NFPA 70 (NEC), chapter 9, table 8. 10 AWG is printed as
# 1.21, which is 0.4 % from its own neighbours: rounding.
NEC_OHM_KFT_75C = {18: 7.77, 16: 4.89, 14: 3.07, 12: 1.93, 8: 0.764}

# Most Ω per km at 20 °C by nominal mm²: IEC 60228, plain copper, class 5 and classes 1 and 2.
IEC_60228_OHM_KM = {
    0.5: (39.0, 36.0),
    0.75: (26.0, 24.5),
    1.0: (19.5, 18.1),
    1.5: (13.3, 12.1),
    2.5: (7.98, 7.41),
    4.0: (4.95, 4.61),
}


@pytest.mark.parametrize(("gauge", "mils"), PRINTED_MILS.items())
def test_diameters_are_those_of_astm_b258(gauge: int, mils: float) -> None:
    assert awg_diameter_mm(gauge) / 0.0254 == pytest.approx(mils, abs=0.051)  # the digits printed


@pytest.mark.parametrize(("gauge", "printed"), PRINTED_OHM_KFT.items())
def test_resistance_is_that_of_the_copper_wire_tables(gauge: int, printed: float) -> None:
    ohm_kft = parse_wire(f"{gauge} AWG").ohm_per_mm * FOOT_MM * 1000
    assert ohm_kft == pytest.approx(printed, rel=5e-4)


@pytest.mark.parametrize(("gauge", "printed"), NEC_OHM_KFT_75C.items())
def test_warm_wire_is_that_of_the_electrical_code(gauge: int, printed: float) -> None:
    cold = parse_wire(f"{gauge} AWG").ohm_per_mm * FOOT_MM * 1000
    assert cold * (1 + ALPHA_PER_K * 55) == pytest.approx(printed, rel=1.5e-3)


@pytest.mark.parametrize(("mm2", "limits"), IEC_60228_OHM_KM.items())
def test_nominal_area_keeps_within_iec_60228(mm2: float, limits: tuple[float, float]) -> None:
    """The standard limits resistance, not area: makers may give up to a sixth less copper."""
    ohm_km = parse_wire(f"{mm2:g} mm2").ohm_per_mm * 1e6
    for limit in limits:
        assert 1.0 <= limit / ohm_km <= 1.16


def test_areas_are_those_of_the_circular_mil_table() -> None:
    """A 10 AWG wire has 10 380 circular mils. NBS Circular 31, table VI; from memory."""
    circular_mil_mm2 = 3.141592653589793 / 4 * 0.0254**2
    assert awg_area_mm2(10) / circular_mil_mm2 == pytest.approx(10_380, rel=5e-4)


def test_clad_aluminium_is_between_the_classes_of_astm_b566() -> None:
    """10 % copper by volume: 9.90 Ω per 1000 ft of 18 AWG printed, 62.9 % IACS at least."""
    ratio = parse_wire("18 AWG CCA").ohm_per_mm / parse_wire("18 AWG").ohm_per_mm
    assert 9.90 / 6.385 - 0.005 <= ratio <= 1 / 0.629


def test_an_ounce_of_foil_has_half_a_milliohm_a_square() -> None:
    """0.5 mΩ a square for an ounce: the rule of thumb in makers' guides. From memory."""
    square_ohm = board_copper(1.0, 10.0).ohm_per_mm * 10.0
    assert square_ohm == pytest.approx(0.0005, rel=0.02)
