"""One built copy of a design: what its maker could not know, drawn once from a seed."""

from __future__ import annotations

import dataclasses
import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from benchtest.circuit.tolerance import HAND_SOLDERED, Tolerances
from benchtest.prop.design import Design
from benchtest.prop.joints import HEALTHY_JOINT_OHM, power_joints
from benchtest.prop.wire import Conductor

JOINT_FACTOR = 1.8
"""A healthy joint is log-normal with this factor round 2 mΩ. Common practice, no source."""


@dataclass(frozen=True)
class Built:
    """A unit as built.

    Attributes:
        design: the design with this unit's own wire, copper, supply and node current.
        joint_ohm: every power joint. [Ω]
        node_factor: each node's current over the unit's own, shape (nodes,).
        meter_gain: the bench meter's gain over 1, within its class.
    """

    design: Design
    joint_ohm: dict[str, float]
    node_factor: NDArray[np.float64]
    meter_gain: float


def build(
    design: Design,
    seed: int | None,
    meter_percent: float,
    tolerances: Tolerances = HAND_SOLDERED,
) -> Built:
    """Build one copy of a design.

    Args:
        design: the prop.
        seed: of the unit's own figures; None builds it exactly as designed.
        meter_percent: accuracy class of the bench meter.
        tolerances: one standard deviation of each figure.
    """
    names = [joint.name for joint in power_joints(design)]
    if seed is None:
        same = dict.fromkeys(names, HEALTHY_JOINT_OHM)
        return Built(design, same, np.ones(design.node_count), 1.0)
    rng = np.random.default_rng(seed)

    def near_one(sd: float) -> float:
        return math.exp(sd * float(np.clip(rng.normal(), -2.5, 2.5)))

    current, wire = near_one(tolerances.current), near_one(tolerances.wire)
    copper, supply = near_one(tolerances.copper), near_one(tolerances.supply)
    joints = {n: HEALTHY_JOINT_OHM * JOINT_FACTOR ** float(rng.normal()) for n in names}
    nodes = 1.0 + tolerances.node * np.clip(rng.normal(size=design.node_count), -3.0, 3.0)
    gain = 1.0 + meter_percent / 100.0 * float(rng.uniform(-1.0, 1.0)) / 2.0
    return Built(_scaled(design, current, wire, copper, supply), joints, nodes, gain)


def _scaled(design: Design, current: float, wire: float, copper: float, supply: float) -> Design:
    def of(conductor: Conductor) -> Conductor:
        factor = copper if conductor.board else wire
        return dataclasses.replace(conductor, ratio=conductor.ratio * factor)

    node = dataclasses.replace(
        design.node,
        channel_ma=design.node.channel_ma * current,
        quiescent_ma=design.node.quiescent_ma * current,
    )
    replace = dataclasses.replace
    return replace(
        design,
        node=node,
        strands=tuple(replace(strand, wire=of(strand.wire)) for strand in design.strands),
        buses=tuple(replace(bus, copper=of(bus.copper)) for bus in design.buses),
        links=tuple(replace(link, wire=of(link.wire)) for link in design.links),
        feeds=tuple(
            replace(feed, wire=of(feed.wire), volts=feed.volts * supply) for feed in design.feeds
        ),
    )
