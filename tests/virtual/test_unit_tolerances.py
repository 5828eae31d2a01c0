"""Units of one design differ as built props do, and one seed always builds the same unit."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
import pytest
from scipy import stats

from benchtest.circuit.prediction import predict
from benchtest.prop.design import Design, StrandEnd, rail_probe
from benchtest.prop.lit_set import all_lit
from benchtest.virtual.virtual_prop import BuiltUnit, VirtualProp, build_unit

UNITS = 200
MakeFan = Callable[..., Design]


@pytest.fixture(scope="module")
def fan(make_fan: MakeFan) -> Design:
    return make_fan(strands=4, nodes=10, feeds=("foot:1", "foot:4"))


def _chi_square_bounds() -> tuple[float, float]:
    """Sum of squares of UNITS draws over their variance, in 999 of 1000 cases."""
    return float(stats.chi2.ppf(0.0005, UNITS - 1)), float(stats.chi2.ppf(0.9995, UNITS - 1))


@pytest.fixture(scope="module")
def units(fan: Design) -> list[BuiltUnit]:
    return [build_unit(fan, seed, 0.5) for seed in range(UNITS)]


def test_without_a_seed_the_unit_is_as_designed(fan: Design) -> None:
    unit = build_unit(fan, None, 0.5)
    assert unit.design == fan
    assert set(unit.joint_ohm.values()) == {0.002}
    assert (unit.node_factor == 1.0).all()
    assert unit.meter_gain == 1.0


def test_one_seed_builds_one_unit(fan: Design) -> None:
    one, same, other = build_unit(fan, 7, 0.5), build_unit(fan, 7, 0.5), build_unit(fan, 8, 0.5)
    assert one.design == same.design
    assert one.joint_ohm == same.joint_ohm
    assert (one.node_factor == same.node_factor).all()
    assert one.design != other.design
    assert one.meter_gain != other.meter_gain


# One standard deviation of each value: common practice, no source. The chi-square distribution
# gives the range of the variance of 200 draws.
@pytest.mark.parametrize(
    ("sd", "figure"),
    [
        (0.08, lambda unit, fan: unit.design.node.channel_ma / fan.node.channel_ma),
        (0.08, lambda unit, fan: unit.design.strands[0].wire.ratio),
        (0.15, lambda unit, fan: unit.design.buses[1].copper.ratio),
        (0.01, lambda unit, fan: unit.design.feeds[1].volts / 5.0),
        (np.log(1.8), lambda unit, fan: unit.joint_ohm["3B-"] / 0.002),
    ],
    ids=["current", "wire", "copper", "supply", "joint"],
)
def test_values_spread_by_their_tolerances(
    units: list[BuiltUnit], fan: Design, sd: float, figure: Callable[[BuiltUnit, Design], float]
) -> None:
    logs = np.log([figure(unit, fan) for unit in units])
    low, high = _chi_square_bounds()
    assert low < (UNITS - 1) * logs.var(ddof=1) / sd**2 < high
    assert abs(logs.mean()) < 3.5 * sd / np.sqrt(UNITS)


def test_nodes_of_one_unit_spread_by_four_per_cent(units: list[BuiltUnit]) -> None:
    factors = np.concatenate([unit.node_factor for unit in units])
    assert factors.std() == pytest.approx(0.04, rel=0.05)
    assert factors.mean() == pytest.approx(1.0, abs=0.002)


def test_a_unit_has_one_value_for_what_its_parts_share(units: list[BuiltUnit]) -> None:
    for unit in units[:20]:
        assert len({strand.wire.ratio for strand in unit.design.strands}) == 1
        assert len({bus.copper.ratio for bus in unit.design.buses}) == 1
        assert len({feed.volts for feed in unit.design.feeds}) == 2  # supplies differ


def test_the_meter_is_within_its_class(units: list[BuiltUnit]) -> None:
    off = np.array([unit.meter_gain - 1.0 for unit in units])
    assert np.abs(off).max() <= 0.005
    assert stats.kstest(off, stats.uniform(-0.005, 0.01).cdf).pvalue > 0.001


def test_volts_of_many_units_spread_as_predicted(make_fan: MakeFan) -> None:
    # the prediction uses derivatives, this test whole solutions of 200 units
    design = make_fan(strands=3, nodes=12, crown=False, wire="26 AWG")
    probes = [rail_probe(StrandEnd(2, "A")), rail_probe(StrandEnd(3, "B"))]
    predicted = predict(design, all_lit(design), probes)
    volts = []
    for seed in range(UNITS):
        prop = VirtualProp(design, seed=seed)
        prop.receive(np.full((36, 3), 255, dtype=np.uint8))
        volts.append([prop.volts(probe) for probe in probes])
    low, high = _chi_square_bounds()
    for column, row in zip(np.array(volts).T, predicted.probes, strict=True):
        assert low < (UNITS - 1) * column.var(ddof=1) / row.sd**2 < high
        # cables and supplies only lower the voltage: the mean of an exponential, sd / sqrt(2)
        (feed,) = design.feeds
        cable_ohm = 2.0 * feed.wire.ohm_per_mm * feed.length_mm
        lost_v = predicted.feeds[0][1] * (0.25 * cable_ohm + 0.015) * np.sqrt(0.5)
        assert abs(column.mean() + lost_v - row.volts) < 4.0 * row.sd / np.sqrt(UNITS)
