"""Comparison of sessions, against densities on a grid and injected resistances."""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import replace

import numpy as np
import pytest
from scipy.stats import norm

from benchtest.circuit.tolerance import HAND_SOLDERED
from benchtest.diagnosis.batch.joint_comparison import (
    SCALE_OHM,
    compare_sessions,
    joint_ohms,
    outlier_joints,
)
from benchtest.diagnosis.batch.model import UnitReadings
from benchtest.diagnosis.likelihood.measurement import volt_noise
from benchtest.evidence.meter import DEFAULT_METER
from benchtest.evidence.readings import Reading
from benchtest.pattern import frame_from_duty
from benchtest.prop.design import BusPad, Design, rail_probe
from benchtest.prop.joints import power_joints
from benchtest.prop.lit_set import all_lit
from benchtest.virtual.injected_faults import parse_fault
from benchtest.virtual.virtual_prop import VirtualProp

SPREAD = math.log(HAND_SOLDERED.joint_factor)


@pytest.fixture(scope="module")
def design(make_fan: Callable[..., Design]) -> Design:
    """Return a fan with one bus: the current of a strand end does not depend on its joint."""
    return make_fan(3, 20, crown=False)


def _session(
    design: Design, seed: int, faults: Sequence[str] = (), joints: Sequence[str] = ()
) -> UnitReadings:
    """Return drops across joints under full white, of one unit with given faults."""
    prop = VirtualProp(design, [parse_fault(fault, design) for fault in faults], seed)
    lit = all_lit(design)
    prop.receive(frame_from_duty(lit.duty(design)))
    probe_of = {joint.name: joint.probe for joint in power_joints(design)}
    probes = [probe_of[name] for name in joints]
    return UnitReadings("WF-03", [Reading(lit, probe, prop.measure(probe)) for probe in probes])


def test_one_drop_gives_the_posterior_of_a_lone_joint(design: Design) -> None:
    """A current known to 8 %, times a log-normal resistance: SciPy's densities on a grid."""
    joint = next(joint for joint in power_joints(design) if joint.name == "2A+")
    # 20 nodes of 12 mA a colour and 0.8 mA, by the sum: 0.736 A
    amps, volts = 20 * (3 * 12.0 + 0.8) * 1e-3, 0.004
    grid = np.linspace(1e-4, 0.025, 20_000)
    noise = float(volt_noise(DEFAULT_METER, np.array(volts)))
    sd = np.hypot(noise, grid * amps * math.hypot(0.08, 0.04 / math.sqrt(20)))
    density = norm.pdf(volts, grid * amps, sd)
    density *= norm.pdf(np.log(grid / joint.ohm), 0.0, SPREAD) / grid
    upto = np.cumsum(density) / density.sum()
    low, middle, high = np.interp([0.05, 0.5, 0.95], upto, grid)
    unit = UnitReadings("WF-03", [Reading(all_lit(design), joint.probe, volts)])
    found = next(row for row in joint_ohms(design, unit) if row.where == "2A+")
    assert found.curve.sum() == pytest.approx(1.0)
    assert found.ohms.low == pytest.approx(low, rel=0.03)
    assert found.ohms.high == pytest.approx(high, rel=0.03)
    assert found.ohms.low < middle < found.ohms.high


def test_joints_without_readings_keep_their_prior(design: Design) -> None:
    """Quantiles of the normal distribution (SciPy); one joint in 200 is at fault above them.

    A ratio of two has √2 times the spread.
    """
    nothing = UnitReadings("WF-03", ())
    row = joint_ohms(design, nothing)[0]
    assert row.ohms.high == pytest.approx(
        0.002 * math.exp(norm.ppf(0.95 * 1.005) * SPREAD), rel=0.01
    )
    change = compare_sessions(design, nothing, nothing)[0]
    assert change.factor[0] == pytest.approx(math.exp(-1.645 * math.sqrt(2.0) * SPREAD), rel=0.05)
    assert change.grown == pytest.approx(0.5, abs=1e-6)
    assert not change.beyond_noise


@pytest.mark.parametrize("ohm", [0.02, 0.3])
def test_a_joint_that_has_grown_is_named_with_its_resistance(design: Design, ohm: float) -> None:
    read = ["2A+", "2A+", "2A-", "1A+"]  # one reading alone may be a slip of the pen
    for seed in (0, 1):
        before = _session(design, seed, joints=read)
        after = _session(design, seed, [f"2A+={ohm}"], read)
        worst, *others = compare_sessions(design, before, after)
        assert worst.where == "2A+"
        assert worst.beyond_noise
        assert worst.after.low / 1.15 < ohm < worst.after.high * 1.15
        assert not any(change.beyond_noise for change in others)
        back = {change.where: change for change in compare_sessions(design, after, before)}
        assert back["2A+"].beyond_noise
        assert back["2A+"].grown == pytest.approx(1.0 - worst.grown, abs=1e-9)


