"""Current through protection diodes of data pins into copper that an open joint has cut off.

A chip's data pin has a protection diode to each of its own rails. When its `+` rail is cut off,
a data line at high level feeds it through one; when its return is cut off, its current leaves
through the other. For this reason one to four volts remain behind an open joint.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from benchtest.circuit.netlist import FloatArray, IndexArray, Netlist
from benchtest.prop.design import StrandEnd
from benchtest.prop.joints import data_hops

_DATA_HIGH_V = 5.0
"""High level of a data line. [V] Common practice, no source."""
_DIODE_V = 0.7
"""Drop of a protection diode. [V] Common practice, no source."""
DATA_LINE_OHM = 150.0
"""Output resistance and series resistor of a data line. [Ω] Common practice, no source."""
KNEE_V = 0.05
"""Half width of the diode's rounded knee. [V] Chosen by us."""
LEAK_S = 1e-8
"""Leakage of a protection diode. [S] Common practice, no source; any small value would do."""


@dataclass(frozen=True)
class Backfeed:
    """Diode paths: one on each rail of each strand, where data enters it.

    Current flows from `tail` to `head` while `v[tail] - v[head] + push_v` is positive.

    Attributes:
        tail: point at the tail of each path, shape (paths,).
        head: point at the head of each path, shape (paths,).
        push_v: volts that drive each path, diode drop subtracted, shape (paths,). [V]
    """

    tail: IndexArray
    head: IndexArray
    push_v: FloatArray

    def only(self, wanted: np.ndarray) -> Backfeed:
        """Return some of the paths."""
        return Backfeed(self.tail[wanted], self.head[wanted], self.push_v[wanted])

    def current(self, drive_v: FloatArray) -> tuple[FloatArray, FloatArray]:
        """Return current and conductance of each path.

        With the knee's half width k, i = max(0, u - k) / R above it, a parabola
        (u + k)² / (4 k R) within it, and a leakage G u everywhere.

        Args:
            drive_v: u = `v[tail] - v[head] + push_v`, shape (paths,). [V]

        Returns:
            Current [A] and its derivative [S], shape (paths,) each.

        Source: the piecewise-linear diode of any text on electronics; the parabola joins its
        two lines without a step in the slope.
        """
        rounded = np.clip(drive_v + KNEE_V, 0.0, 2.0 * KNEE_V)
        beyond = np.maximum(drive_v - KNEE_V, 0.0)
        current_a = (rounded**2 / (4.0 * KNEE_V) + beyond) / DATA_LINE_OHM
        slope_s = rounded / (2.0 * KNEE_V) / DATA_LINE_OHM
        return current_a + LEAK_S * drive_v, slope_s + LEAK_S


def backfeed_paths(netlist: Netlist) -> Backfeed:
    """Return the diode paths of every data input of a prop, used or not.

    Args:
        netlist: the prop; the first path starts at the controller, taken as the first supply.
    """
    design = netlist.design
    tails, heads, pushes = [], [], []
    controller = netlist.sources[0] if netlist.sources else 0
    before = {entering: _end_node(netlist, leaving, "-") for leaving, entering in data_hops(design)}
    for entry in design.data_path:
        driver = before.get(entry, controller)
        tails += [driver, _end_node(netlist, entry, "-")]
        heads += [_end_node(netlist, entry, "+"), driver]
        pushes += [_DATA_HIGH_V - _DIODE_V, -_DIODE_V]
    return Backfeed(np.array(tails), np.array(heads), np.array(pushes))


def live_paths(paths: Backfeed, floating: np.ndarray) -> Backfeed:
    """Return the paths between an island and copper with a supply.

    Args:
        paths: all paths.
        floating: True for points of an island, shape (points,).
    """
    return paths.only(floating[paths.tail] != floating[paths.head])


def _end_node(netlist: Netlist, end: StrandEnd, rail: str) -> int:
    design = netlist.design
    node = 1 if end.end == "A" else design.strand(end.strand).nodes
    index = design.index(end.strand, node)
    return index if rail == "+" else design.node_count + index
