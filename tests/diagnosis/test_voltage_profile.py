"""Estimates of each joint, and voltage profiles profile a strand."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
import pytest

from benchtest.circuit.network import Circuit
from benchtest.circuit.prediction import predict
from benchtest.circuit.solution import solve
from benchtest.circuit.tolerance import reading_spread
from benchtest.diagnosis import Engine, JointBand, voltage_profile
from benchtest.diagnosis.inference.multiple_faults import _blurred
from benchtest.diagnosis.inference.posterior import Posterior
from benchtest.diagnosis.likelihood.measurement import noise_of
from benchtest.diagnosis.model.fault_response import GRID_OHM, GRID_SIZE, GRID_STEP_LOG, OPEN_COLUMN
from benchtest.evidence.meter import DEFAULT_METER
from benchtest.evidence.readings import Reading
from benchtest.prop.design import Design, NodeName, Probe, rail_probe
from benchtest.prop.joints import find_joint, power_joints
from benchtest.prop.lit_set import all_lit

NODES = [rail_probe(NodeName(strand, node)) for strand in (1, 4) for node in (1, 5, 10)]


@pytest.fixture(scope="module")
def small(make_fan: Callable[..., Design]) -> Design:
    return make_fan(4, 10)


@pytest.fixture(scope="module")
def engine(small: Design) -> Engine:
    return Engine(small)


def _read(design: Design, probes: list[Probe], joint_ohm: dict[str, float]) -> list[Reading]:
    lit = all_lit(design)
    rows = predict(design, lit, probes, joint_ohm).probes
    return [Reading(lit, row.probe, round(row.volts, 4)) for row in rows]


def _bands(engine: Engine, readings: list[Reading]) -> dict[str, JointBand]:
    return {band.name: band for band in engine.diagnose(readings).joints}


def test_every_power_joint_has_an_estimate(engine: Engine, small: Design) -> None:
    names = [band.name for band in engine.diagnose().joints]
    assert names == [joint.name for joint in power_joints(small)]


def test_no_joint_is_cleared_without_readings(engine: Engine) -> None:
    assert all(band.cleared_ohm is None for band in _bands(engine, []).values())


def test_joint_read_across_is_cleared_and_its_unread_twin_is_not(
    engine: Engine, small: Design
) -> None:
    drop = find_joint("4A+", small).probe
    bands = _bands(engine, _read(small, [drop], {}))
    cleared = bands["4A+"].cleared_ohm
    assert cleared is not None
    assert cleared < 0.1
    assert bands["4A-"].cleared_ohm is None


def test_prop_is_cleared_down_to_its_worst_joint(
    make_fan: Callable[..., Design],
) -> None:
    design = make_fan(4, 10, crown=False)  # every strand's current goes through both its joints
    drops = [joint.probe for joint in power_joints(design)]
    engine = Engine(design)
    finding = engine.diagnose(_read(design, drops, {}))
    each = [band.cleared_ohm for band in finding.joints]
    assert finding.cleared_ohm == max(ohm for ohm in each if ohm is not None)
    assert None not in each
    fewer = engine.diagnose(_read(design, drops[:-1], {}))
    last = fewer.joints[-1].cleared_ohm  # only an undervoltage strand would have been visible there
    assert last is not None
    assert last > 1.0
    assert fewer.cleared_ohm == last


def test_range_of_a_bad_joint_contains_its_resistance(engine: Engine, small: Design) -> None:
    drop = find_joint("4A+", small).probe
    band = _bands(engine, _read(small, [drop], {"4A+": 0.5}))["4A+"]
    assert band.probability > 0.9
    assert band.open < band.probability
    assert band.ohms is not None
    assert band.ohms.low < 0.5 < band.ohms.high


def test_every_joint_has_an_estimate_with_two_faults(
    make_fan: Callable[..., Design],
) -> None:
    design = make_fan(4, 10, crown=False)
    drops = [joint.probe for joint in power_joints(design)]
    bands = _bands(Engine(design), _read(design, drops, {"2A+": 0.5, "4A-": 0.9}))
    assert list(bands) == [joint.name for joint in power_joints(design)]
    for name, ohm in (("2A+", 0.5), ("4A-", 0.9)):
        band = bands[name]
        assert band.probability > 0.5
        assert band.ohms is not None
        assert band.ohms.low < ohm < band.ohms.high
    cleared = bands["1A+"].cleared_ohm
    assert cleared is not None
    assert cleared < 0.1


def test_profile_without_readings_equals_the_prediction(engine: Engine, small: Design) -> None:
    lit = all_lit(small)
    profile = voltage_profile(engine, lit, NODES, [], DEFAULT_METER, engine.diagnose())
    predicted = predict(small, lit, NODES, tolerances=engine.tolerances).probes
    assert profile.designed_v == pytest.approx([row.volts for row in predicted], abs=1e-9)
    # the variation of dark nodes adds a little
    assert profile.designed_sd_v == pytest.approx([row.sd for row in predicted], rel=1e-3)
    assert profile.read_v is None


def test_reading_corrects_a_profile_like_jointly_normal_variables(
    engine: Engine, small: Design
) -> None:
    """Anderson, An Introduction to Multivariate Statistical Analysis, theorem 2.5.1, in full."""
    lit = all_lit(small)
    read_at, profile_at = [NODES[1]], [NODES[0], NODES[5]]
    solution = solve(Circuit(small), lit.duty(small))
    off = -0.05
    reading = Reading(lit, read_at[0], solution.volts(read_at[0]) + off)
    finding = engine.diagnose([reading])
    assert finding.healthy > 0.5
    profile = voltage_profile(engine, lit, profile_at, [reading], DEFAULT_METER, finding)

    both = reading_spread(solution, [*read_at, *profile_at])
    covariance = both.covariance()
    noise = noise_of([reading], DEFAULT_METER)
    gained = float(noise.gain[0]) * solution.volts(read_at[0])
    variance = covariance[0, 0] + float(noise.own[0]) ** 2 + gained**2
    assert profile.read_v is not None
    assert profile.read_sd_v is not None
    for place, probe in enumerate(profile_at, 1):
        mean = solution.volts(probe) + covariance[place, 0] / variance * off
        left = covariance[place, place] - covariance[place, 0] ** 2 / variance
        assert profile.read_v[place - 1] == pytest.approx(mean, abs=2e-4)
        assert profile.read_sd_v[place - 1] == pytest.approx(np.sqrt(left), rel=0.01)


def test_bad_joint_changes_the_profile_of_its_own_strand_alone(
    make_fan: Callable[..., Design],
) -> None:
    design = make_fan(4, 10, crown=False)
    engine, lit = Engine(design), all_lit(design)
    readings = _read(design, [find_joint("4A+", design).probe, NODES[4]], {"4A+": 1.0})
    finding = engine.diagnose(readings)
    profile = voltage_profile(engine, lit, NODES, readings, DEFAULT_METER, finding)
    truth = [row.volts for row in predict(design, lit, NODES, {"4A+": 1.0}).probes]
    assert profile.suspect == "4A+"
    assert profile.read_v is not None
    assert profile.read_v == pytest.approx(truth, abs=0.02)
    assert profile.designed_v[3] - profile.read_v[3] > 0.2  # strand 4, node 1
    assert abs(profile.designed_v[0] - profile.read_v[0]) < 0.02  # strand 1, node 1


def test_slip_does_not_change_the_profile(engine: Engine, small: Design) -> None:
    lit = all_lit(small)
    good = _read(small, NODES, {})
    slip = Reading(lit, NODES[0], (good[0].volts or 0.0) - 1.0)
    readings = [slip, *good[1:]]
    profile = voltage_profile(
        engine, lit, NODES, readings, DEFAULT_METER, engine.diagnose(readings)
    )
    assert profile.read_v is not None
    assert profile.read_v == pytest.approx(profile.designed_v, abs=0.02)


def test_resistance_known_to_one_grid_step_is_the_middle_of_its_range() -> None:
    joints = np.zeros((1, GRID_SIZE + 1))
    joints[0, 40] = 1.0
    ohms = Posterior(0.0, joints, np.zeros(0), 0.0).ohms(0)
    # spread evenly over one step of the logarithm: 90 % of a step, half to each side
    assert np.log(ohms.high / ohms.low) == pytest.approx(0.9 * GRID_STEP_LOG)
    assert np.sqrt(ohms.low * ohms.high) == pytest.approx(GRID_OHM[40])
    assert ohms.best == GRID_OHM[40]


def test_masking_of_two_faults_widens_their_ranges() -> None:
    shares = np.zeros(GRID_SIZE + 1)
    shares[55:66], shares[OPEN_COLUMN] = 0.08, 0.12
    wider = _blurred(shares, (4.0 * GRID_STEP_LOG) ** 2)
    steps = np.arange(GRID_SIZE)

    def variance(row: np.ndarray) -> float:
        part = row[:GRID_SIZE] / row[:GRID_SIZE].sum()
        return float(part @ steps**2 - (part @ steps) ** 2)

    # variances of independent variables add
    assert variance(wider) == pytest.approx(variance(shares) + 16.0, rel=0.01)
    assert wider.sum() == pytest.approx(1.0)
    assert wider[OPEN_COLUMN] == shares[OPEN_COLUMN]
