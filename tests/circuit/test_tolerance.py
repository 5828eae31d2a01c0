"""The spread of a healthy unit, against sampling and against finite differences."""

from __future__ import annotations

import dataclasses
import math
from collections.abc import Callable

import numpy as np
import pytest

from benchtest.circuit.network import Circuit
from benchtest.circuit.predict import predict
from benchtest.circuit.tolerance import HAND_SOLDERED, cause_names, spread
from benchtest.circuit.wiring import FloatArray
from benchtest.prop.design import Design, NodeKind, Probe
from benchtest.prop.joints import HEALTHY_JOINT_OHM, power_joints
from benchtest.prop.lit import everything, parse_lit
from benchtest.prop.names import parse_probe
from benchtest.prop.wire import Conductor

MakeFan = Callable[..., Design]
MakeKind = Callable[..., NodeKind]

PROBES = ["3A", "3B", "1B", "foot:3+>3A+", "foot:1+>foot:4+", "2.4", "2A+>3A+"]
JOINT_FACTOR = 1.8
"""A healthy joint is log-normal, median 2 mΩ, factor 1.8: common practice, no source."""


def _scaled(conductor: Conductor, by: float) -> Conductor:
    return dataclasses.replace(conductor, ratio=conductor.ratio * by)


def _altered(
    design: Design,
    *,
    wire: float = 1.0,
    copper: float = 1.0,
    current: float = 1.0,
    supply: float = 1.0,
    fuse: float = 1.0,
) -> Design:
    """The same prop with each material off its nominal by a factor."""
    return dataclasses.replace(
        design,
        node=dataclasses.replace(
            design.node,
            channel_ma=design.node.channel_ma * current,
            quiescent_ma=design.node.quiescent_ma * current,
        ),
        strands=tuple(
            dataclasses.replace(strand, wire=_scaled(strand.wire, wire))
            for strand in design.strands
        ),
        buses=tuple(
            dataclasses.replace(bus, copper=_scaled(bus.copper, copper)) for bus in design.buses
        ),
        feeds=tuple(
            dataclasses.replace(
                feed,
                volts=feed.volts * supply,
                wire=_scaled(feed.wire, wire),
                fuse_mohm=feed.fuse_mohm * fuse,
            )
            for feed in design.feeds
        ),
    )


def _fused(make_fan: MakeFan, **figures: object) -> Design:
    design = make_fan(4, 8, **figures)
    feeds = tuple(dataclasses.replace(feed, fuse_mohm=11.0) for feed in design.feeds)
    return dataclasses.replace(design, feeds=feeds)


def _volts(
    design: Design, probes: list[Probe], duty: FloatArray, joint_ohm: dict[str, float]
) -> FloatArray:
    solution = Circuit(design, joint_ohm).solve(duty)
    return np.array([solution.volts(probe) for probe in probes])


def _sampled_v(design: Design, probes: list[Probe], count: int) -> FloatArray:
    """Volts of units built at random within the tolerances, shape (count, probes)."""
    chance = np.random.default_rng(20)
    tolerances, names = HAND_SOLDERED, [joint.name for joint in power_joints(design)]
    full = everything(design).duty(design)
    read = []
    for _ in range(count):
        unit = _altered(
            design,
            wire=1 + tolerances.wire * chance.standard_normal(),
            copper=1 + tolerances.copper * chance.standard_normal(),
            current=1 + tolerances.current * chance.standard_normal(),
            supply=1 + tolerances.supply * chance.standard_normal(),
            fuse=1 + tolerances.fuse * chance.standard_normal(),
        )
        ohms = HEALTHY_JOINT_OHM * JOINT_FACTOR ** chance.standard_normal(len(names))
        node = 1 + tolerances.node * chance.standard_normal((design.node_count, 1))
        read.append(_volts(unit, probes, full * node, dict(zip(names, ohms, strict=True))))
    return np.asarray(read)


def test_sd_is_that_of_four_hundred_units_built_at_random(
    make_fan: MakeFan, make_kind: MakeKind
) -> None:
    """Sampled units draw nothing when dark, so that a node's own share is that of its channels."""
    design = _fused(make_fan, kind=make_kind(quiescent_ma=0.0))
    probes = [parse_probe(text, design) for text in PROBES]
    sampled_v = _sampled_v(design, probes, 400)
    sd_v = sampled_v.std(axis=0, ddof=1)
    # how well a sample knows its standard deviation: by its fourth moment, any handbook
    fourth = ((sampled_v - sampled_v.mean(axis=0)) ** 4).mean(axis=0) / sd_v**4
    error_v = sd_v * np.sqrt((fourth - 1) / (4 * len(sampled_v)))
    for row, expected_v, unsure_v in zip(
        predict(design, everything(design), probes).probes, sd_v, error_v, strict=True
    ):
        # a high joint sheds current to the strand's other end, which first derivatives overlook
        bent = 0.02 if row.probe.red.rail != row.probe.black.rail else 0.10
        assert row.sd == pytest.approx(expected_v, abs=3 * unsure_v + bent * expected_v), row.probe
        assert unsure_v < 0.1 * expected_v