def test_two_sessions_of_a_unit_that_has_not_changed_agree(design: Design) -> None:
    """Only the meter's last digits differ between them."""
    read = ["1A+", "2A-", "feed1+"]
    for seed in (2, 3):
        before = _session(design, seed, joints=read)
        prop = VirtualProp(design, (), seed)
        prop.receive(frame_from_duty(all_lit(design).duty(design)))
        again = [replace(r, volts=[prop.measure(r.probe) for _ in range(3)][-1])
                 for r in before.readings]  # fmt: skip
        changes = compare_sessions(design, before, UnitReadings("WF-03", again))
        assert not any(change.beyond_noise for change in changes)


def test_a_joint_without_an_earlier_reading_is_not_reported_as_grown(design: Design) -> None:
    """It may have been bad in both sessions: one joint in two hundred is."""
    after = _session(design, 5, ["2A+=0.3"], ["2A+", "2A+", "1A+"])
    worst = compare_sessions(design, UnitReadings("WF-03", ()), after)[0]
    assert worst.where == "2A+"
    assert worst.grown > 0.9
    assert not worst.beyond_noise


def test_a_fault_elsewhere_clears_no_joint_without_readings(design: Design) -> None:
    """It may have been bad in both sessions, together with the one that was named."""
    faulty = _session(design, 5, ["2A+=0.3"], ["2A+", "2A+", "1A+"])
    rows = {row.where: row for row in joint_ohms(design, faulty)}
    assert rows["2A+"].at_fault > 0.99
    assert rows["2A+"].shown_ohm is not None
    assert 0.3 < rows["2A+"].shown_ohm < 1.0
    (unread, *_) = joint_ohms(design, UnitReadings("WF-03", ()))
    assert rows["3A-"].at_fault == pytest.approx(unread.at_fault, rel=0.3)
    assert rows["2A+"].raised >= rows["2A+"].at_fault
    assert rows["3A-"].shown_ohm is None
    assert rows["1A+"].shown_ohm is not None
    # 4 mΩ past what a healthy joint has: four to one against it by the drop that was read
    assert rows["1A+"].shown_ohm < 0.01
    later = compare_sessions(
        design, faulty, _session(design, 5, ["3A-=0.3"], ["3A-", "3A-", "1A+"])
    )
    named = {change.where: change for change in later}
    assert named["3A-"].grown > 0.9
    assert not named["3A-"].beyond_noise


def test_joints_with_equal_effects_share_the_change(design: Design) -> None:
    """The rail volts of a strand's end fall alike with its + joint and with its - joint."""
    joint = next(joint for joint in power_joints(design) if joint.name == "2A+")
    assert joint.far is not None
    lit, rail = all_lit(design), rail_probe(joint.far.place)
    units = []
    for faults in ([], ["2A+=0.5"]):
        prop = VirtualProp(design, [parse_fault(fault, design) for fault in faults], 3)
        prop.receive(frame_from_duty(lit.duty(design)))
        probes = [rail, rail_probe(BusPad("foot", 2)), rail]
        units.append(UnitReadings("WF-03", [Reading(lit, p, prop.measure(p)) for p in probes]))
    first, second, *_ = compare_sessions(design, units[0], units[1])
    assert {first.where, second.where} == {"2A+", "2A-"}
    assert first.grown == pytest.approx(second.grown, abs=0.01)
    assert not first.beyond_noise


def test_a_joint_above_those_of_other_units_is_an_outlier(design: Design) -> None:
    read = ["1A+", "2A+", "3A+"]
    units = {f"WF-{n:02}": joint_ohms(design, _session(design, n, joints=read)) for n in (1, 2, 4)}
    assert outlier_joints(units) == ()
    units["WF-07"] = joint_ohms(design, _session(design, 7, ["3A+=0.05"], read))
    (found,) = outlier_joints(units)
    assert (found.tag, found.where) == ("WF-07", "3A+")
    assert found.usual_ohm < 0.01 < found.ohms.low
    assert (
        outlier_joints(dict(list(units.items())[-2:])) == ()
    )  # of two units, neither is an outlier


def test_the_scale_is_even_and_contains_the_fault_grid() -> None:
    assert np.ptp(np.diff(np.log(SCALE_OHM))) < 1e-12
    assert SCALE_OHM[0] < 1e-4
    assert SCALE_OHM[-2] == pytest.approx(30.0)
