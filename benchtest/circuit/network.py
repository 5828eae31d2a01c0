"""The circuit of one prop, factored: solve it for as many lit sets as you like.

Nodal analysis on both rails. Unknown are the volts of each point; each node is a current that
depends on the volts between its own two pads.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from copy import copy
from dataclasses import replace
from functools import cached_property

import numpy as np
from numpy.typing import NDArray

from benchtest.circuit.backfeed import backfeed_paths
from benchtest.circuit.incidence import Incidence
from benchtest.circuit.isolated_supplies import find_isolated_supplies
from benchtest.circuit.ladder import Factor, Ladders
from benchtest.circuit.netlist import FloatArray, IndexArray, Netlist, build_netlist
from benchtest.circuit.reduction import reduce_netlist
from benchtest.prop.design import Design, Probe

OF_CONDUCTANCES = {"factor", "driven_a", "_ladders"}
"""What is kept of a circuit and goes when a joint's resistance changes."""
OF_COPPER = {
    "incidence",
    "load_incidence",
    "path_incidence",
    "joint_rows",
    "feed_rows",
    "joint_incidence",
    "supply_matrix",
    "cut_off",
}
"""What goes when a joint is opened or closed."""


class Circuit:
    """The circuit of this prop, factored.

    Attributes:
        design: the prop.
        netlist: its points and branches.
        floating: points that an open joint has cut off from every supply, shape (points,).
        isolated: nodes between supplies that share no copper.
        reduced: its unknowns.
        backfeed: data lines that feed copper which an open joint has cut off.
    """

    def __init__(
        self,
        design: Design,
        joint_ohm: Mapping[str, float] | None = None,
        short_ohm: Mapping[Probe, float] | None = None,
    ) -> None:
        """Wire up and factor.

        Args:
            design: a design without faults.
            joint_ohm: resistance of joints that are not as designed, `math.inf` for open; the key
                `default` changes all that are not named. [Ω]
            short_ohm: resistance between points that touch and should not, 0 and up. [Ω]

        Raises:
            NameFault: the design has no such joint.
            InputError: a resistance is negative.
            CircuitFault: a supply's rails, or supplies of different volts, are joined by zero
                resistance; or current goes round through supplies that share no return.
        """
        self.design = design
        self._take(build_netlist(design, joint_ohm or {}, short_ohm))

    def _take(self, netlist: Netlist) -> None:
        design = self.design
        self.netlist = netlist
        self.reduced, self.backfeed = reduce_netlist(self.netlist, backfeed_paths(self.netlist))
        self.floating = self.reduced.floating
        self.isolated = find_isolated_supplies(self.netlist, self.reduced)
        self.supply_v = np.array([feed.volts for feed in design.feeds])
        # a load needs copper on both its pads, of one supply; any other carries nothing
        adrift = self.reduced.adrift
        loaded = ~(adrift[: design.node_count] | adrift[design.node_count : 2 * design.node_count])
        loaded[self.isolated.nodes] = False
        self._loaded = np.flatnonzero(loaded)

    def changed(self, joint_ohm: Mapping[str, float]) -> Circuit:
        """The same prop with some joints of other resistances, to the last digit as if wired anew.

        Where no joint is opened or closed by it, all but the conductances is shared.

        Args:
            joint_ohm: resistance of joints by name, `math.inf` for open. [Ω]
        """
        netlist = self.netlist.changed(joint_ohm)
        other = copy(self)
        for name in vars(self).keys() & OF_CONDUCTANCES:
            del vars(other)[name]
        touched = [netlist.joint[name] for name in joint_ohm]
        now_ohm = netlist.ohm[touched]
        if np.isin(touched, self.kept).all() and ((now_ohm > 0.0) & np.isfinite(now_ohm)).all():
            siemens = 1.0 / netlist.ohm[self.kept]
            other.netlist = netlist
            other.reduced = replace(self.reduced, conductance_s=siemens)
            other._ladders = self._ladders.changed(siemens)
        else:
            for name in vars(self).keys() & OF_COPPER:
                del vars(other)[name]
            other._take(netlist)
        return other

    def shares_unknowns(self, other: Circuit) -> bool:
        """True where the same unknowns stand for the same points."""
        return self.reduced.unknown is other.reduced.unknown

    @cached_property
    def incidence(self) -> Incidence:
        """The kept branches."""
        kept = self.reduced.kept
        return self._between(self.netlist.tail[kept], self.netlist.head[kept])

    @cached_property
    def load_incidence(self) -> Incidence:
        """The loaded nodes, from + pad to - pad."""
        return self._between(self._loaded, self._loaded + self.design.node_count)

    @cached_property
    def path_incidence(self) -> Incidence:
        """The data lines in `backfeed`."""
        return self._between(self.backfeed.tail, self.backfeed.head)

    def _between(self, tail: IndexArray, head: IndexArray) -> Incidence:
        unknown = self.reduced.unknown
        return Incidence(unknown[tail], unknown[head], self.reduced.count)

    @cached_property
    def _ladders(self) -> Ladders:
        return Ladders(self.netlist, self.reduced)

    @cached_property
    def factor(self) -> Factor:
        """Factors of copper and joints alone: all that a prop with flat loads ever needs."""
        return self.factor_at(np.zeros(len(self._loaded)))

    def is_flat(self, factor: Factor) -> bool:
        """True for the factors of copper and joints alone.

        A prop with copper cut off has none: only its nodes hold the islands' volts.
        """
        return not len(self.backfeed.tail) and factor is self.factor

    def factor_at(self, slope_s: FloatArray, path_s: FloatArray | None = None) -> Factor:
        """Factors with loads that follow their volts.

        Args:
            slope_s: of each loaded node's current, shape (loaded,). [S]
            path_s: of each data line that feeds an island, shape (paths,). [S]
        """
        unknown, paths = self.reduced.unknown, self.backfeed
        slopes_s = np.zeros(self.design.node_count)
        slopes_s[self._loaded] = slope_s
        more = None if path_s is None else (unknown[paths.tail], unknown[paths.head], path_s)
        return Factor(self._ladders, self.load_ends, slopes_s, more)

    @property
    def load_ends(self) -> tuple[IndexArray, IndexArray]:
        """Unknowns of every node's + and - pad, -1 for earth or adrift, shape (nodes,) each."""
        nodes, unknown = self.design.node_count, self.reduced.unknown
        return unknown[:nodes], unknown[nodes : 2 * nodes]

    @cached_property
    def joint_rows(self) -> tuple[list[str], IndexArray]:
        """Joints that carry current: names, and places among the kept branches."""
        rows = self._row_of[list(self.netlist.joint.values())]
        names = [name for name, row in zip(self.netlist.joint, rows, strict=True) if row >= 0]
        return names, rows[rows >= 0]

    @cached_property
    def feed_rows(self) -> IndexArray:
        """A branch that carries all of each feed's current, shape (feeds,).

        Its return cable, else a joint of the feed, as a place among the kept branches; -1 where
        neither has a resistance, or where the feed is cut off.
        """
        cables, joint = np.array(self.netlist.returns, dtype=np.intp), self.netlist.joint
        joints = [[joint[f"{feed.name}{rail}"] for feed in self.design.feeds] for rail in "-+"]
        rows = self._row_of[np.vstack([cables, *joints])]
        best = (rows >= 0).argmax(axis=0)
        return np.asarray(rows[best, np.arange(len(cables))], dtype=np.intp)

    @property
    def _row_of(self) -> IndexArray:
        """Place of each branch among the kept ones, -1 for none, shape (branches,)."""
        row_of = np.full(len(self.netlist.ohm), -1)
        row_of[self.kept] = np.arange(len(self.kept))
        return row_of

    @cached_property
    def joint_incidence(self) -> Incidence:
        """The joints that carry current."""
        return self.incidence.only(self.joint_rows[1])

    @cached_property
    def supply_matrix(self) -> FloatArray:
        """Volts that each supply puts into each kept branch per volt, shape (kept, feeds)."""
        kept, offset = self.reduced.kept, self.reduced.offset
        inside = self.netlist.feed[kept][:, None] == np.arange(len(self.supply_v))
        tail, head = self.netlist.tail[kept], self.netlist.head[kept]
        return np.asarray(offset[tail] - offset[head] + inside, dtype=np.float64)

    @cached_property
    def driven_a(self) -> FloatArray:
        """Current that the supplies drive into each unknown, shape (unknowns,). [A]"""
        supply = self.supply_matrix @ self.supply_v
        return -self.incidence.gather(self.conductance_s * supply)

    @property
    def kept(self) -> IndexArray:
        """Branches that carry current: neither open nor of zero resistance."""
        return self.reduced.kept

    @property
    def conductance_s(self) -> FloatArray:
        """Conductance of the kept branches, shape (kept,). [S]"""
        return self.reduced.conductance_s

    @cached_property
    def cut_off(self) -> NDArray[np.bool_]:
        """Nodes with a pad on copper that an open joint cut off, shape (nodes,)."""
        nodes = self.design.node_count
        return np.asarray(self.floating[:nodes] | self.floating[nodes : 2 * nodes])

    @property
    def loaded(self) -> IndexArray:
        """Nodes that have copper on both pads, as places in arrays over all nodes."""
        return self._loaded

    def probe_incidence(self, probes: Sequence[Probe]) -> Incidence:
        """The probes, from red lead to black; a lead on copper adrift counts as on the earth."""
        return self._between(*self.netlist.leads(probes))

    def probe_offset(self, probes: Sequence[Probe]) -> FloatArray:
        """Volts probes read beyond their unknowns per volt of each supply, (probes, feeds)."""
        red, black = self.netlist.leads(probes)
        return np.asarray(self.reduced.offset[red] - self.reduced.offset[black])

    def point_volts(self, x: FloatArray) -> FloatArray:
        """Volts of every point from the unknowns, shape (points,). Points adrift get 0."""
        reduced = self.reduced
        padded = np.append(x, 0.0)  # -1 picks the earth
        return np.asarray(padded[reduced.unknown] + reduced.offset @ self.supply_v)
