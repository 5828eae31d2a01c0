"""What a strand's data line feeds into copper that an open joint has cut off.

A chip's data pin has a protection diode to each of its own rails. When its `+` rail is cut off,
a data line at high level feeds it through one; when its return is cut off, its current leaves
through the other. That is why an open joint leaves one to four volts behind it and not nothing.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from benchtest.circuit.netlist import FloatArray, IndexArray, Netlist
from benchtest.prop.data_path import data_hops
from benchtest.prop.design import StrandEnd

DATA_HIGH_V = 5.0
"""High level of a data line. [V] Common practice, no source."""
DIODE_V = 0.7
"""Drop of a protection diode. [V] Common practice, no source."""
DATA_LINE_OHM = 150.0
"""Output resistance and series resistor of a data line. [Ω] Common practice, no source."""
KNEE_V = 0.05
"""Half width of the diode's rounded knee. [V] Ours."""
LEAK_S = 1e-8
"""Leakage of a protection diode. [S] Common practice, no source; only its being there matters."""


@dataclass(frozen=True)
class Backfeed:
    """One diode path for each place where data enters a strand, on each rail.

    Current flows from `tail` to `head` once `v[tail] - v[head] + push_v` is positive.
    """

    tail: IndexArray
    head: IndexArray
    push_v: FloatArray

    def only(self, wanted: np.ndarray) -> Backfeed:
        return Backfeed(self.tail[wanted], self.head[wanted], self.push_v[wanted])

    def current(self, drive_v: FloatArray) -> tuple[FloatArray, FloatArray]:
        """Current [A] and slope [S] at `v[tail] - v[head] + push_v`, shape (paths,) each."""
        rounded = np.clip(drive_v + KNEE_V, 0.0, 2.0 * KNEE_V)
        beyond = np.maximum(drive_v - KNEE_V, 0.0)
        current_a = (rounded**2 / (4.0 * KNEE_V) + beyond) / DATA_LINE_OHM
        slope_s = rounded / (2.0 * KNEE_V) / DATA_LINE_OHM
        return current_a + LEAK_S * drive_v, slope_s + LEAK_S


def backfeed_paths(netlist: Netlist) -> Backfeed:
    """Every path; which of them matter depends on what is cut off."""
    design = netlist.design
    tails, heads, pushes = [], [], []
    drivers = [netlist.sources[0] if netlist.sources else 0]
    drivers += [_end_node(netlist, leaving, "-") for leaving, _ in data_hops(design)]
    for entry, driver in zip(design.data_path, drivers, strict=True):
        tails += [driver, _end_node(netlist, entry, "-")]
        heads += [_end_node(netlist, entry, "+"), driver]
        pushes += [DATA_HIGH_V - DIODE_V, -DIODE_V]
    return Backfeed(np.array(tails), np.array(heads), np.array(pushes))


def live_paths(paths: Backfeed, floating: np.ndarray) -> Backfeed:
    """The paths that join an island to copper that has a supply."""
    return paths.only(floating[paths.tail] != floating[paths.head])


def _end_node(netlist: Netlist, end: StrandEnd, rail: str) -> int:
    design = netlist.design
    node = 1 if end.end == "A" else design.strand(end.strand).nodes
    index = design.index(end.strand, node)
    return index if rail == "+" else design.node_count + index
