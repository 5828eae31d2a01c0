"""Likelihood of marks: the looks of strands under every single fault.

A fault predicts the appearance of each node, lit or not. A strand that was looked at is divided
into runs of nodes with the same predicted appearance and the same mark; each run counts once, for
an eye errs on a whole run. A run of one node at the edge of a predicted change may be a miscount by
one.
"""

from __future__ import annotations

from collections.abc import Callable, Hashable, Sequence
from dataclasses import dataclass
from enum import IntEnum
from functools import cached_property

import numpy as np
from numpy.typing import NDArray

from benchtest.circuit.netlist import FloatArray
from benchtest.circuit.node_loads import node_light
from benchtest.diagnosis.model.fault_response import (
    COLUMNS,
    GRID_SIZE,
    OPEN_COLUMN,
    DesignResponse,
    LitSetResponse,
)
from benchtest.diagnosis.model.faults import ChainFault, FaultSpace
from benchtest.diagnosis.model.wiring_faults import DeadCopper
from benchtest.diagnosis.solve_budget import SolveBudget, solve_units
from benchtest.evidence.marks import DARK_SHARE, DIM_SHARE, SEEN, WARM_SHARE, Mark
from benchtest.prop.design import Design
from benchtest.prop.lit_set import COLOUR_CHANNELS, LitSet
from benchtest.prop.node_kinds import NodeKind


class Appearance(IntEnum):
    """Predicted appearance of a node.

    All but the last four are of nodes to be lit: right, warm or dim from a low voltage, without
    voltage, without data, and of another colour. `RIGHT_OR_WARM` and its like are of nodes whose
    voltage is too near the limit between two of these to know which. The last four are of nodes to
    be dark: dark, also without voltage or data, and lit all the same. The first seven are in order
    of voltage, and the mean of two of them is between them.
    """

    RIGHT = 0
    RIGHT_OR_WARM = 1
    WARM = 2
    WARM_OR_DIM = 3
    DIM = 4
    DIM_OR_UNPOWERED = 5
    UNPOWERED = 6
    NO_DATA = 7
    WRONG_COLOUR = 8
    OFF = 9
    OFF_UNPOWERED = 10
    OFF_NO_DATA = 11
    ON = 12


SEEN_PROBABILITY = np.array(
    [
        # ok      dark    dim     warm    wrong   stuck   flicker
        [0.9945, 0.0005, 0.0020, 0.0010, 0.0005, 0.0005, 0.0010],  # right
        [0.0] * len(SEEN),
        [0.3100, 0.0045, 0.0920, 0.5520, 0.0090, 0.0045, 0.0280],  # warm
        [0.0] * len(SEEN),
        [0.1000, 0.0900, 0.4700, 0.2350, 0.0200, 0.0100, 0.0750],  # dim
        [0.0] * len(SEEN),
        [0.0050, 0.7500, 0.0400, 0.0200, 0.0400, 0.0150, 0.1300],  # unpowered
        [0.0050, 0.8400, 0.0050, 0.0050, 0.0100, 0.1200, 0.0150],  # no data
        [0.0200, 0.0050, 0.0100, 0.0300, 0.9200, 0.0050, 0.0100],  # wrong colour
        [0.9920, 0.0005, 0.0005, 0.0005, 0.0005, 0.0040, 0.0020],  # off
        [0.9250, 0.0005, 0.0050, 0.0020, 0.0100, 0.0075, 0.0500],  # off, unpowered: may glow
        [
            0.9200,
            0.0005,
            0.0020,
            0.0020,
            0.0100,
            0.0500,
            0.0150,
        ],  # off, no data: may keep its light
        [0.0100, 0.0005, 0.0100, 0.0050, 0.0200, 0.9400, 0.0145],  # on
    ]
)
"""Probability of each mark for a run of nodes of each appearance, shape (appearances, marks).
Common practice, no source: an eye misses a warm strand easily, but seldom reports what is not
there. For a strand that is not lit `ok` means dark, as intended, and `stuck` that it shines all the
same. Each limit between two appearances has the mean of both."""
LIMITS = (Appearance.RIGHT_OR_WARM, Appearance.WARM_OR_DIM, Appearance.DIM_OR_UNPOWERED)
"""Appearances that are one of their two neighbours."""
for _limit in LIMITS:
    SEEN_PROBABILITY[_limit] = SEEN_PROBABILITY[[_limit - 1, _limit + 1]].mean(axis=0)

SHORT_APPEARANCES = (
    int(Appearance.RIGHT),
    int(Appearance.WARM),
    int(Appearance.DIM),
    int(Appearance.UNPOWERED),
)
"""Appearances of all nodes under a short that leaves some voltage."""
CARELESS_PROBABILITY = 0.3
"""Probability that a person does not see shades: common to all their looks, not independent for
each. A dozen strands marked right contradict warm ones hardly more than a few do. Ours."""
CARELESS_OK_PROBABILITY = {Appearance.WARM: 0.99, Appearance.DIM: 0.3}
"""Probability that such a person marks a run of this appearance right. Common practice, no
source."""
IS_SHADE = np.isin(np.arange(len(Appearance)), [*CARELESS_OK_PROBABILITY, *LIMITS])
"""True for each `Appearance` that such a person may miss, shape (appearances,)."""
IS_LIMIT = np.isin(np.arange(len(Appearance)), LIMITS)
"""True for each of the `LIMITS`, shape (appearances,)."""
BLIND_EYE = 2
"""Index in `EYES` of an eye that sees no shade at all. No person is assumed to have it; a joint
that it clears is cleared without regard to shades."""


def _eyes() -> FloatArray:
    """Return `SEEN_PROBABILITY` of eyes with and without shades, and of `BLIND_EYE`.

    The mean of the first two is `SEEN_PROBABILITY`. Shape (eyes, appearances, marks).
    """
    eyes = np.stack([SEEN_PROBABILITY, SEEN_PROBABILITY, SEEN_PROBABILITY])
    for shade, careless_ok in CARELESS_OK_PROBABILITY.items():
        ok = SEEN_PROBABILITY[shade, 0]
        careful_ok = (ok - CARELESS_PROBABILITY * careless_ok) / (1.0 - CARELESS_PROBABILITY)
        for eye, eye_ok in enumerate((careful_ok, careless_ok)):
            eyes[eye, shade] *= (1.0 - eye_ok) / (1.0 - ok)
            eyes[eye, shade, 0] = eye_ok
        eyes[BLIND_EYE, shade] = SEEN_PROBABILITY[Appearance.RIGHT]
    for limit in LIMITS:
        eyes[:, limit] = eyes[:, [limit - 1, limit + 1]].mean(axis=1)
    return eyes


