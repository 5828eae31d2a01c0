"""Nodal equations, solved on a condensed (Schur) system: each strand is a ladder between two nodes.

Inside a strand both rails have the same resistance from node to node. Loads therefore act on the
difference of the rails (odd mode) and not on their sum (even mode), and each mode is one
tridiagonal system. The unknowns that remain when the inner nodes are eliminated are the skeleton:
end nodes, strand ends, pads and feeds. A prop of ten thousand nodes has a skeleton of some hundred
unknowns.

Source: static condensation (Schur complement) and even and odd modes of a symmetric pair of
lines, as in any text on matrix methods of networks.
"""

from __future__ import annotations

from copy import copy
from functools import cached_property

import numpy as np
from numpy.typing import NDArray

from benchtest.circuit.netlist import FloatArray, Incidence, IndexArray, Netlist
from benchtest.circuit.reduction import ReducedNetwork
from benchtest.circuit.sparse_solver import SymmetricFactor, TridiagonalFactor

_MIN_LADDER_NODES = 3
"""Nodes of the shortest strand with inner nodes to eliminate."""
COLUMNS_AT_ONCE = 256
"""Right-hand sides that are solved together: thousands of them would take hundreds of MB."""


class Ladders:
    """Unknowns of one circuit, divided into inner nodes of strands and the skeleton.

    Attributes:
        plus: unknowns of the inner nodes' + pads, strand by strand, shape (inner,).
        minus: unknowns of their - pads, shape (inner,).
        nodes: inner nodes, as indices of arrays over all nodes, shape (inner,).
        of: ladder of each inner node, shape (inner,).
        first: index of each ladder's first inner node, shape (ladders,).
        last: index of each ladder's last inner node, shape (ladders,).
        ends: unknowns of node 1 + and -, node n + and -, -1 for the reference, shape (ladders, 4).
        segment_s: conductance of one rail between neighbours, shape (ladders,). [S]
        skeleton: all other unknowns, shape (skeleton,).
        place: index of each unknown in `skeleton`, -1 for inner nodes and, last, for the reference,
            shape (unknowns + 1,).
    """

    def __init__(self, netlist: Netlist, reduced: ReducedNetwork) -> None:
        design = netlist.design
        count = design.node_count
        starts, sizes, segments = [], [], []
        there = (reduced.unknown[:count] >= 0) & (reduced.unknown[count : 2 * count] >= 0)
        touched = _touched_nodes(netlist)
        for strand, start in zip(design.strands, design.first_index, strict=True):
            if touched[start : start + strand.nodes].any():
                continue  # a short makes the two rails unequal
            # a strand is adrift as a whole: no joint interrupts its rails
            if strand.nodes >= _MIN_LADDER_NODES and there[start + 1]:
                starts.append(start)
                sizes.append(strand.nodes - 2)
                segments.append(1.0 / (strand.pitch_mm * strand.wire.ohm_per_mm))
        size = np.array(sizes, dtype=np.intp)
        self.segment_s = np.array(segments)
        self.of = np.repeat(np.arange(len(size)), size)
        self.last = np.cumsum(size) - 1
        self.first = self.last - size + 1
        begin = np.array(starts, dtype=np.intp)
        self.nodes = np.arange(size.sum()) - self.first[self.of] + begin[self.of] + 1
        self.plus = reduced.unknown[self.nodes]
        self.minus = reduced.unknown[self.nodes + count]
        stop = begin + size + 1
        pads = np.stack([begin, begin + count, stop, stop + count], axis=1)
        self.ends = reduced.unknown[pads]
        is_inner = np.zeros(reduced.count + 1, dtype=bool)
        is_inner[self.plus] = is_inner[self.minus] = True
        self.skeleton: IndexArray = np.flatnonzero(~is_inner[:-1])  # the last is the reference
        self.place = np.full(reduced.count + 1, -1, dtype=np.intp)
        self.place[self.skeleton] = np.arange(len(self.skeleton))
        self._here, tail, head = self._skeleton_branches(netlist, reduced, is_inner)
        self._branches = (tail, head, reduced.conductance_s[self._here])

    def _skeleton_branches(
        self, netlist: Netlist, reduced: ReducedNetwork, is_inner: NDArray[np.bool_]
    ) -> tuple[NDArray[np.bool_], IndexArray, IndexArray]:
        tail = reduced.unknown[netlist.tail[reduced.kept]]
        head = reduced.unknown[netlist.head[reduced.kept]]
        here = ~(is_inner[tail] | is_inner[head])
        return here, tail[here], head[here]

    def changed(self, conductance_s: FloatArray) -> Ladders:
        """Return the ladders of a circuit with other resistances of joints.

        Args:
            conductance_s: conductance of the kept branches, shape (kept,). [S]
        """
        other = copy(self)
        tail, head, _ = self._branches
        other._branches = (tail, head, conductance_s[self._here])
        return other

    @cached_property
    def flat(self) -> _Modes:
        """The modes without load conductance; always those of the even mode."""
        return _Modes(self, np.zeros(len(self.nodes)))

    def stamp(self) -> _Stamp:
        """Return a new matrix of the skeleton with its own branches only."""
        stamp = _Stamp(self.place)
        stamp.branches(*self._branches)
        return stamp


