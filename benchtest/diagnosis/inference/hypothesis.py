"""One fault that inference considers: its place, its kind and its resistance."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from benchtest.diagnosis.model.fault_response import GRID_OHM, OPEN_COLUMN
from benchtest.diagnosis.model.faults import FaultKind


@dataclass(frozen=True, slots=True)
class FaultHypothesis:
    """One fault: a power joint at one resistance, or a chain fault.

    A chain fault is a fault of the data line, of nodes or of a whole rail; see
    `benchtest.diagnosis.model.faults.ChainFault`.

    Attributes:
        where: name of the joint, node, strand or feed.
        kind: kind of fault.
        column: resistance of a joint as a column of the grid, `OPEN_COLUMN` for open; -1 for chain
            faults.
        chain: index of a chain fault in the design's whole fault space; -1 for joints.
    """

    where: str
    kind: FaultKind
    column: int = -1
    chain: int = -1

    @property
    def ohm(self) -> float:
        """Return the resistance of the joint, infinite for an open one. [Ω]"""
        return float(GRID_OHM[self.column]) if self.column < OPEN_COLUMN else np.inf

    def at(self, column: int) -> FaultHypothesis:
        """Return the same joint at another resistance.

        Args:
            column: index of the grid, `OPEN_COLUMN` for open.
        """
        return replace(self, column=column, kind="open" if column == OPEN_COLUMN else "resistive")