EYES = _eyes()
"""Probability of each mark for each eye and appearance, shape (eyes, appearances, marks)."""
EYES_LOG = np.array([np.log(1.0 - CARELESS_PROBABILITY), np.log(CARELESS_PROBABILITY), -np.inf])
"""Log prior probability of each of the `EYES`, shape (eyes,)."""

SHARED_APPEARANCES: tuple[Appearance, ...] = (
    Appearance.UNPOWERED,
    Appearance.NO_DATA,
    Appearance.OFF_UNPOWERED,
    Appearance.OFF_NO_DATA,
)
"""Appearances whose mark depends on a cause common to all runs: one unit's nodes without data are
all dark, or all keep their last light."""
URN_WEIGHT = 1.0
"""Weight of `SEEN_PROBABILITY` in predicting the mark of the next such run, in runs; each run seen
counts one (Pólya's urn). The first dark strand decides, not their number. Ours."""

SHARED_WORD_SHARE = np.concatenate(
    [SEEN_PROBABILITY[look, 1:] / SEEN_PROBABILITY[look, 1:].sum() for look in SHARED_APPEARANCES]
)
"""Probability of each mark but `ok` among runs of each of the `SHARED_APPEARANCES` that are not
marked `ok`, shape (shared appearances × marks,)."""
TALLY_ROWS = len(EYES) + len(SHARED_WORD_SHARE)
"""Rows of a tally: log probability for each eye, then number of runs for each shared mark."""

UNLIT = np.full(len(Appearance), int(Appearance.OFF))
UNLIT[Appearance.UNPOWERED], UNLIT[Appearance.NO_DATA] = (
    Appearance.OFF_UNPOWERED,
    Appearance.OFF_NO_DATA,
)
UNLIT[Appearance.ON] = Appearance.ON
"""Appearance of a node that is not lit, by its appearance if it were, shape (appearances,)."""

OFF_BY_ONE_PROBABILITY = 0.05
"""Probability that a position is off by one node. Common practice, no source."""

MAX_TALLY_CACHE_OCTETS = 6_000_000
"""Approximate memory that tallies of looks may use from one finding to the next."""
NOT_LOOKED_AT = -1
"""Value in `StrandLook.seen` for a node that was not looked at."""
KNOT_COLUMNS = np.unique(np.append(np.arange(0, COLUMNS - 1, 12), [COLUMNS - 2, COLUMNS - 1]))
"""Columns of the grid at which looks are evaluated; values between them are interpolated."""

MIN_MOVED_V = 2e-4
"""Least change of some node's voltage that can change a look: far less than an eye sees. [V]"""
REFINED_STEPS = np.array([-9, -6, -3, 3, 6, 9])
"""Columns next to the likeliest knot at which the likeliest joints are evaluated as well."""
MAX_REFINED_JOINTS = 2
"""Number of these joints. Ours."""
MIN_REFINED_LOG = 4.0
"""Least range of a joint's log likelihood over all resistances for which this is done. Ours."""


@dataclass(frozen=True)
class StrandLook:
    """Marks of one strand under one lit set, which need not contain the strand.

    Attributes:
        lit: strands lit.
        strand: number of the strand.
        seen: index in `SEEN` of each node from end A, or `NOT_LOOKED_AT`, shape (nodes,).
    """

    lit: LitSet
    strand: int
    seen: NDArray[np.intp]

    def tally(self, expected: NDArray[np.intp]) -> FloatArray:
        """Return the tally of the look, given the appearance of its nodes if lit; see `tally`."""
        return tally(self.seen, expected if self.lit.lights(self.strand) else UNLIT[expected])


def strand_looks(design: Design, marks: Sequence[Mark]) -> list[StrandLook]:
    """Return marks grouped by lit set and strand; a later mark on a node replaces an earlier one.

    A mark `ok` of all nodes is the background of the strand's other marks, wherever in the file it
    is.
    """
    found: dict[tuple[LitSet, int], NDArray[np.intp]] = {}
    background_first = sorted(marks, key=lambda mark: mark.seen != "ok")
    for mark in background_first:
        nodes = design.strand(mark.strand).nodes
        row = found.setdefault((mark.lit, mark.strand), np.full(nodes, NOT_LOOKED_AT))
        # a strand that is not lit is dark, as intended
        right = mark.seen == "dark" and not mark.lit.lights(mark.strand)
        row[mark.first - 1 : mark.last] = SEEN.index("ok" if right else mark.seen)
    return [StrandLook(lit, strand, row) for (lit, strand), row in found.items()]


def best_explained(looks: Sequence[StrandLook], *, is_blurred: bool = False) -> float:
    """Return the log probability of looks if each run had its most likely appearance.

    Args:
        looks: what was seen.
        is_blurred: True if an edge between two shades is never predicted to the node: the nodes on
            both sides of it then have one of the `LIMITS`.
    """
    total = np.zeros((TALLY_ROWS, 1))
    for look in looks:
        lit = look.lit.lights(look.strand)
        first, last = (0, int(Appearance.OFF)) if lit else (int(Appearance.OFF), len(Appearance))
        best = (first + SEEN_PROBABILITY[first:last].argmax(axis=0))[look.seen]
        if is_blurred and lit:
            shade = best <= Appearance.DIM
            edge = shade[1:] & shade[:-1] & (best[1:] != best[:-1])
            limit = (best[1:] + best[:-1])[edge] // 2
            best[1:][edge], best[:-1][edge] = limit, limit
        total += tally(look.seen, best[None])
    return float(log_likelihood_of(total)[0])