def _touched_nodes(netlist: Netlist) -> NDArray[np.bool_]:
    """Return True for nodes with a short at one of their pads, shape (nodes,)."""
    count = netlist.design.node_count
    touched = np.zeros(netlist.point_count, dtype=bool)
    shorts = list(netlist.shorts)
    touched[netlist.tail[shorts]] = touched[netlist.head[shorts]] = True
    return np.asarray(touched[:count] | touched[count : 2 * count])


class _Modes:
    """Tridiagonal systems of all ladders in one mode, factored.

    The diagonal is 2 g + 2 s and the off-diagonal -g, with the conductance g of a segment and the
    slope s of a node's current.

    Attributes:
        from_first: volts of each inner node per volt of its ladder's node 1, shape (inner,).
        from_last: volts of each inner node per volt of its ladder's node n, shape (inner,).
        admittance_s: admittance matrix at the two end nodes, shape (ladders, 2, 2). [S]
        definite: False where the systems are not positive definite, because loads draw more current
            at fewer volts.
    """

    def __init__(self, ladders: Ladders, slope_s: FloatArray) -> None:
        segment_s = ladders.segment_s
        self.definite = True
        diagonal = 2.0 * segment_s[ladders.of] + 2.0 * slope_s
        off = -segment_s[ladders.of]
        off[ladders.last] = 0.0  # one ladder is not connected to the next
        inner = len(diagonal)
        if inner:
            self._factored = TridiagonalFactor(diagonal, off)
            self.definite = self._factored.definite
        ends = np.zeros((inner, 2), order="F")
        ends[ladders.first, 0] = segment_s
        ends[ladders.last, 1] = segment_s
        ends = self.solve(ends)
        self.from_first, self.from_last = ends[:, 0], ends[:, 1]
        self.admittance_s = np.zeros((len(segment_s), 2, 2))
        for row, at in enumerate((ladders.first, ladders.last)):
            self.admittance_s[:, row, :] = -segment_s[:, None] * ends[at]
            self.admittance_s[:, row, row] += segment_s

    def solve(self, columns: FloatArray) -> FloatArray:
        """Return inner nodes for given currents, with the end nodes held at 0 V.

        Args:
            columns: currents into the inner nodes, shape (inner, columns). [A]

        Returns:
            Shape (inner, columns). [V]
        """
        return self._factored.solve(columns) if len(columns) else columns


class _Stamp:
    """Matrix of the skeleton under construction."""

    def __init__(self, place: IndexArray) -> None:
        self.place = place
        self.size = int(place.max(initial=-1)) + 1
        self._rows: list[IndexArray] = []
        self._columns: list[IndexArray] = []
        self._values: list[FloatArray] = []

    def branches(self, tail: IndexArray, head: IndexArray, conductance_s: FloatArray) -> None:
        """Add conductances between unknowns, -1 for the reference. [S]"""
        rows, columns = [tail, head, tail, head], [tail, head, head, tail]
        values = [conductance_s, conductance_s, -conductance_s, -conductance_s]
        self.entries(np.concatenate(rows), np.concatenate(columns), np.concatenate(values))

    def entries(self, rows: IndexArray, columns: IndexArray, values: FloatArray) -> None:
        """Add single entries by unknown; those of the reference are left out. [S]"""
        row, column = self.place[rows], self.place[columns]
        there = (row >= 0) & (column >= 0)
        self._rows.append(row[there])
        self._columns.append(column[there])
        self._values.append(values[there])

    def factored(self) -> SymmetricFactor:
        """Factor the sum of all entries, shape (skeleton, skeleton). [S]"""
        rows, columns = np.concatenate(self._rows), np.concatenate(self._columns)
        values = np.concatenate(self._values)
        return SymmetricFactor(self.size, rows, columns, values)