def _difference_v(
    design: Design, probes: list[Probe], duty: FloatArray, cause: str, base: dict[str, float]
) -> FloatArray:
    """Change of each probe for one standard deviation of a cause, by a small step either way."""
    step = 1e-4
    if cause.startswith("joint "):
        name = cause.removeprefix("joint ")
        ohm = base.get(name, HEALTHY_JOINT_OHM)
        share = HAND_SOLDERED.joint
        up = _volts(design, probes, duty, {**base, name: ohm * (1 + step)})
        down = _volts(design, probes, duty, {**base, name: ohm * (1 - step)})
    else:
        key = "supply" if cause.startswith("supply") else cause
        share = getattr(HAND_SOLDERED, key)
        up = _volts(_altered(design, **{key: 1 + step}), probes, duty, base)
        down = _volts(_altered(design, **{key: 1 - step}), probes, duty, base)
    return (up - down) / (2 * step) * share


@pytest.mark.parametrize("starved", [False, True])
def test_every_shared_cause_agrees_with_finite_differences(
    make_fan: MakeFan, make_kind: MakeKind, starved: bool
) -> None:
    """Also where nodes have left the flat part of their law, and currents follow the volts."""
    kind = make_kind(channel_ma=45.0 if starved else 12.0)
    design = _fused(make_fan, kind=kind, crown=not starved)
    base = {"3A+": 1.5} if starved else {}
    duty = everything(design).duty(design)
    probes = [parse_probe(text, design) for text in PROBES]
    solution = Circuit(design, base).solve(duty)
    assert (solution.slope_s.max() > 1e-3) == starved
    shared = spread(solution, probes).shared
    for column, cause in enumerate(cause_names(design)):
        by_steps = _difference_v(design, probes, duty, cause, base)
        assert shared[:, column] == pytest.approx(by_steps, rel=1e-3, abs=3e-7), cause


def test_each_nodes_own_current_agrees_with_finite_differences(
    make_fan: MakeFan, make_kind: MakeKind
) -> None:
    design = make_fan(3, 4, kind=make_kind(quiescent_ma=0.0))
    probes = [parse_probe(text, design) for text in ["2A", "3.2", "foot:1+>foot:3+"]]
    duty = everything(design, 0.5).duty(design)
    nodes = spread(Circuit(design).solve(duty), probes).nodes
    for index in range(design.node_count):
        more, less = duty.copy(), duty.copy()
        more[index] *= 1.001
        less[index] *= 0.999
        step = _volts(design, probes, more, {}) - _volts(design, probes, less, {})
        by_steps = step / 0.002 * HAND_SOLDERED.node
        assert nodes[:, index] == pytest.approx(by_steps, rel=1e-3, abs=1e-9)


def test_a_joint_whose_resistance_is_given_adds_no_spread(make_fan: MakeFan) -> None:
    design = make_fan(3, 4)
    across = [parse_probe("foot:2+>2A+", design)]
    unknown = predict(design, everything(design), across).probes[0].sd
    given = predict(design, everything(design), across, {"2A+": HEALTHY_JOINT_OHM}).probes[0].sd
    assert given < 0.5 * unknown


def test_a_joint_spread_is_that_of_the_log_normal() -> None:
    """sqrt(exp(s²) - 1) exp(s²/2) with s = ln 1.8: the moments of a log-normal, any handbook."""
    s = math.log(JOINT_FACTOR)
    assert HAND_SOLDERED.joint == pytest.approx(
        math.sqrt(math.exp(s * s) - 1) * math.exp(s * s / 2), abs=1e-3
    )


def test_covariance_has_the_variances_on_its_diagonal(make_fan: MakeFan) -> None:
    design = make_fan(3, 4)
    probes = [parse_probe(text, design) for text in ["1A", "2A", "3B"]]
    found = spread(Circuit(design).solve(parse_lit("2", design).duty(design)), probes)
    covariance = found.covariance()
    assert np.sqrt(np.diag(covariance)) == pytest.approx(found.sd_v)
    assert np.linalg.eigvalsh(covariance).min() > -1e-15
    assert covariance[0, 1] > 0.9 * covariance[0, 0]  # one supply is in both readings