def log_likelihood_of(tallied: FloatArray) -> FloatArray:
    """Return the log probability of all looks of one person, over their possible eyes.

    Args:
        tallied: sum of the tallies of all looks, shape (TALLY_ROWS, ...); see `tally`.

    Returns:
        Shape (...).
    """
    found = by_eye(tallied)
    share = EYES_LOG.reshape(-1, *(1,) * (found.ndim - 1))
    return np.asarray(np.logaddexp.reduce(found + share, axis=0))


def by_eye(tallied: FloatArray) -> FloatArray:
    """Return the log probability of looks for each of the `EYES`, shape (eyes, ...).

    Runs of one of the `SHARED_APPEARANCES` are drawn from an urn: with `w` the `URN_WEIGHT`, `p`
    the mark's share and `k` of `n` runs with this mark, the probability has the factor `Π_{i<k} (w
    p + i) / Π_{i<n} (w + i)` instead of `p^k`.

    Args:
        tallied: sum of the tallies of all looks, shape (TALLY_ROWS, ...); see `tally`.

    Source: Blackwell and MacQueen, Annals of Statistics 1(2), 1973.
    """
    counts = np.rint(tallied[len(EYES) :]).astype(np.intp)
    if not counts.any():
        return np.asarray(tallied[: len(EYES)])
    most = int(counts.max())
    # logarithms of rising factorials, by the number of runs
    rise = np.log(URN_WEIGHT * SHARED_WORD_SHARE[:, None] + np.arange(most))
    rise -= np.log(SHARED_WORD_SHARE)[:, None]
    upto = np.hstack([np.zeros((len(rise), 1)), np.cumsum(rise, axis=1)])
    drawn = np.sum([steps[mine] for steps, mine in zip(upto, counts, strict=True)], axis=0)
    many = counts.reshape(len(SHARED_APPEARANCES), -1, *counts.shape[1:]).sum(axis=1)
    whole = np.append(0.0, np.cumsum(np.log(URN_WEIGHT + np.arange(int(many.max())))))
    return np.asarray(tallied[: len(EYES)] + drawn - whole[many].sum(axis=0))


def tally(seen: NDArray[np.intp], expected: NDArray[np.intp]) -> FloatArray:
    """Return the marks of one strand as sums that add over all looks.

    The first rows are the log probability of the strand by itself for each of the `EYES`. The
    others count its runs of `SHARED_APPEARANCES` by mark; `by_eye` corrects for their common cause.

    An edge between marks that no fault predicts could be anywhere: it costs the logarithm of the
    number of nodes. Among nodes near a limit between two appearances one is predicted.

    Args:
        seen: index in `SEEN` of each node, or `NOT_LOOKED_AT`, shape (nodes,).
        expected: `Appearance` of each node under each fault, shape (faults, nodes).

    Returns:
        Shape (TALLY_ROWS, faults).
    """
    found = np.zeros((TALLY_ROWS, len(expected)))
    looked = seen != NOT_LOOKED_AT
    if not looked.any():
        return found
    seen, expected = seen[looked], expected[:, looked]
    predicted_edge = expected[:, 1:] != expected[:, :-1]
    seen_edge = np.broadcast_to(seen[1:] != seen[:-1], predicted_edge.shape)
    starts_run = np.ones_like(expected, dtype=bool)
    starts_run[:, 1:] = predicted_edge | seen_edge
    is_single = starts_run.copy()
    is_single[:, :-1] &= starts_run[:, 1:]
    at_edge = np.zeros_like(starts_run)
    at_edge[:, 1:] |= predicted_edge
    at_edge[:, :-1] |= predicted_edge
    has_shades = bool(IS_SHADE[expected].any())
    probability = EYES[:, expected, seen] if has_shades else SEEN_PROBABILITY[None, expected, seen]
    miscounted = is_single & at_edge & (probability[0] < OFF_BY_ONE_PROBABILITY)
    probability = np.where(
        is_single & at_edge, np.maximum(probability, OFF_BY_ONE_PROBABILITY), probability
    )
    at_limit = IS_LIMIT[expected]
    near_predicted = predicted_edge | at_limit[:, 1:] | at_limit[:, :-1]
    near_predicted[:, 1:] |= predicted_edge[:, :-1]
    near_predicted[:, :-1] |= predicted_edge[:, 1:]
    unexplained = (seen_edge & ~near_predicted).sum(axis=1)
    found[: len(EYES)] = np.where(starts_run, np.log(probability), 0.0).sum(axis=2)
    found[: len(EYES)] -= unexplained * np.log(len(seen))
    if not seen.any():  # all nodes look right: no run counts
        return found
    words = len(SEEN) - 1
    for place, look in enumerate(SHARED_APPEARANCES):
        counted = starts_run & (expected == look) & (seen > 0) & ~miscounted
        if counted.any():
            rows = len(EYES) + place * words + seen - 1
            for row in np.unique(rows[seen > 0]).tolist():
                found[row] = counted[:, rows == row].sum(axis=1)
    return found


def appearance(kind: NodeKind, node_v: FloatArray, lit: LitSet) -> NDArray[np.intp]:
    """Return the `Appearance` of lit nodes that receive data, same shape as `node_v`.

    Args:
        kind: kind of node.
        node_v: voltage of each node, any shape. [V]
        lit: strands lit.
    """
    lights = [
        place for place, name in enumerate(kind.colours) if name in COLOUR_CHANNELS[lit.colour]
    ]
    light = node_light(kind, node_v.reshape(-1))[:, lights].reshape(*node_v.shape, len(lights))
    strongest, weakest = light.max(axis=-1), light.min(axis=-1)
    found = np.full(node_v.shape, int(Appearance.RIGHT))
    found[weakest < WARM_SHARE * strongest] = Appearance.WARM
    found[strongest < DIM_SHARE] = Appearance.DIM
    found[(strongest < DARK_SHARE) | (node_v < kind.logic_v)] = Appearance.UNPOWERED
    return found


def _by_data(
    expected: NDArray[np.intp], shown: NDArray[np.bool_], meant: NDArray[np.bool_]
) -> NDArray[np.intp]:
    """Return the `Appearance` of nodes that receive other data than their own.

    Args:
        expected: appearance by voltage, shape (..., nodes).
        shown: True where a channel lights by the data it receives, shape (nodes, colours).
        meant: True where it is to light, same shape.
    """
    shines, wanted = shown.any(axis=1), meant.any(axis=1)
    alive = expected < Appearance.UNPOWERED
    other = shines & wanted & (shown != meant).any(axis=1)
    found = np.where(alive & other, Appearance.WRONG_COLOUR, expected)
    found = np.where(alive & wanted & ~shines, Appearance.NO_DATA, found)
    return np.asarray(np.where(alive & ~wanted & shines, Appearance.ON, found))


