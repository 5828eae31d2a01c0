"""Tests that every driver passes, on any wire.

A driver's tests inherit `DriverContract` and define how to make one and how to read the prop.
"""

from __future__ import annotations

from collections.abc import Callable
from typing import Protocol

import numpy as np
import pytest

from benchtest.drive.driver import Driver
from benchtest.drive.frame_clock import FrameClock
from benchtest.drive.universe_layout import Frame
from benchtest.errors import DriveFault
from benchtest.prop.design import Design
from tests.waiting import came, until


class Bench(Protocol):
    """One prop on one wire."""

    loses: bool
    """True if frames may be lost, so that only a repeated frame is certain to arrive."""

    def driver(self, design: Design) -> Driver:
        """Return a driver that reaches the prop."""
        ...

    def unreachable(self, design: Design) -> Driver:
        """Return a driver that reaches nothing."""
        ...

    def shown(self) -> bytes:
        """Return the octets that the nodes hold, in data order; none before the first frame."""
        ...


def on_the_wire(design: Design, frame: Frame) -> bytes:
    """Compute the octets that the nodes should hold from the prop file's text, node by node.

    Data enters each strand at the end that the path names; a chip takes its colours in the order
    of the letters.
    """
    colours = {colour[0].upper(): place for place, colour in enumerate(design.node.colours)}
    octets = bytearray()
    for entry in design.data_path:
        nodes = range(1, design.strand(entry.strand).nodes + 1)
        for node in nodes if entry.end == "A" else reversed(nodes):
            row = frame[design.index(entry.strand, node)]
            octets += bytes(int(row[colours[letter]]) for letter in design.node.colour_order)
    return bytes(octets)


def _scale(design: Design) -> Frame:
    """Return a frame in which ends, strands and colours differ."""
    frame = np.full((design.node_count, design.node.channels), 3, dtype=np.uint8)
    frame[::10] = [200, 100, 50, 25][: design.node.channels]
    frame[0] = [255, 0, 0, 0][: design.node.channels]
    frame[-1] = [0, 0, 255, 0][: design.node.channels]
    frame[design.node_count // 2] = [0, 255, 0, 0][: design.node.channels]
    return frame


class DriverContract:
    """Tests that every driver passes; `bench` is the driver's own fixture."""

    @pytest.fixture
    def design(self, make_fan: Callable[..., Design]) -> Design:
        """Two hundred nodes in zigzag: more than one universe, and both directions of data."""
        return make_fan(4, 50)

    def _opened(self, bench: Bench, design: Design) -> Driver:
        driver = bench.driver(design)
        driver.open()
        return driver

    def _arrives(self, bench: Bench, driver: Driver, frame: Frame, *, sent: bool = False) -> None:
        """Show a frame, if it was not sent already, until the prop has it.

        If frames may be lost it is sent again, as the frame clock does; else never.
        """
        wanted = on_the_wire(driver.design, frame)  # type: ignore[attr-defined]
        if not sent:
            driver.show(frame)

        def has_it() -> bool:
            if bench.shown() == wanted or not bench.loses:
                return bench.shown() == wanted
            # the time of a frame and the delay of the way
            if not (there := came(lambda: bench.shown() == wanted, within_s=0.1)):
                driver.show(frame)
            return there

        until(has_it)

    def test_opening_returns_place_and_rate(self, bench: Bench, design: Design) -> None:
        driver = bench.driver(design)
        abilities = driver.open()
        driver.close()
        assert abilities.where
        assert abilities.universes >= 1
        assert abilities.max_fps > 0.0

    def test_a_frame_arrives_node_for_node(self, bench: Bench, design: Design) -> None:
        driver = self._opened(bench, design)
        frame = _scale(design)
        self._arrives(bench, driver, frame)
        driver.close()

    def test_four_colours_arrive_in_the_chips_order(
        self, bench: Bench, make_fan: Callable[..., Design], make_kind: Callable[..., object]
    ) -> None:
        design = make_fan(3, 50, kind=make_kind(colours="red green blue white"))
        assert design.node.colour_order == "GRBW"
        driver = self._opened(bench, design)
        frame = _scale(design)
        self._arrives(bench, driver, frame)
        driver.close()

    def test_the_newest_of_many_frames_stays(self, bench: Bench, design: Design) -> None:
        driver = self._opened(bench, design)
        for level in range(100):
            driver.show(np.full((design.node_count, 3), level, dtype=np.uint8))
        self._arrives(bench, driver, np.full((design.node_count, 3), 99, dtype=np.uint8), sent=True)
        driver.close()

    def test_the_same_frame_again_changes_nothing(self, bench: Bench, design: Design) -> None:
        driver = self._opened(bench, design)
        frame = _scale(design)
        for _ in range(3):
            before = driver.status().frames
            driver.show(frame)
            until(lambda before=before: driver.status().frames > before)  # type: ignore[misc]
            self._arrives(bench, driver, frame, sent=True)
        driver.close()

    def test_status_counts_frames_and_packets(self, bench: Bench, design: Design) -> None:
        driver = self._opened(bench, design)
        assert driver.status().frames == 0
        driver.show(_scale(design))
        until(lambda: driver.status().frames == 1)
        assert driver.status().packets >= 1
        assert driver.status().trouble is None
        driver.close()

    def test_closing_leaves_the_prop_dark(self, bench: Bench, design: Design) -> None:
        driver = self._opened(bench, design)
        driver.show(np.full((design.node_count, 3), 255, dtype=np.uint8))
        driver.close()
        driver.close()  # a second close has no effect
        until(lambda: bench.shown() == bytes(3 * design.node_count))

    def test_a_closed_driver_rejects_frames(self, bench: Bench, design: Design) -> None:
        driver = self._opened(bench, design)
        driver.close()
        with pytest.raises(DriveFault, match="closed"):
            driver.show(_scale(design))

    def test_it_can_be_opened_again(self, bench: Bench, design: Design) -> None:
        driver = self._opened(bench, design)
        driver.close()
        driver.open()
        self._arrives(bench, driver, _scale(design))
        driver.close()

    def test_opening_a_missing_prop_gives_the_remedy(self, bench: Bench, design: Design) -> None:
        driver = bench.unreachable(design)
        with pytest.raises(DriveFault, match=r"; "):
            driver.open()
        driver.close()

    def test_the_clock_drives_it_from_dark_to_dark(self, bench: Bench, design: Design) -> None:
        frame = _scale(design)
        with FrameClock(bench.driver(design), design.node_count, 3).start() as clock:
            until(lambda: bench.shown() == bytes(3 * design.node_count))
            clock.show(frame)
            until(lambda: bench.shown() == on_the_wire(design, frame))
        until(lambda: bench.shown() == bytes(3 * design.node_count))
