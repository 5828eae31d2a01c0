"""Which unknowns the two ends of branches are: differences along them and sums at their ends."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from benchtest.circuit.netlist import FloatArray, IndexArray


@dataclass(frozen=True, slots=True)
class Incidence:
    """The incidence matrix of branches, +1 at each tail and -1 at each head, never written out.

    Attributes:
        tail: unknown of each branch's tail, -1 for the earth, shape (branches,).
        head: of its head, shape (branches,).
        count: how many unknowns there are.
    """

    tail: IndexArray
    head: IndexArray
    count: int

    def across(self, x: FloatArray) -> FloatArray:
        """Volts from tail to head of each branch.

        Args:
            x: the unknowns, shape (unknowns,) or (unknowns, columns).

        Returns:
            Shape (branches,) or (branches, columns).
        """
        padded = np.concatenate([x, np.zeros((1, *x.shape[1:]))])  # -1 picks the earth
        return np.asarray(padded[self.tail] - padded[self.head])

    def gather(self, along: FloatArray) -> FloatArray:
        """What branches take out of each unknown: out at their tails, back in at their heads.

        Args:
            along: from tail to head of each branch, shape (branches,) or (branches, columns).

        Returns:
            Shape (unknowns,) or (unknowns, columns).
        """
        if along.ndim == 2:
            summed = [self.gather(column) for column in along.T]
            return np.stack(summed, axis=1) if summed else np.zeros((self.count, 0))
        # bincount wants no negative places: the earth's is the first
        out = np.bincount(self.tail + 1, along, self.count + 1)
        back = np.bincount(self.head + 1, along, self.count + 1)
        return np.asarray((out - back)[1:])

    def only(self, rows: IndexArray) -> Incidence:
        """Some of the branches."""
        return Incidence(self.tail[rows], self.head[rows], self.count)

    def among(self, place: IndexArray, count: int) -> Incidence:
        """The same branches among some of the unknowns.

        Args:
            place: new place of each unknown, -1 for those left out and, last, for the earth,
                shape (unknowns + 1,).
            count: how many unknowns stay.
        """
        return Incidence(place[self.tail], place[self.head], count)

    def columns(self) -> FloatArray:
        """The matrix written out, shape (unknowns, branches)."""
        dense = np.zeros((self.count + 1, len(self.tail)))
        every = np.arange(len(self.tail))
        dense[self.tail, every] = 1.0
        dense[self.head, every] -= 1.0
        return dense[:-1]