class VoltageLevel:
    """Every node has its predicted voltage; the base of levels at which it deviates."""

    log_weight = 0.0
    """Log probability of this level."""

    def most_lost_v(self, lit: LitSet) -> float:
        """Return the most volts that a node may have less than predicted. [V]"""
        return 0.0

    def appearance(
        self,
        kind: NodeKind,
        node_v: FloatArray,
        lit: LitSet,
        nodes: NDArray[np.intp] | None = None,
    ) -> NDArray[np.intp]:
        """Return the `Appearance` of lit nodes at predicted voltages, same shape as `node_v`.

        Args:
            kind: kind of node.
            node_v: predicted voltage of each node, shape (..., nodes). [V]
            lit: strands lit.
            nodes: indices of these nodes, shape (nodes,); None for all.
        """
        return appearance(kind, node_v, lit)


AS_PREDICTED = VoltageLevel()


SolvedVolts = dict[tuple[str, int, LitSet], FloatArray]
"""Voltage of each node by joint, column of its resistance and lit set. [V]"""


class MarkLikelihood:
    """Likelihood of every single fault, given the marks, at one level of the nodes' voltages.

    Attributes:
        looks: what was seen.
        level: deviation of the nodes' voltages.
        position: position of each node in the order in which data reaches them, shape (nodes,).
    """

    def __init__(
        self,
        responses: DesignResponse,
        looks: Sequence[StrandLook],
        budget: SolveBudget,
        conditional: Hashable,
        level: VoltageLevel = AS_PREDICTED,
        solved_v: SolvedVolts | None = None,
    ) -> None:
        """Prepare; nothing is computed yet.

        Args:
            responses: the prop without faults, or with the given ones.
            looks: what was seen.
            budget: budget of the finding.
            conditional: key of the given faults in requests to the budget.
            level: deviation of the nodes' voltages.
            solved_v: solved voltages, shared with other levels; None to solve for this level only.
        """
        self.level = level
        self._solved_v = solved_v
        self.responses = responses
        self.budget, self.conditional = budget, conditional
        self.design = responses.design
        self.space: FaultSpace = responses.space
        self.looks = looks
        self._expected_cache: dict[LitSet, NDArray[np.intp]] = {}
        self._passing_nodes: dict[LitSet, NDArray[np.bool_] | None] = {}
        self._powered_cache: dict[LitSet, NDArray[np.intp]] = {}
        self._remapped_cache: dict[LitSet, dict[int, NDArray[np.intp]]] = {}
        self._blind_joints: FloatArray | None = None
        self._unsolved: set[int] = set()
        self.position = np.empty(self.design.node_count, dtype=np.intp)
        self.position[self.space.order] = np.arange(self.design.node_count)

    def healthy(self) -> float:
        """Return the log likelihood of the marks without further faults."""
        return float(log_likelihood_of(self._tallied_healthy)[0])

    @cached_property
    def _tallied_healthy(self) -> FloatArray:
        """Tally of all looks without further faults, shape (TALLY_ROWS, 1)."""
        total = np.zeros((TALLY_ROWS, 1))
        for look in self.looks:
            total += self._cached_tally(
                look, self._expected_before(look.lit)[None, self._nodes(look)]
            )
        return total

    def _cached_tally(self, look: StrandLook, expected: NDArray[np.intp]) -> FloatArray:
        """Return the tally of one look; cached, since other findings request it again."""
        lit = look.lit.lights(look.strand)
        key = lit, look.seen.tobytes(), expected.astype(np.int8).tobytes()
        kept = (self.responses.fault_free or self.responses).mark_tallies
        found = kept.pop(key, None)
        if found is None:
            found = look.tally(expected)
            while kept and len(kept) * found.nbytes > MAX_TALLY_CACHE_OCTETS:
                del kept[next(iter(kept))]
        kept[key] = found
        return found

    def _expected_before(self, lit: LitSet) -> NDArray[np.intp]:
        """Return the `Appearance` of every node without further faults, shape (nodes,).

        Data may or may not pass nodes that given faults leave without voltage: the alternative that
        fits the looks better is returned.
        """
        if lit not in self._expected_cache:
            received = self.responses.received(lit)
            alternatives = [
                self._with_dark_nodes(self._as_received(lit, self._powered(lit), received))
            ]
            passing = self._passing(lit) if self.responses.given else None
            if passing is not None:
                alternatives.append(
                    self._with_dark_nodes(self._as_received(lit, passing, received))
                )
            looks = [look for look in self.looks if look.lit == lit]
            fits = [round(self._log_likelihood_of(looks, each), 9) for each in alternatives]
            best = fits.index(max(fits))
            self._expected_cache[lit] = alternatives[best]
            self._passing_nodes[lit] = None
            if passing is not None and best > 0:
                self._passing_nodes[lit] = passing == int(Appearance.UNPOWERED)
        return self._expected_cache[lit]

    def _log_likelihood_of(self, looks: Sequence[StrandLook], expected: NDArray[np.intp]) -> float:
        """Return the log probability of some looks, given the `Appearance` of all nodes."""
        total = np.zeros((TALLY_ROWS, 1))
        for look in looks:
            total += look.tally(expected[None, self._nodes(look)])
        return float(log_likelihood_of(total)[0])

    def _passing(self, lit: LitSet) -> NDArray[np.intp] | None:
        """Return `_powered` if data passes nodes without voltage; None if all nodes have some."""
        solution = self.responses.base(lit).solution
        node_v = self.responses.visible_v(lit, solution)
        by_volts = self.level.appearance(self.design.node, node_v[None, :], lit)[0]
        return by_volts if (by_volts == Appearance.UNPOWERED).any() else None

    def _powered(self, lit: LitSet) -> NDArray[np.intp]:
        """Return the `Appearance` of every node by its voltage, shape (nodes,)."""
        if lit not in self._powered_cache:
            node_v = self.responses.visible_v(lit, self.responses.base(lit).solution)[None, :]
            by_volts = self.level.appearance(self.design.node, node_v, lit)
            expected = self._without_data(by_volts)
            self._powered_cache[lit] = expected[0]
        return self._powered_cache[lit]

    def _as_received(
        self, lit: LitSet, expected: NDArray[np.intp], received: FloatArray
    ) -> NDArray[np.intp]:
        """Return the `Appearance` of nodes with the data they receive.

        Args:
            lit: strands to be lit.
            expected: `Appearance` of each node by its voltage, shape (..., nodes).
            received: duty of each channel by the data it receives, shape (nodes, colours).
        """
        return _by_data(expected, received > 0.0, lit.duty(self.design) > 0.0)

    def _with_dark_nodes(self, expected: NDArray[np.intp]) -> NDArray[np.intp]:
        """Return appearances with the nodes dark that given faults keep dark, (faults, nodes)."""
        dark = self.responses.dark
        return expected if dark is None else np.where(dark, int(Appearance.NO_DATA), expected)

    def chain(self) -> FloatArray:
        """Return the log likelihood of each fault of `FaultSpace.chain`, shape (chain faults,)."""
        found = self.dead_shorts.copy()
        for number, fault in enumerate(self.space.chain):
            if fault.shorted is not None and fault.shorted.amps_sd:
                partial = self._partial_short(fault.shorted)
                found[number] = np.logaddexp(found[number], partial) - np.log(2.0)
        return found

    @cached_property
    def dead_shorts(self) -> FloatArray:
        """Return `chain` with shorts that leave no voltage, shape (chain faults,)."""
        starts = np.array([fault.start for fault in self.space.chain])
        stops = np.array([fault.stop for fault in self.space.chain])
        appearances = np.array(
            [Appearance.UNPOWERED if f.shorted else Appearance.NO_DATA for f in self.space.chain]
        )
        total = np.zeros((TALLY_ROWS, len(starts)))
        patterns_of: dict[int, tuple[NDArray[np.intp], NDArray[np.bool_], NDArray[np.intp]]] = {}
        for look in self.looks:
            if look.strand not in patterns_of:
                position = self.position[self._nodes(look)]
                # many faults have the same effect on this strand: evaluate each pattern once
                clipped = np.clip(np.stack([starts, stops], 1), position.min(), position.max() + 1)
                edges = np.column_stack([clipped, appearances])
                patterns, of = np.unique(edges, axis=0, return_inverse=True)
                dark = (position >= patterns[:, :1]) & (position < patterns[:, 1:2])
                patterns_of[look.strand] = patterns[:, 2:], dark, of.reshape(-1)
            seen, dark, of = patterns_of[look.strand]
            expected = np.where(dark, seen, self._expected_before(look.lit)[self._nodes(look)])
            weight = self._cached_tally(look, expected)[:, of]
            self._insert_remapped(weight, look)
            total += weight
        return log_likelihood_of(total)

    def at_voltages(self, ways: Callable[[LitSet], tuple[FloatArray, FloatArray]]) -> FloatArray:
        """Return the log probability of all looks in some ways that nodes may have voltage.

        Data may or may not pass nodes without voltage: the better alternative counts.

        Args:
            ways: gives the lowest and the highest voltage of each node under a lit set, shape
                (ways, nodes) each. [V]

        Returns:
            Shape (ways,).
        """
        blocked: FloatArray | float = 0.0
        passing: FloatArray | float = 0.0
        for lit in dict.fromkeys(look.lit for look in self.looks):
            low, high = (
                self.level.appearance(self.design.node, node_v, lit) for node_v in ways(lit)
            )
            by_volts = (low + high) // 2
            expected = self._by_given(lit, np.vstack([self._without_data(by_volts), by_volts]))
            rows, of = np.unique(expected, axis=0, return_inverse=True)
            tallied = np.zeros((TALLY_ROWS, len(rows)))
            for look in (each for each in self.looks if each.lit == lit):
                tallied += look.tally(rows[:, self._nodes(look)])
            first, second = np.split(tallied[:, of.reshape(-1)], 2, axis=1)
            blocked, passing = blocked + first, passing + second
        both = np.asarray(blocked), np.asarray(passing)
        return np.asarray(np.max([log_likelihood_of(each) for each in both], axis=0))

    def _by_given(self, lit: LitSet, expected: NDArray[np.intp]) -> NDArray[np.intp]:
        """Return appearances with the data and the dark nodes of the given faults, same shape."""
        if self.responses.remap:
            expected = self._as_received(lit, expected, self.responses.received(lit))
        return self._with_dark_nodes(expected)

    def _partial_short(self, shorted: DeadCopper) -> float:
        """Return the log probability of all looks if a short leaves some voltage.

        Its level is for the readings to determine: right, warm, dim and without voltage are equally
        likely, either the same under all lit sets or independently under each.
        """
        count = len(SHORT_APPEARANCES)
        steady, changing = np.zeros((TALLY_ROWS, count)), 0.0
        for lit in dict.fromkeys(look.lit for look in self.looks):
            tallied = np.zeros((TALLY_ROWS, count))
            for look in (each for each in self.looks if each.lit == lit):
                before = self._expected_before(lit)[self._nodes(look)]
                if look.strand in shorted.strands:
                    expected = np.maximum(before, np.array(SHORT_APPEARANCES)[:, None])
                else:
                    expected = np.tile(before, (count, 1))
                tallied += look.tally(expected)
            steady += tallied
            changing += float(np.logaddexp.reduce(log_likelihood_of(tallied))) - np.log(count)
        same = float(np.logaddexp.reduce(log_likelihood_of(steady))) - np.log(count)
        return float(np.logaddexp(same, changing) - np.log(2.0))

    def expected(self, lit: LitSet, fault: ChainFault | None) -> NDArray[np.intp]:
        """Return the `Appearance` of every node with one chain fault, or none, (nodes,)."""
        before = self._expected_before(lit)
        if fault is None:
            return before
        if fault.remap is not None:
            received = fault.remap.received(self.responses.received(lit))
            return self._with_dark_nodes(self._as_received(lit, self._powered(lit), received))
        dark = (self.position >= fault.start) & (self.position < fault.stop)
        return np.where(
            dark, int(Appearance.UNPOWERED if fault.shorted else Appearance.NO_DATA), before
        )

    def possible(self, lit: LitSet, fault: ChainFault | None) -> NDArray[np.intp]:
        """Return `expected` in every way that a short may leave nodes, shape (ways, nodes)."""
        expected = self.expected(lit, fault)
        if fault is None or fault.shorted is None:
            return expected[None]
        partial = np.maximum(self._expected_before(lit), np.array(SHORT_APPEARANCES)[:, None])
        return np.vstack([expected, partial])

    def expected_at(self, lit: LitSet, node_v: FloatArray) -> NDArray[np.intp]:
        """Return the `Appearance` of every node at given voltages, shape (2, nodes).

        The first row is without data passing nodes that have no voltage, the second with it.

        Args:
            lit: strands lit.
            node_v: voltage of each node, shape (nodes,). [V]
        """
        by_volts = self.level.appearance(self.design.node, node_v[None, :], lit)
        return self._by_given(lit, np.vstack([self._without_data(by_volts), by_volts]))

    def _remapping(self, strand: int) -> list[int]:
        """Return the chain faults that change the data of a strand's nodes."""
        return self._remapping_by_strand.get(strand, [])

    @cached_property
    def _remapping_by_strand(self) -> dict[int, list[int]]:
        bounds = np.array(self.design.first_index)
        found: dict[int, list[int]] = {}
        for number, fault in enumerate(self.space.chain):
            if fault.remap is not None:
                strands = np.searchsorted(bounds, fault.remap.nodes, side="right")
                for strand in np.unique(strands).tolist():
                    found.setdefault(strand, []).append(number)
        return found

    def _insert_remapped(self, weight: FloatArray, look: StrandLook) -> None:
        """Replace the tallies of one look under the faults that change the data of its strand.

        Args:
            weight: tally of each chain fault, shape (TALLY_ROWS, chain faults).
            look: what was seen of the strand.
        """
        faults = self._remapping(look.strand)
        if not faults:
            return
        nodes, remap = self._nodes(look), self._remapped_looks(look.lit)
        weight[:, faults] = self._cached_tally(look, self._expected_before(look.lit)[None, nodes])
        visible = [number for number in faults if number in remap]
        if visible:
            rows = np.array([remap[number][nodes] for number in visible])
            weight[:, visible] = self._cached_tally(look, rows)

    def _remapped_looks(self, lit: LitSet) -> dict[int, NDArray[np.intp]]:
        """Return the `Appearance` of every node under each fault that visibly changes data."""
        if lit not in self._remapped_cache:
            received, meant = self.responses.received(lit), lit.duty(self.design)
            powered, before = self._powered(lit), self._expected_before(lit)
            found: dict[int, NDArray[np.intp]] = {}
            for number in self._remapping_faults:
                fault = self.space.chain[number].remap
                assert fault is not None
                at_nodes = fault.received_at_nodes(received)
                changed = np.flatnonzero((at_nodes != received[fault.nodes]).any(axis=1))
                if len(changed):  # the usual case: white is the same in every colour order
                    nodes = fault.nodes[changed]
                    row = before.copy()
                    row[nodes] = _by_data(
                        powered[nodes], at_nodes[changed] > 0.0, meant[nodes] > 0.0
                    )
                    found[number] = self._with_dark_nodes(row)
            self._remapped_cache[lit] = found
        return self._remapped_cache[lit]

    @cached_property
    def _remapping_faults(self) -> list[int]:
        return [n for n, fault in enumerate(self.space.chain) if fault.remap is not None]

    def joints(self, only: Sequence[int] | None = None, *, by_estimate: bool = False) -> FloatArray:
        """Return the log likelihood of each power joint's faults, shape (joints, COLUMNS).

        Args:
            only: joints to evaluate; the rows of others are 0. None for all.
            by_estimate: True to use estimates at nonlinear resistances, and solve no circuit.
        """
        count = len(self.space.joints)
        wanted = range(count) if only is None else only
        eyes = self._joints_by_eye(wanted, KNOT_COLUMNS, solve=not by_estimate)
        if only is None and not by_estimate:
            self._blind_joints = _at_every_column(eyes[BLIND_EYE])
        found = np.logaddexp.reduce(eyes + EYES_LOG[:, None, None], axis=0)
        every = _at_every_column(found)
        if only is None and not by_estimate and not self.conditional:
            ranked = sorted(wanted, key=lambda joint: (-round(float(found[joint].max()), 6), joint))
            for joint in ranked[:MAX_REFINED_JOINTS]:
                if joint in self._unsolved:  # the budget did not allow all joints: solve this one
                    again = self._joints_by_eye([joint], KNOT_COLUMNS, solve=True)[:, joint]
                    found[joint] = np.logaddexp.reduce(again + EYES_LOG[:, None], axis=0)
                    every[joint] = _at_every_column(found[[joint]])[0]
                self._refine(joint, found[joint], every[joint])
        return every

    def _joints_by_eye(
        self, wanted: Sequence[int], columns: NDArray[np.intp], *, solve: bool
    ) -> FloatArray:
        """Return the log likelihood by each of the `EYES`, shape (eyes, joints, columns).

        Args:
            wanted: joints to evaluate.
            columns: resistances, as columns of the grid.
            solve: True if circuits may be solved at nonlinear resistances.
        """
        blocked = np.zeros((TALLY_ROWS, len(self.space.joints), len(columns)))
        passing = np.zeros_like(blocked)
        for lit in dict.fromkeys(look.lit for look in self.looks):
            mine = [look for look in self.looks if look.lit == lit]
            self._add_joints(blocked, passing, lit, mine, wanted, columns, solve=solve)
        # a strand without voltage passes data in all looks, or in none
        return np.asarray(np.logaddexp(by_eye(blocked), by_eye(passing)) - np.log(2.0))

    def _refine(self, joint: int, at_knots: FloatArray, row: FloatArray) -> None:
        """Evaluate one joint between the knots next to its likeliest resistance.

        Where a look ends, strand by strand, depends on the resistance more sharply than the knots
        are close.

        Args:
            joint: its index in the fault space.
            at_knots: its log likelihood at `KNOT_COLUMNS`, shape (knots,).
            row: the same at every column, shape (COLUMNS,); changed near the likeliest one.
        """
        best = int(at_knots.argmax())
        is_flat = np.ptp(at_knots) < MIN_REFINED_LOG
        if is_flat or KNOT_COLUMNS[best] == OPEN_COLUMN:
            return
        columns = KNOT_COLUMNS[best] + REFINED_STEPS
        columns = columns[(columns >= 0) & (columns < GRID_SIZE)]
        self._unsolved.discard(joint)
        eyes = self._joints_by_eye([joint], columns, solve=True)[:, joint]
        if joint in self._unsolved:
            return  # an estimate between solved circuits would only mislead
        finer = np.logaddexp.reduce(eyes + EYES_LOG[:, None], axis=0)
        known = np.append(columns, KNOT_COLUMNS)
        values = np.append(finer, at_knots)
        order = np.argsort(known, kind="stable")
        low, high = int(known[order][0]), int(known[order][-1])
        row[low : high + 1] = np.interp(np.arange(low, high + 1), known[order], values[order])

    def blind(self) -> tuple[float, FloatArray]:
        """Return the log likelihood by `BLIND_EYE`, once `joints` was computed for all joints.

        Returns:
            Without further faults, and for each power joint's faults, shape (joints, COLUMNS).
        """
        assert self._blind_joints is not None
        return float(by_eye(self._tallied_healthy)[BLIND_EYE, 0]), self._blind_joints

    def _add_joints(
        self,
        blocked: FloatArray,
        passing: FloatArray,
        lit: LitSet,
        looks: Sequence[StrandLook],
        wanted: Sequence[int],
        columns: NDArray[np.intp],
        *,
        solve: bool,
    ) -> None:
        """Add the tallies of looks under one lit set, for the faults of each power joint.

        Args:
            blocked: sums if strands without voltage pass no data, shape (TALLY_ROWS, joints,
                columns).
            passing: sums if they do.
            lit: strands lit.
            looks: what was seen under it.
            wanted: joints to evaluate.
            columns: resistances, as columns of the grid.
            solve: True if circuits may be solved at nonlinear resistances.
        """
        base = self.responses.base(lit)
        compensating_a = self.responses.capped_compensating_a(base)[:, columns]
        abnormal = {look.strand for look in looks if (look.seen > 0).any()}
        per_amp = np.zeros(self.design.node_count)
        kind, before = self.design.node, self._expected_before(lit)
        full_v = max(kind.logic_v, *kind.full_v.values()) + self.level.most_lost_v(lit)
        before_of = [before[self._nodes(look)] for look in looks]
        tally_before = [
            self._cached_tally(k, g[None]) for k, g in zip(looks, before_of, strict=True)
        ]
        unchanged = np.sum(tally_before, axis=0)
        visible_v = self.responses.visible_v(lit, base.solution)
        has_margin = base.solution.node_v.min(initial=np.inf) >= full_v
        separately = self.responses.is_large and len(wanted) == 1
        affected = [
            number
            for number in wanted
            if not (strands := self.space.joints[number].strands) or abnormal & set(strands)
        ]
        nonlinear = {
            n: base.nonlinear_row(n) if separately else base.nonlinear[n]
            for n in affected
            if abnormal
        }
        is_open = np.arange(COLUMNS) == OPEN_COLUMN
        for number in nonlinear:
            if self.space.joints[number].is_fuse:  # blown or intact: no resistance between
                nonlinear[number] = nonlinear[number] & is_open
        if solve and not self._may_solve(base, nonlinear, columns):
            # an open joint darkens whole strands, which an estimate misses
            self._unsolved.update(nonlinear)
            nonlinear = {number: row & is_open for number, row in nonlinear.items()}
            solve = self._may_solve(base, nonlinear, columns)
        numbers = list(wanted)
        rows_of = np.array(numbers, dtype=np.intp)
        loads = (
            base.effects_of_joint(numbers[0]).load if separately else base.joint_load[:, rows_of]
        )
        least_v = _least_volts(
            base.solution.node_v[self.responses.circuit.loaded], loads, compensating_a[rows_of]
        )
        base_by_volts = self.level.appearance(kind, visible_v[None], lit)
        is_still = (
            np.abs(compensating_a[rows_of]).max(axis=1) * np.abs(loads).max(axis=0, initial=0.0)
            < MIN_MOVED_V
        )
        is_looked_at = np.zeros(self.design.node_count, dtype=bool)
        is_looked_at[np.concatenate([self._nodes(look) for look in looks])] = True
        for place, (number, load) in enumerate(zip(numbers, loads.T, strict=True)):
            keeps_light = has_margin and least_v[place] >= full_v
            if keeps_light or (is_still[place] and number not in nonlinear):
                blocked[:, number] += unchanged  # every node keeps full light
                passing[:, number] += unchanged
                continue
            tried = np.arange(len(columns))
            if number not in nonlinear:
                amps = np.abs(compensating_a[number])
                resistive = amps[columns < OPEN_COLUMN].max(initial=0.0) * np.abs(load)
                if not self._reaches(lit, resistive, visible_v, is_looked_at):
                    tried = np.flatnonzero(columns == OPEN_COLUMN)
            per_amp[self.responses.circuit.loaded] = load
            node_v = visible_v + compensating_a[number][tried, None] * per_amp
            ambiguous = np.zeros(len(tried), dtype=bool)
            if solve and number in nonlinear:
                ambiguous = self._set_solved_v(node_v, number, base, nonlinear[number], columns)
            moved = np.flatnonzero((np.abs(node_v - visible_v) >= MIN_MOVED_V).any(axis=0))
            by_volts = np.repeat(base_by_volts, len(node_v), axis=0)
            by_volts[:, moved] = self.level.appearance(kind, node_v[:, moved], lit, moved)
            expected = by_volts.copy()
            stops = np.flatnonzero((by_volts == Appearance.UNPOWERED).any(axis=1))
            if len(stops):
                expected[stops] = self._without_data(by_volts[stops], self._passing_nodes[lit])
            if ambiguous.any():  # or data passes these nodes
                expected = np.vstack([expected, by_volts[ambiguous]])
            expected = self._by_given(lit, expected)
            tallies = np.repeat(unchanged, len(expected), axis=1)
            changed_nodes = (expected != before).any(axis=0)
            for look, old, old_tally in zip(looks, before_of, tally_before, strict=True):
                if not changed_nodes[self._nodes(look)].any():
                    continue
                rows = expected[:, self._nodes(look)]
                changed = np.flatnonzero((rows != old).any(axis=1))
                if len(changed):  # most strands are unchanged at most resistances
                    tallies[:, changed] += look.tally(rows[changed]) - old_tally
            at_knots = np.repeat(unchanged, len(columns), axis=1)
            at_knots[:, tried] = tallies[:, : len(tried)]
            blocked[:, number] += at_knots
            at_knots[:, tried[ambiguous]] = tallies[:, len(tried) :]
            passing[:, number] += at_knots

    def _reaches(
        self,
        lit: LitSet,
        most_v: FloatArray,
        visible_v: FloatArray,
        is_looked_at: NDArray[np.bool_],
    ) -> bool:
        """Return True if a change of voltage may be seen: by nodes looked at, or by lost data.

        Args:
            lit: strands lit.
            most_v: largest change of each loaded node's voltage, shape (loaded nodes,). [V]
            visible_v: voltage of each node, shape (nodes,). [V]
            is_looked_at: True for nodes of strands that were looked at, shape (nodes,).
        """
        is_moved = most_v >= MIN_MOVED_V
        moved = self.responses.circuit.loaded[is_moved]
        if is_looked_at[moved].any():
            return True
        least_v = visible_v[moved] - most_v[is_moved]
        by_volts = self.level.appearance(self.design.node, least_v[None], lit, moved)
        return bool((by_volts == Appearance.UNPOWERED).any())

    def _may_solve(
        self,
        base: LitSetResponse,
        nonlinear: dict[int, NDArray[np.bool_]],
        columns: NDArray[np.intp],
    ) -> bool:
        """Return True if the budget allows solving all nonlinear faults of these joints."""
        circuits = tuple(
            (self.conditional, self.space.joints[joint].name, column, base.lit)
            for joint, row in nonlinear.items()
            for column in columns[row[columns]].tolist()
        )
        return self.budget.try_charge(circuits, solve_units(self.design))

    def _set_solved_v(
        self,
        node_v: FloatArray,
        joint: int,
        base: LitSetResponse,
        nonlinear: NDArray[np.bool_],
        columns: NDArray[np.intp],
    ) -> NDArray[np.bool_]:
        """Replace node voltages by solved ones at the nonlinear resistances of a joint.

        Nodes that the fault cuts off look as if without voltage, although their data line leaks in,
        and may or may not pass their data on.

        Args:
            node_v: voltages at each of the columns, shape (columns, nodes); replaced. [V]
            joint: index of the joint in the fault space.
            base: the healthy prop under the lit set.
            nonlinear: its nonlinear resistances, shape (COLUMNS,).
            columns: resistances, as columns of the grid.

        Returns:
            True where it leaves some nodes without voltage, shape (columns,).
        """
        ambiguous = np.zeros(len(node_v), dtype=bool)
        name = self.space.joints[joint].name
        for row, column in enumerate(columns.tolist()):
            if nonlinear[column]:
                node_v[row] = self._solved_node_v(name, column, base.lit)
                ambiguous[row] = (node_v[row] < self.design.node.logic_v).any()
        return ambiguous

    def _solved_node_v(self, name: str, column: int, lit: LitSet) -> FloatArray:
        """Return the voltage of each node with one joint at fault, 0 if cut off, (nodes,). [V]"""
        key = name, column, lit
        if self._solved_v is not None and key in self._solved_v:
            return self._solved_v[key]
        solution = self.responses.exact(name, column, lit)
        found = np.where(solution.circuit.cut_off, 0.0, self.responses.visible_v(lit, solution))
        if self._solved_v is not None:
            self._solved_v[key] = found
        return found

    def _without_data(
        self, expected: NDArray[np.intp], passing: NDArray[np.bool_] | None = None
    ) -> NDArray[np.intp]:
        """Return appearances with no data after the first node without voltage, (faults, nodes).

        Args:
            expected: `Appearance` of each node by its voltage, shape (faults, nodes).
            passing: nodes that pass data on without voltage, shape (nodes,); None for none.
        """
        along = expected[:, self.space.order] == Appearance.UNPOWERED
        if passing is not None:
            along &= ~passing[self.space.order]
        after = np.zeros_like(along)
        for start, stop in self.design.data_lines:
            passed = np.logical_or.accumulate(along[:, start:stop], axis=1)
            after[:, start + 1 : stop] = passed[:, :-1]
        lost = np.zeros_like(after)
        lost[:, self.space.order] = after & ~along
        return np.where(lost, int(Appearance.NO_DATA), expected)

    def _nodes(self, look: StrandLook) -> NDArray[np.intp]:
        start = self.design.first_index[look.strand - 1]
        return np.arange(start, start + self.design.strand(look.strand).nodes)


def _least_volts(volts: FloatArray, per_amp: FloatArray, compensating_a: FloatArray) -> FloatArray:
    """Return the lowest voltage of any node under any of each joint's faults, (joints,). [V]

    Args:
        volts: voltage of the loaded nodes, shape (nodes,). [V]
        per_amp: change per ampere at each joint, shape (nodes, joints). [V/A]
        compensating_a: compensating currents of each joint's faults, shape (joints, faults). [A]
    """
    if not len(volts):
        return np.full(len(compensating_a), np.inf)
    ends = np.stack([compensating_a.min(axis=1), compensating_a.max(axis=1)])
    moved = np.minimum(per_amp * ends[0], per_amp * ends[1])
    return np.asarray((volts[:, None] + moved).min(axis=0))


def _at_every_column(at_knots: FloatArray) -> FloatArray:
    """Return rows known at `KNOT_COLUMNS` interpolated to every column, shape (..., COLUMNS)."""
    rows = [np.interp(np.arange(COLUMNS), KNOT_COLUMNS, row) for row in at_knots]
    return np.array(rows).reshape(-1, COLUMNS)
