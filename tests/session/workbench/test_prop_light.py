"""The light of a prop: never more than its fuse, its supply and its nodes can carry."""

from __future__ import annotations

import re
import socket
from collections.abc import Callable, Iterator
from dataclasses import replace
from uuid import uuid4

import numpy as np
import pytest

from benchtest.circuit.network import Circuit
from benchtest.circuit.solution import solve
from benchtest.drive.e131.driver import SourceSettings
from benchtest.drive.frame_clock import FrameClock
from benchtest.drive.target import Target, driver_for
from benchtest.errors import InputError
from benchtest.prop.conductors import COPPER_OHM_M, parse_wire
from benchtest.prop.design import Design, Feed, NodeName, Strand, StrandEnd
from benchtest.prop.lit_set import all_lit
from benchtest.prop.node_kinds import NodeKind
from benchtest.session.workbench.prop_light import PropLight

Lights = Callable[[Design], PropLight]


@pytest.fixture
def lamp_of() -> Iterator[Lights]:
    """Return a function that makes the light of a prop, over real packets on loopback."""
    ear = socket.socket(socket.AF_INET, socket.SOCK_DGRAM)
    ear.bind(("127.0.0.1", 0))
    clocks: list[FrameClock] = []

    def make(design: Design) -> PropLight:
        target = Target("e131", "127.0.0.1", ear.getsockname()[1])
        driver = driver_for(target, design, SourceSettings(uuid4()))
        clocks.append(FrameClock(driver, design.node_count, design.node.channels).start())
        return PropLight(design, clocks[-1])

    yield make
    for clock in clocks:
        clock.close()
    ear.close()


def _behind_an_ohm(make_kind: Callable[..., NodeKind], watts: float) -> Design:
    """Return one node of constant power behind a cable of 1 Ω, its joints included."""
    low = {"red": 2.0, "green": 2.0, "blue": 2.0}
    kind = make_kind(
        "regulated", channel_ma=watts / 12.0 / 3.0 * 1e3, quiescent_ma=0.0,
        full_v=low, dark_v=dict.fromkeys(low, 1.0),
    )  # fmt: skip
    end, wire = StrandEnd(1, "A"), parse_wire("22 AWG")
    one_way_mm = (0.5 - 0.002) * wire.area_mm2 * 1e-3 / COPPER_OHM_M  # and one joint of 2 mΩ
    feed = Feed("main", end, 12.0, wire, one_way_mm)
    return Design("One", kind, (Strand(1, 1, 30.0, (0.0, 0.0), wire),), (end,), (), (), (feed,))


def test_a_level_at_which_nodes_would_not_start_is_refused_with_one_that_starts(
    lamp_of: Lights, make_kind: Callable[..., NodeKind]
) -> None:
    # More than V²/4R can be given to no load behind R (maximum power transfer): of 40 W 36 W.
    design = _behind_an_ohm(make_kind, 40.0)
    lamp = lamp_of(design)
    with pytest.raises(InputError, match="would not start; ") as refused:
        lamp.light(all_lit(design))
    (fits,) = re.findall(r"(\d+)% fits", str(refused.value))
    assert 0.88 <= int(fits) / 100 <= 0.90
    assert lamp.is_dark
    lamp.light(all_lit(design), lower=True)
    assert lamp.level == int(fits) / 100
    assert solve(Circuit(design), all_lit(design, lamp.level).duty(design)).starts


def test_nodes_that_start_are_lit_in_full(
    lamp_of: Lights, make_kind: Callable[..., NodeKind]
) -> None:
    design = _behind_an_ohm(make_kind, 30.0)
    lamp = lamp_of(design)
    lamp.light(all_lit(design))
    assert (lamp.level, lamp.words) == (1.0, "all")


def test_looks_are_lit_as_brightly_as_the_fuse_lets(lamp_of: Lights, fan: Design) -> None:
    """40 nodes at full draw 1.5 A; the fuse carries 1 A."""
    lamp = lamp_of(fan)
    lamp.light(all_lit(fan), lower=True)
    amps = solve(Circuit(fan), all_lit(fan, lamp.level).duty(fan)).feed_a["main"]
    assert 0.95 < amps <= 1.0
    lamp.light_nodes([NodeName(2, n) for n in range(1, 11)], 0.5)
    assert (lamp.words, lamp.level) == ("2.1 to 2.10 at 50%", 0.5)
    lit = lamp.clock.showing().any(axis=1)
    assert np.flatnonzero(lit).tolist() == list(range(10, 20))


def test_a_prop_far_within_its_fuse_is_lit_in_full(lamp_of: Lights, fan: Design) -> None:
    roomy = replace(fan, feeds=tuple(replace(feed, fuse_a=4.0) for feed in fan.feeds))
    lamp = lamp_of(roomy)
    lamp.light(all_lit(roomy))
    assert solve(Circuit(roomy), all_lit(roomy).duty(roomy)).feed_a["main"] < 4.0
    assert lamp.level == 1.0
