"""Branch incidence matrix, stored as pairs of indices."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from benchtest.circuit.netlist import FloatArray, IndexArray


@dataclass(frozen=True, slots=True)
class Incidence:
    """Incidence matrix A of branches: +1 at the tail and -1 at the head of each.

    Attributes:
        tail: unknown at the tail of each branch, -1 for the reference point, shape (branches,).
        head: unknown at the head of each branch, shape (branches,).
        count: number of unknowns.

    Source: nodal analysis, as in any text on network theory.
    """

    tail: IndexArray
    head: IndexArray
    count: int

    def across(self, x: FloatArray) -> FloatArray:
        """Return Aᵀ x: the volts from tail to head of each branch.

        Args:
            x: unknowns, shape (unknowns,) or (unknowns, columns). [V]

        Returns:
            Shape (branches,) or (branches, columns). [V]
        """
        padded = np.concatenate([x, np.zeros((1, *x.shape[1:]))])  # -1 selects the reference
        return np.asarray(padded[self.tail] - padded[self.head])

    def gather(self, along: FloatArray) -> FloatArray:
        """Return A i: the current that branches take out of each unknown.

        Args:
            along: current from tail to head of each branch, shape (branches,) or (branches,
                columns). [A]

        Returns:
            Shape (unknowns,) or (unknowns, columns). [A]
        """
        if along.ndim == 2:
            summed = [self.gather(column) for column in along.T]
            return np.stack(summed, axis=1) if summed else np.zeros((self.count, 0))
        # bincount accepts no negative index: the reference becomes the first
        out = np.bincount(self.tail + 1, along, self.count + 1)
        back = np.bincount(self.head + 1, along, self.count + 1)
        return np.asarray((out - back)[1:])

    def only(self, rows: IndexArray) -> Incidence:
        """Return the incidence of some of the branches."""
        return Incidence(self.tail[rows], self.head[rows], self.count)

    def among(self, place: IndexArray, count: int) -> Incidence:
        """Return the incidence of the branches on some of the unknowns.

        Args:
            place: new index of each unknown, -1 for those left out and, last, for the reference
                point, shape (unknowns + 1,).
            count: number of unknowns that remain.
        """
        return Incidence(place[self.tail], place[self.head], count)

    def columns(self) -> FloatArray:
        """Return A as a dense matrix, shape (unknowns, branches)."""
        dense = np.zeros((self.count + 1, len(self.tail)))
        every = np.arange(len(self.tail))
        dense[self.tail, every] = 1.0
        dense[self.head, every] -= 1.0
        return dense[:-1]
