"""Which strands may be lit at full white: within each feed's fuse, and 80 % of its supply.

A reading is taken with channels at nothing or at full, so a lit set that is too much for a feed is
no way to take one.
"""

from __future__ import annotations

from benchtest.circuit.network import Circuit
from benchtest.drive.level_limit import limit_a, surely_fits
from benchtest.prop.lit_set import LitSet


class Permitted:
    """Tells whether a lit set may be lit; what was worked out is kept."""

    def __init__(self, circuit: Circuit) -> None:
        self._circuit = circuit
        limits = {feed.name: limit_a(circuit.design, feed.name) for feed in circuit.design.feeds}
        self._most_a = {name: limit[0] for name, limit in limits.items() if limit is not None}
        self._known: dict[LitSet, bool] = {}

    def __call__(self, lit: LitSet) -> bool:
        if lit not in self._known:
            self._known[lit] = self._fits(lit)
        return self._known[lit]

    def _fits(self, lit: LitSet) -> bool:
        duty = lit.duty(self._circuit.design)
        if not self._most_a or not duty.any() or surely_fits(self._circuit.design, duty):
            return True
        solution = self._circuit.solve(duty)
        given_a = solution.feed_a
        return solution.starts and all(given_a[name] <= a for name, a in self._most_a.items())
