"""One built copy of a design, with deviations that its maker cannot know, drawn from a seed."""

from __future__ import annotations

import dataclasses
import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from benchtest.circuit.tolerance import HAND_SOLDERED, Tolerances
from benchtest.prop.design import Design, Feed
from benchtest.prop.joints import Joint, power_joints

Chance = np.random.Generator


@dataclass(frozen=True)
class BuiltUnit:
    """A unit as built.

    Attributes:
        design: the design with this unit's own wire, copper, fuses, supplies and node current.
        joint_ohm: every power joint. [Ω]
        node_factor: current of each node's channels over the unit's own, shape (nodes,). A dark
            node's current is the unit's: too little for its own spread to be measured.
        meter_gain: reading of the bench meter at 1 V, within its class.
    """

    design: Design
    joint_ohm: dict[str, float]
    node_factor: NDArray[np.float64]
    meter_gain: float


def build_unit(
    design: Design,
    seed: int | None,
    meter_percent: float,
    tolerances: Tolerances = HAND_SOLDERED,
) -> BuiltUnit:
    """Build one copy of a design.

    Args:
        design: the prop.
        seed: seed of the unit's deviations; None builds it exactly as designed.
        meter_percent: accuracy class of the bench meter.
        tolerances: one standard deviation of each figure.
    """
    made = power_joints(design)
    if seed is None:
        same = {joint.name: joint.ohm for joint in made}
        return BuiltUnit(design, same, np.ones(design.node_count), 1.0)
    rng = np.random.default_rng([seed, 0])
    own = _with_feed_losses(_with_tolerances(design, tolerances, rng), seed, tolerances)
    joints = {joint.name: draw_joint_ohm(joint, rng, tolerances) for joint in made}
    # a current sink never draws a negative current
    nodes = np.maximum(1.0 + tolerances.node * rng.normal(size=design.node_count), 0.0)
    gain = 1.0 + meter_percent / 100.0 * float(rng.uniform(-1.0, 1.0))
    return BuiltUnit(own, joints, nodes, gain)


def _with_feed_losses(design: Design, seed: int, tolerances: Tolerances) -> Design:
    """Return the design with one unit's feeds: longer or thinner cables, supplies that sag.

    Both only lower the voltage. Exponential, with the root mean square of the tolerances.
    """
    rng = np.random.default_rng([seed, 2])  # an independent series: the other values do not change

    def fed(feed: Feed) -> Feed:
        longer = 1.0 + tolerances.cable * float(rng.exponential(math.sqrt(0.5)))
        source_ohm = tolerances.source_ohm * float(rng.exponential(math.sqrt(0.5)))
        wire = dataclasses.replace(feed.wire, ratio=feed.wire.ratio * longer)
        if feed.source_mohm:
            source_ohm = feed.source_mohm * 1e-3
        return dataclasses.replace(feed, wire=wire, source_mohm=source_ohm * 1e3)

    return dataclasses.replace(design, feeds=tuple(map(fed, design.feeds)))


def draw_joint_ohm(joint: Joint, rng: Chance, tolerances: Tolerances = HAND_SOLDERED) -> float:
    """Draw the resistance of a joint made by a careful person. [Ω]"""
    return float(joint.ohm * tolerances.joint_factor ** rng.normal())


def _with_tolerances(design: Design, tolerances: Tolerances, rng: Chance) -> Design:
    """Return the design with one unit's values, each off by its own factor."""

    def near_one(sd: float) -> float:
        return math.exp(sd * float(rng.normal()))

    replace = dataclasses.replace
    current, wire, copper = (
        near_one(sd) for sd in (tolerances.current, tolerances.wire, tolerances.copper)
    )
    scaled = design.scaled(current=current, wire=wire, copper=copper)
    return replace(
        scaled,
        feeds=tuple(
            replace(
                feed,
                volts=feed.volts * near_one(tolerances.supply),
                fuse_mohm=feed.fuse_mohm * near_one(tolerances.fuse),
            )
            for feed in scaled.feeds
        ),
    )
