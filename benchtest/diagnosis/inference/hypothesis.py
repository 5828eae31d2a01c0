"""One fault among several."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from benchtest.diagnosis.model.fault_response import GRID, GRID_OHM
from benchtest.diagnosis.model.faults import FaultKind


@dataclass(frozen=True, slots=True)
class FaultHypothesis:
    """One fault: a joint at a resistance, or a fault of the data line or of a node."""

    where: str
    kind: FaultKind
    column: int = -1
    """Of a joint: its resistance as a place in the grid, open last."""
    chain: int = -1
    """Of the data line or a node: its place in the whole fault space."""

    @property
    def ohm(self) -> float:
        """Resistance of a joint. [Ω]"""
        return float(GRID_OHM[self.column]) if self.column < GRID else np.inf

    def at(self, column: int) -> FaultHypothesis:
        """The same joint at another resistance."""
        return replace(self, column=column, kind="open" if column == GRID else "resistive")