class Factor:
    """Factored nodal equations of one circuit, with loads of given slopes.

    `solve` takes any right-hand side; `condense` and `solve_skeleton` are its two halves, for uses
    that need no inner node.
    """

    def __init__(
        self,
        ladders: Ladders,
        load_ends: tuple[IndexArray, IndexArray],
        slope_s: FloatArray,
        more: tuple[IndexArray, IndexArray, FloatArray] | None = None,
    ) -> None:
        """Eliminate and factor.

        Args:
            ladders: the circuit's inner nodes.
            load_ends: unknowns of every node's + and - pad, -1 for the reference or adrift,
                shape (nodes,) each.
            slope_s: derivative of each node's current with its volts, shape (nodes,). [S]
            more: further conductances: unknowns of tail and head, and conductance. [S]
        """
        self.ladders = ladders
        has_slope = bool(slope_s.any())
        self.difference = _Modes(ladders, slope_s[ladders.nodes]) if has_slope else ladders.flat
        stamp = ladders.stamp()
        self._stamp_ladders(stamp)
        if has_slope:
            outer = np.ones(len(slope_s), dtype=bool)
            outer[ladders.nodes] = False
            stamp.branches(load_ends[0][outer], load_ends[1][outer], slope_s[outer])
        if more is not None:
            stamp.branches(*more)
        self._skeleton = stamp.factored()

    @property
    def definite(self) -> bool:
        """True where the matrix is positive definite, so that the operating point is stable."""
        return self.difference.definite and self._skeleton.definite

    def _stamp_ladders(self, stamp: _Stamp) -> None:
        even, odd = self.ladders.flat.admittance_s, self.difference.admittance_s
        same, cross = (even + odd) / 2.0, (even - odd) / 2.0
        block = np.empty((len(same), 2, 2, 2, 2))  # ladder, end, rail, other end, its rail
        for rail in (0, 1):
            block[:, :, rail, :, rail] = same
            block[:, :, rail, :, 1 - rail] = cross
        ends = np.broadcast_to(self.ladders.ends[:, None], (len(same), 4, 4))
        stamp.entries(ends.swapaxes(1, 2).ravel(), ends.ravel(), block.ravel())

    def condense(self, columns: FloatArray) -> FloatArray:
        """Return right-hand sides condensed onto the skeleton.

        Args:
            columns: currents into the unknowns, shape (unknowns, columns). [A]

        Returns:
            Shape (skeleton, columns). [A]

        Source: static condensation, b_s - K_si K_ii⁻¹ b_i.
        """
        return self._condensed(columns, *self._held(columns))

    def solve_skeleton(self, condensed: FloatArray) -> FloatArray:
        """Return the volts of the skeleton for condensed currents.

        Args:
            condensed: result of `condense`, shape (skeleton, columns). [A]

        Returns:
            Shape (skeleton, columns). [V]
        """
        return self._skeleton.solve(condensed)

    def on_skeleton(self, branches: Incidence) -> Incidence:
        """Return the incidence on the skeleton of branches without an end at an inner node."""
        return branches.among(self.ladders.place, len(self.ladders.skeleton))

    def solve(self, columns: FloatArray) -> FloatArray:
        """Return the volts of all unknowns.

        Args:
            columns: currents into the unknowns, shape (unknowns,) or (unknowns, columns). [A]

        Returns:
            Same shape. [V]

        Source: static condensation with even and odd modes, see above.
        """
        if columns.ndim == 1:
            return np.asarray(self.solve(columns[:, None])[:, 0])
        ladders = self.ladders
        odd, even = self._held(columns)
        found = np.zeros((len(columns) + 1, columns.shape[1]))  # -1 selects the reference
        found[ladders.skeleton] = self.solve_skeleton(self._condensed(columns, odd, even))
        plus_first, minus_first, plus_last, minus_last = (found[end] for end in ladders.ends.T)
        odd = odd + _between(
            self.difference, ladders.of, plus_first - minus_first, plus_last - minus_last
        )
        even = even + _between(
            ladders.flat, ladders.of, plus_first + minus_first, plus_last + minus_last
        )
        found[ladders.plus] = (even + odd) / 2.0
        found[ladders.minus] = (even - odd) / 2.0
        return found[:-1]

    def _held(self, columns: FloatArray) -> tuple[FloatArray, FloatArray]:
        """Return difference and sum of the rails at inner nodes, with all end nodes at 0 V."""
        plus, minus = columns[self.ladders.plus], columns[self.ladders.minus]
        if not plus.any() and not minus.any():
            return np.zeros_like(plus), np.zeros_like(plus)
        return self.difference.solve(plus - minus), self.ladders.flat.solve(plus + minus)

    def _condensed(self, columns: FloatArray, odd: FloatArray, even: FloatArray) -> FloatArray:
        ladders = self.ladders
        padded = np.zeros((len(ladders.skeleton) + 1, columns.shape[1]))
        padded[:-1] = columns[ladders.skeleton]
        for end, at in ((0, ladders.first), (2, ladders.last)):
            for rail, sign in ((0, 1.0), (1, -1.0)):
                through = ladders.segment_s[:, None] * (even[at] + sign * odd[at]) / 2.0
                unknown = ladders.ends[:, end + rail]
                # zero resistance may join the ends of two strands in one point
                np.add.at(padded, ladders.place[unknown], through)
        return padded[:-1]


def _between(modes: _Modes, of: IndexArray, first_v: FloatArray, last_v: FloatArray) -> FloatArray:
    """Return the part of the inner nodes that their end nodes cause, shape (inner, columns)."""
    return np.asarray(
        modes.from_first[:, None] * first_v[of] + modes.from_last[:, None] * last_v[of]
    )
