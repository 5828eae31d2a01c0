"""How well each fault explains what the eye saw.

A fault says how each node should look, lit or not. A strand that was looked at is cut into runs of
nodes that should look alike and did look alike; each run counts once, for an eye that errs on a run
errs on all of it. A run of one node at the edge of a predicted change may be a miscount by one.
"""

from __future__ import annotations

from collections.abc import Hashable, Sequence
from dataclasses import dataclass
from enum import IntEnum
from functools import cached_property

import numpy as np
from numpy.typing import NDArray

from benchtest.circuit.netlist import FloatArray
from benchtest.circuit.node_loads import node_light
from benchtest.diagnosis.model.fault_response import COLUMNS, DesignResponse, LitSetResponse
from benchtest.diagnosis.model.faults import ChainFault, FaultSpace
from benchtest.diagnosis.model.wiring_faults import DeadCopper
from benchtest.diagnosis.solve_budget import SolveBudget, solve_units
from benchtest.evidence.marks import DARK_SHARE, DIM_SHARE, WARM_SHARE, Mark, Seen
from benchtest.prop.design import Design
from benchtest.prop.lit_set import COLOUR_CHANNELS, LitSet
from benchtest.prop.node_kinds import NodeKind


class Appearance(IntEnum):
    """How a node should look: the last four are of nodes that should be dark."""

    RIGHT = 0
    WARM = 1
    DIM = 2
    UNPOWERED = 3
    NO_DATA = 4
    WRONG_COLOUR = 5
    OFF = 6
    OFF_UNPOWERED = 7
    OFF_NO_DATA = 8
    ON = 9


SEEN: tuple[Seen, ...] = ("ok", "dark", "dim", "warm", "wrong-colour", "stuck", "flicker")
"""Words of a mark, in the order of the columns of `CHANCE`."""

CHANCE = np.array(
    [
        # ok      dark    dim     warm    wrong   stuck   flicker
        [0.9945, 0.0005, 0.0020, 0.0010, 0.0005, 0.0005, 0.0010],  # right
        [0.3100, 0.0045, 0.0920, 0.5520, 0.0090, 0.0045, 0.0280],  # warm
        [0.1000, 0.0900, 0.4700, 0.2350, 0.0200, 0.0100, 0.0750],  # dim
        [0.0050, 0.7500, 0.0400, 0.0200, 0.0400, 0.0150, 0.1300],  # unpowered
        [0.0050, 0.8400, 0.0050, 0.0050, 0.0100, 0.1200, 0.0150],  # no data
        [0.0200, 0.0050, 0.0100, 0.0300, 0.9200, 0.0050, 0.0100],  # wrong colour
        [0.9920, 0.0005, 0.0005, 0.0005, 0.0005, 0.0040, 0.0020],  # off
        [0.9250, 0.0005, 0.0050, 0.0020, 0.0100, 0.0075, 0.0500],  # off, unpowered: may glow
        [0.9200, 0.0005, 0.0020, 0.0020, 0.0100, 0.0500, 0.0150],  # off, no data: may stand
        [0.0100, 0.0005, 0.0100, 0.0050, 0.0200, 0.9400, 0.0145],  # on
    ]
)
"""Chance of each word for a run of nodes that should look so. Common practice, no source: an eye
misses a warm strand easily, but seldom reports what is not there. Of a strand that is not lit
`ok` means dark, as it should be, and `stuck` that it shines all the same."""

SHORT_LOOKS = (
    int(Appearance.RIGHT),
    int(Appearance.WARM),
    int(Appearance.DIM),
    int(Appearance.UNPOWERED),
)
"""Appearances of all nodes under a short that leaves some volts."""
CARELESS = 0.3
"""Chance that a person has no eye for shades: shows in all of their looks alike, not in each by
itself. A dozen strands called right speak no louder against warm ones than a few."""
CARELESS_OK = {Appearance.WARM: 0.99, Appearance.DIM: 0.3}
"""Chance that such an eye calls a run right that should look so. Common practice, no source."""
IS_SHADE = np.isin(np.arange(len(Appearance)), list(CARELESS_OK))
"""Whether such an eye may miss each `Appearance`, shape (looks,)."""
BLIND = 2
"""Place among the `EYES` of one that sees no shade at all, which nobody is taken to have: what
looks right to it clears a joint."""


def _eyes() -> FloatArray:
    """`CHANCE` of an eye for shades and of one without, whose mean is `CHANCE`; and of `BLIND`."""
    eyes = np.stack([CHANCE, CHANCE, CHANCE])
    for look, careless in CARELESS_OK.items():
        ok = CHANCE[look, 0]
        for eye, now in enumerate(((ok - CARELESS * careless) / (1.0 - CARELESS), careless)):
            eyes[eye, look] *= (1.0 - now) / (1.0 - ok)
            eyes[eye, look, 0] = now
        eyes[BLIND, look] = CHANCE[Appearance.RIGHT]
    return eyes


EYES = _eyes()
EYES_LOG = np.array([np.log(1.0 - CARELESS), np.log(CARELESS), -np.inf])
"""Logarithm of how likely a person has each of the `EYES`."""

SHARED: tuple[Appearance, ...] = (
    Appearance.UNPOWERED,
    Appearance.NO_DATA,
    Appearance.OFF_UNPOWERED,
    Appearance.OFF_NO_DATA,
)
"""Appearances whose cause all runs of nodes share: one unit's nodes without data stand dark, or
keep their last light, in strand after strand and look after look."""
SHARED_WEIGHT = 1.0
"""Runs for which the chances in `CHANCE` count in predicting the next run of such nodes; those that
were seen count one each (Polya's urn). Of all dark strands the first decides, not their number.
Ours."""

WORD_SHARE = np.concatenate([CHANCE[look, 1:] / CHANCE[look, 1:].sum() for look in SHARED])
"""Share of each word but `ok` among runs of each of the `SHARED` appearances that do not look `ok`,
shape (shared words,)."""
TALLIES = len(EYES) + len(WORD_SHARE)
"""Rows of a tally: the logarithm of chance for each eye, and the runs of each shared word."""

UNLIT = np.full(len(Appearance), int(Appearance.OFF))
UNLIT[Appearance.UNPOWERED], UNLIT[Appearance.NO_DATA] = (
    Appearance.OFF_UNPOWERED,
    Appearance.OFF_NO_DATA,
)
UNLIT[Appearance.ON] = Appearance.ON
"""How a node looks that is not lit, by how it would look if it were."""

OFF_BY_ONE = 0.05
"""Chance that a position is one node off. Common practice, no source."""

MOST_TALLY_OCTETS = 6_000_000
"""Memory that tallies of looks take from one finding to the next, about."""
NOT_LOOKED_AT = -1
MARK_COLUMNS = np.unique(np.append(np.arange(0, COLUMNS - 1, 12), [COLUMNS - 2, COLUMNS - 1]))
"""Resistances at which looks are worked out; others are read off between them."""


@dataclass(frozen=True)
class StrandLook:
    """What was seen of one strand under one lit set, of which it need not be."""

    lit: LitSet
    strand: int
    seen: NDArray[np.intp]
    """Place in `SEEN` of each node from end A, or NOT_LOOKED_AT; shape (nodes,)."""

    def weigh(self, should: NDArray[np.intp]) -> FloatArray:
        """Return the tally of it, given how its nodes look if lit; see `tally`."""
        return tally(self.seen, should if self.lit.lights(self.strand) else UNLIT[should])


def strand_looks(design: Design, marks: Sequence[Mark]) -> list[StrandLook]:
    """Marks gathered by lit set and strand; a later mark on a node replaces an earlier one.

    A row that says `all` nodes are `ok` is the ground that other marks of that strand stand on,
    wherever in the file it is.
    """
    found: dict[tuple[LitSet, int], NDArray[np.intp]] = {}
    ground_first = sorted(marks, key=lambda mark: mark.seen != "ok")
    for mark in ground_first:
        nodes = design.strand(mark.strand).nodes
        row = found.setdefault((mark.lit, mark.strand), np.full(nodes, NOT_LOOKED_AT))
        # dark is how a strand that is not lit looks right
        right = mark.seen == "dark" and not mark.lit.lights(mark.strand)
        row[mark.first - 1 : mark.last] = SEEN.index("ok" if right else mark.seen)
    return [StrandLook(lit, strand, row) for (lit, strand), row in found.items()]


def best_explained(looks: Sequence[StrandLook]) -> float:
    """Return the logarithm of the chance of looks if each run looked as it most likely should."""
    total = np.zeros((TALLIES, 1))
    for look in looks:
        lit = look.lit.lights(look.strand)
        first, last = (0, int(Appearance.OFF)) if lit else (int(Appearance.OFF), len(Appearance))
        best = first + CHANCE[first:last].argmax(axis=0)
        total += tally(look.seen, best[look.seen][None])
    return float(log_likelihood_of(total)[0])


def log_likelihood_of(tallied: FloatArray) -> FloatArray:
    """Return the logarithm of the chance of all looks of one person, whichever eye they have.

    Args:
        tallied: sum of the tallies of all looks, shape (TALLIES, ...); see `tally`.

    Returns:
        Shape (...).
    """
    found = by_eye(tallied)
    share = EYES_LOG.reshape(-1, *(1,) * (found.ndim - 1))
    return np.asarray(np.logaddexp.reduce(found + share, axis=0))


def by_eye(tallied: FloatArray) -> FloatArray:
    """Return the logarithm of the chance of looks for each of the `EYES`, shape (eyes, ...).

    Runs of one of the `SHARED` appearances are drawn from an urn: the more of them were seen alike,
    the less one more of them changes.

    Args:
        tallied: sum of the tallies of all looks, shape (TALLIES, ...); see `tally`.
    """
    counts = np.rint(tallied[len(EYES) :]).astype(np.intp)
    if not counts.any():
        return np.asarray(tallied[: len(EYES)])
    most = int(counts.max())
    # logarithms of rising factorials, by the number of runs
    rise = np.log(SHARED_WEIGHT * WORD_SHARE[:, None] + np.arange(most))
    rise -= np.log(WORD_SHARE)[:, None]
    upto = np.hstack([np.zeros((len(rise), 1)), np.cumsum(rise, axis=1)])
    drawn = np.sum([steps[mine] for steps, mine in zip(upto, counts, strict=True)], axis=0)
    many = counts.reshape(len(SHARED), -1, *counts.shape[1:]).sum(axis=1)
    whole = np.append(0.0, np.cumsum(np.log(SHARED_WEIGHT + np.arange(int(many.max())))))
    return np.asarray(tallied[: len(EYES)] + drawn - whole[many].sum(axis=0))


def tally(seen: NDArray[np.intp], should: NDArray[np.intp]) -> FloatArray:
    """Return what was seen of one strand, in sums that add up over all looks.

    The first rows are the logarithm of its chance by itself for each of the `EYES`. The rest count
    its runs of `SHARED` appearances by word; `by_eye` corrects for what they have in common.

    An edge in what was seen that nothing predicts could have been anywhere: it costs the number
    of places where it might have been.

    Args:
        seen: place in `SEEN` of each node, NOT_LOOKED_AT where none looked, shape (nodes,).
        should: `Appearance` of each node under each fault, shape (faults, nodes).

    Returns:
        Shape (TALLIES, faults).
    """
    found = np.zeros((TALLIES, len(should)))
    looked = seen != NOT_LOOKED_AT
    if not looked.any():
        return found
    seen, should = seen[looked], should[:, looked]
    due = should[:, 1:] != should[:, :-1]
    met = np.broadcast_to(seen[1:] != seen[:-1], due.shape)
    turn = np.ones_like(should, dtype=bool)
    turn[:, 1:] = due | met
    lone = turn.copy()
    lone[:, :-1] &= turn[:, 1:]
    beside = np.zeros_like(turn)
    beside[:, 1:] |= due
    beside[:, :-1] |= due
    shaded = bool(IS_SHADE[should].any())
    chance = EYES[:, should, seen] if shaded else CHANCE[None, should, seen]
    miscounted = lone & beside & (chance[0] < OFF_BY_ONE)
    chance = np.where(lone & beside, np.maximum(chance, OFF_BY_ONE), chance)
    near_due = due.copy()
    near_due[:, 1:] |= due[:, :-1]
    near_due[:, :-1] |= due[:, 1:]
    unexplained = (met & ~near_due).sum(axis=1)
    found[: len(EYES)] = np.where(turn, np.log(chance), 0.0).sum(axis=2)
    found[: len(EYES)] -= unexplained * np.log(len(seen))
    words = len(SEEN) - 1
    for place, look in enumerate(SHARED):
        mine = turn & (should == look) & (seen > 0) & ~miscounted
        if mine.any():
            rows = len(EYES) + place * words + seen - 1
            for row in np.unique(rows[seen > 0]).tolist():
                found[row] = mine[:, rows == row].sum(axis=1)
    return found


def appearance(kind: NodeKind, node_v: FloatArray, lit: LitSet) -> NDArray[np.intp]:
    """Return the `Appearance` of lit nodes that get data, same shape as `node_v`."""
    lights = [
        place for place, name in enumerate(kind.colours) if name in COLOUR_CHANNELS[lit.colour]
    ]
    share = node_light(kind, node_v.reshape(-1))[:, lights].reshape(*node_v.shape, -1)
    strongest, weakest = share.max(axis=-1), share.min(axis=-1)
    look = np.full(node_v.shape, int(Appearance.RIGHT))
    look[weakest < WARM_SHARE * strongest] = Appearance.WARM
    look[strongest < DIM_SHARE] = Appearance.DIM
    look[(strongest < DARK_SHARE) | (node_v < kind.logic_v)] = Appearance.UNPOWERED
    return look


def _by_data(
    should: NDArray[np.intp], shown: NDArray[np.bool_], meant: NDArray[np.bool_]
) -> NDArray[np.intp]:
    """Return the `Appearance` of nodes that get other data than they should.

    Args:
        should: by their volts, shape (..., nodes).
        shown: whether each channel lights by the data that it gets, shape (nodes, colours).
        meant: whether it should light, same shape.
    """
    shines, wanted = shown.any(axis=1), meant.any(axis=1)
    alive = should < Appearance.UNPOWERED
    other = shines & wanted & (shown != meant).any(axis=1)
    found = np.where(alive & other, Appearance.WRONG_COLOUR, should)
    found = np.where(alive & wanted & ~shines, Appearance.NO_DATA, found)
    return np.asarray(np.where(alive & ~wanted & shines, Appearance.ON, found))


class MarkLikelihood:
    """Weighs every single fault against the marks."""

    def __init__(
        self,
        responses: DesignResponse,
        looks: Sequence[StrandLook],
        budget: SolveBudget,
        conditional: Hashable,
    ) -> None:
        self.responses = responses
        self.budget, self.conditional = budget, conditional
        self.design = responses.design
        self.space: FaultSpace = responses.space
        self.looks = looks
        self._grounds: dict[LitSet, NDArray[np.intp]] = {}
        self._by_volts: dict[LitSet, NDArray[np.intp]] = {}
        self._by_misled: dict[LitSet, dict[int, NDArray[np.intp]]] = {}
        self._blind_joints: FloatArray | None = None
        self.place = np.empty(self.design.node_count, dtype=np.intp)
        self.place[self.space.order] = np.arange(self.design.node_count)

    def healthy(self) -> float:
        """Logarithm of the marks' likelihood if nothing is wrong but what is given."""
        return float(log_likelihood_of(self._tallied_healthy)[0])

    @cached_property
    def _tallied_healthy(self) -> FloatArray:
        """Tally of all looks with nothing wrong but what is given, shape (TALLIES, 1)."""
        total = np.zeros((TALLIES, 1))
        for look in self.looks:
            total += self._weigh(look, self._ground(look.lit)[None, self._nodes(look)])
        return total

    def _weigh(self, look: StrandLook, should: NDArray[np.intp]) -> FloatArray:
        """Return the tally of one look; kept, for it comes again in other findings."""
        lit = look.lit.lights(look.strand)
        key = lit, look.seen.tobytes(), should.astype(np.int8).tobytes()
        kept = (self.responses.fault_free or self.responses).mark_tallies
        found = kept.pop(key, None)
        if found is None:
            found = look.weigh(should)
            while kept and len(kept) * found.nbytes > MOST_TALLY_OCTETS:
                del kept[next(iter(kept))]
        kept[key] = found
        return found

    def _ground(self, lit: LitSet) -> NDArray[np.intp]:
        """`Appearance` of every node before any fault is tried, shape (nodes,)."""
        if lit not in self._grounds:
            received = self.responses.received(lit)
            ways = [self._kept_dark(self._as_received(lit, self._powered(lit), received))]
            if self.responses.given and (passing := self._passing(lit)) is not None:
                ways.append(self._kept_dark(self._as_received(lit, passing, received)))
            mine = [look for look in self.looks if look.lit == lit]
            self._grounds[lit] = max(ways, key=lambda way: round(self._fits(mine, way), 9))
        return self._grounds[lit]

    def _fits(self, looks: Sequence[StrandLook], should: NDArray[np.intp]) -> float:
        """Return the logarithm of the chance of some looks, given how all nodes should look."""
        total = np.zeros((TALLIES, 1))
        for look in looks:
            total += look.weigh(should[None, self._nodes(look)])
        return float(log_likelihood_of(total)[0])

    def _passing(self, lit: LitSet) -> NDArray[np.intp] | None:
        """Return `_powered` if data pass nodes without volts; None where all nodes have some."""
        solution = self.responses.base(lit).solution
        node_v = self.responses.visible_v(lit, solution)
        by_volts = appearance(self.design.node, node_v[None, :], lit)[0]
        return by_volts if (by_volts == Appearance.UNPOWERED).any() else None

    def _powered(self, lit: LitSet) -> NDArray[np.intp]:
        """`Appearance` of every node by its volts alone, shape (nodes,)."""
        if lit not in self._by_volts:
            node_v = self.responses.visible_v(lit, self.responses.base(lit).solution)[None, :]
            should = self._obey_chain(appearance(self.design.node, node_v, lit))
            self._by_volts[lit] = should[0]
        return self._by_volts[lit]

    def _as_received(
        self, lit: LitSet, should: NDArray[np.intp], received: FloatArray
    ) -> NDArray[np.intp]:
        """`Appearance` of nodes that are told something else than they should be.

        Args:
            lit: strands that should be lit.
            should: `Appearance` of each node by its volts, shape (..., nodes).
            received: duty of each channel by the data it gets, shape (nodes, colours).
        """
        return _by_data(should, received > 0.0, lit.duty(self.design) > 0.0)

    def _kept_dark(self, should: NDArray[np.intp]) -> NDArray[np.intp]:
        """Nodes that a fault taken for given keeps dark; shape (faults, nodes)."""
        dark = self.responses.dark
        return should if dark is None else np.where(dark, int(Appearance.NO_DATA), should)

    def chain(self) -> FloatArray:
        """Logarithm of likelihood of each fault of the data line or a node, (chain faults,)."""
        starts = np.array([fault.start for fault in self.space.chain])
        stops = np.array([fault.stop for fault in self.space.chain])
        looks = np.array(
            [Appearance.UNPOWERED if f.shorted else Appearance.NO_DATA for f in self.space.chain]
        )
        total = np.zeros((TALLIES, len(starts)))
        ways_of: dict[int, tuple[NDArray[np.intp], NDArray[np.bool_], NDArray[np.intp]]] = {}
        for look in self.looks:
            if look.strand not in ways_of:
                place = self.place[self._nodes(look)]
                # many faults leave this strand alike: weigh each way it can look once
                clipped = np.clip(np.stack([starts, stops], 1), place.min(), place.max() + 1)
                every = np.column_stack([clipped, looks])
                ways, of = np.unique(every, axis=0, return_inverse=True)
                dark = (place >= ways[:, :1]) & (place < ways[:, 1:2])
                ways_of[look.strand] = ways[:, 2:], dark, of.reshape(-1)
            seen, dark, of = ways_of[look.strand]
            should = np.where(dark, seen, self._ground(look.lit)[self._nodes(look)])
            weight = self._weigh(look, should)[:, of]
            self._put_in_remapped(weight, look)
            total += weight
        found = log_likelihood_of(total)
        for number, fault in enumerate(self.space.chain):
            if fault.shorted is not None and fault.shorted.amps_sd:
                soft = self._softly(fault.shorted)
                found[number] = np.logaddexp(found[number], soft) - np.log(2.0)
        return found

    def _softly(self, shorted: DeadCopper) -> float:
        """Return the logarithm of the chance of all looks if a short leaves some of the volts.

        How many is for the readings to settle: right, warm, dim and without volts are alike likely;
        under all lit sets the same, or under each lit set by itself.
        """
        ways = len(SHORT_LOOKS)
        steady, changing = np.zeros((TALLIES, ways)), 0.0
        for lit in dict.fromkeys(look.lit for look in self.looks):
            tallied = np.zeros((TALLIES, ways))
            for look in (each for each in self.looks if each.lit == lit):
                ground = self._ground(lit)[self._nodes(look)]
                if look.strand in shorted.strands:
                    worse = np.maximum(ground, np.array(SHORT_LOOKS)[:, None])
                else:
                    worse = np.tile(ground, (ways, 1))
                tallied += look.weigh(worse)
            steady += tallied
            changing += float(np.logaddexp.reduce(log_likelihood_of(tallied))) - np.log(ways)
        same = float(np.logaddexp.reduce(log_likelihood_of(steady))) - np.log(ways)
        return float(np.logaddexp(same, changing) - np.log(2.0))

    def should(self, lit: LitSet, fault: ChainFault | None) -> NDArray[np.intp]:
        """Return the `Appearance` of every node with one chain fault more, or none, (nodes,)."""
        ground = self._ground(lit)
        if fault is None:
            return ground
        if fault.remap is not None:
            received = fault.remap.received(self.responses.received(lit))
            return self._kept_dark(self._as_received(lit, self._powered(lit), received))
        dark = (self.place >= fault.start) & (self.place < fault.stop)
        return np.where(
            dark, int(Appearance.UNPOWERED if fault.shorted else Appearance.NO_DATA), ground
        )

    def ways(self, lit: LitSet, fault: ChainFault | None) -> NDArray[np.intp]:
        """Return the same, in every way that a short may leave nodes, shape (ways, nodes)."""
        should = self.should(lit, fault)
        if fault is None or fault.shorted is None:
            return should[None]
        worse = np.maximum(self._ground(lit), np.array(SHORT_LOOKS)[:, None])
        return np.vstack([should, worse])

    def should_at(self, lit: LitSet, node_v: FloatArray) -> NDArray[np.intp]:
        """Return the same with other volts at the nodes, whether data pass what has none or not.

        Returns:
            Shape (2, nodes).
        """
        by_volts = appearance(self.design.node, node_v[None, :], lit)
        should = np.vstack([self._obey_chain(by_volts), by_volts])
        if self.responses.remap:
            should = self._as_received(lit, should, self.responses.received(lit))
        return np.asarray(self._kept_dark(should))

    def _remapping(self, strand: int) -> list[int]:
        """Chain faults that tell nodes of this strand what is not theirs."""
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

    def _put_in_remapped(self, weight: FloatArray, look: StrandLook) -> None:
        """Put one look under the faults that tell nodes of its strand what is not theirs.

        Args:
            weight: of each chain fault, shape (..., chain faults).
            look: what was seen of the strand.
        """
        numbers = self._remapping(look.strand)
        if not numbers:
            return
        nodes, remap = self._nodes(look), self._remapped_looks(look.lit)
        weight[:, numbers] = self._weigh(look, self._ground(look.lit)[None, nodes])
        shown = [number for number in numbers if number in remap]
        if shown:
            rows = np.array([remap[number][nodes] for number in shown])
            weight[:, shown] = self._weigh(look, rows)

    def _remapped_looks(self, lit: LitSet) -> dict[int, NDArray[np.intp]]:
        """Return the `Appearance` of every node by the chain faults that mislead some visibly."""
        if lit not in self._by_misled:
            received, meant = self.responses.received(lit), lit.duty(self.design)
            powered, ground = self._powered(lit), self._ground(lit)
            found: dict[int, NDArray[np.intp]] = {}
            for number in self._every_remapping:
                fault = self.space.chain[number].remap
                assert fault is not None
                own = fault.received_at_nodes(received)
                other = np.flatnonzero((own != received[fault.nodes]).any(axis=1))
                if len(other):  # most of the time: white is white in any order
                    at = fault.nodes[other]
                    row = ground.copy()
                    row[at] = _by_data(powered[at], own[other] > 0.0, meant[at] > 0.0)
                    found[number] = self._kept_dark(row)
            self._by_misled[lit] = found
        return self._by_misled[lit]

    @cached_property
    def _every_remapping(self) -> list[int]:
        return [n for n, fault in enumerate(self.space.chain) if fault.remap is not None]

    def joints(self, only: Sequence[int] | None = None, *, roughly: bool = False) -> FloatArray:
        """Logarithm of likelihood of each power joint's faults, shape (joints, COLUMNS).

        Args:
            only: joints that are asked for; the rows of others are 0.
            roughly: with an estimate where nodes are starved, and no circuit solved.
        """
        count = len(self.space.joints)
        wanted = range(count) if only is None else only
        blocked = np.zeros((TALLIES, count, len(MARK_COLUMNS)))
        passing = np.zeros_like(blocked)
        for lit in dict.fromkeys(look.lit for look in self.looks):
            mine = [look for look in self.looks if look.lit == lit]
            self._add_joints(blocked, passing, lit, mine, wanted, exactly=not roughly)
        # a strand without volts passes data on, or it does not: in all looks alike
        eyes = np.logaddexp(by_eye(blocked), by_eye(passing)) - np.log(2.0)
        if only is None and not roughly:
            self._blind_joints = _at_every_column(eyes[BLIND])
        share = EYES_LOG[:, None, None]
        return _at_every_column(np.logaddexp.reduce(eyes + share, axis=0))

    def blind_less(self, joints: FloatArray) -> tuple[float, FloatArray]:
        """Return what `BLIND` makes of the marks less what `healthy` and `joints` did.

        Args:
            joints: as `joints` returned them last, of all joints, shape (joints, COLUMNS).

        Returns:
            With nothing more wrong, and of each power joint's faults, shape (joints, COLUMNS).
        """
        assert self._blind_joints is not None
        blind = float(by_eye(self._tallied_healthy)[BLIND, 0])
        return blind - self.healthy(), self._blind_joints - joints

    def _add_joints(
        self,
        blocked: FloatArray,
        passing: FloatArray,
        lit: LitSet,
        looks: Sequence[StrandLook],
        wanted: Sequence[int],
        *,
        exactly: bool,
    ) -> None:
        """Add the tallies of looks under one lit set, for the faults of each power joint.

        Args:
            blocked: sums so far where strands without volts pass no data on,
                shape (TALLIES, joints, MARK_COLUMNS).
            passing: the same where they do.
            lit: strands lit.
            looks: what was seen under it.
            wanted: joints that are asked for.
            exactly: whether circuits may be solved where nodes are starved.
        """
        base = self.responses.base(lit)
        compensating_a = self.responses.capped_compensating_a(base)[:, MARK_COLUMNS]
        amiss = {look.strand for look in looks if (look.seen > 0).any()}
        per_amp = np.zeros(self.design.node_count)
        kind, ground = self.design.node, self._ground(lit)
        plenty_v = max(kind.logic_v, *kind.full_v.values())
        grounds = [ground[self._nodes(look)] for look in looks]
        as_before = [self._weigh(k, g[None]) for k, g in zip(looks, grounds, strict=True)]
        plain = np.sum(as_before, axis=0)
        enough = base.solution.node_v.min(initial=np.inf) >= plenty_v
        alone = self.responses.is_large and len(wanted) == 1
        touched = [
            number
            for number in wanted
            if not (strands := self.space.joints[number].strands) or amiss & set(strands)
        ]
        nonlinear = {
            n: base.nonlinear_row(n) if alone else base.nonlinear[n] for n in touched if amiss
        }
        for number in nonlinear:
            if self.space.joints[number].is_fuse:  # it has no resistance but an endless one
                nonlinear[number] = nonlinear[number] & (np.arange(COLUMNS) == COLUMNS - 1)
        exactly = exactly and self._solved(base, nonlinear)
        every = list(wanted)
        some = np.array(every, dtype=np.intp)
        loads = base.alone(every[0]).load if alone else base.joint_load[:, some]
        least_v = _least_volts(
            base.solution.node_v[self.responses.circuit.loaded], loads, compensating_a[some]
        )
        for number, load, lowest_v in zip(every, loads.T, least_v.tolist(), strict=True):
            if enough and lowest_v >= plenty_v:
                blocked[:, number] += plain  # every node has all it needs: it looks as before
                passing[:, number] += plain
                continue
            per_amp[self.responses.circuit.loaded] = load
            node_v = base.solution.node_v + compensating_a[number][:, None] * per_amp
            islands = np.zeros(len(node_v), dtype=bool)
            if exactly and number in nonlinear:
                islands = self._apply_undervoltage(node_v, number, base, nonlinear[number])
            by_volts = appearance(self.design.node, node_v, lit)
            should = self._obey_chain(by_volts)
            if islands.any():  # or data do pass what is cut off
                should = np.vstack([should, by_volts[islands]])
            if self.responses.remap:
                should = self._as_received(lit, should, self.responses.received(lit))
            should = self._kept_dark(should)
            weights = np.repeat(plain, len(should), axis=1)
            touched_nodes = (should != ground).any(axis=0)
            for look, before, alone_log in zip(looks, grounds, as_before, strict=True):
                if not touched_nodes[self._nodes(look)].any():
                    continue
                rows = should[:, self._nodes(look)]
                other = np.flatnonzero((rows != before).any(axis=1))
                if len(other):  # most strands look as before at most resistances
                    weights[:, other] += look.weigh(rows[other]) - alone_log
            at_knots = weights[:, : len(MARK_COLUMNS)]
            blocked[:, number] += at_knots
            at_knots[:, islands] = weights[:, len(MARK_COLUMNS) :]
            passing[:, number] += at_knots

    def _solved(self, base: LitSetResponse, nonlinear: dict[int, NDArray[np.bool_]]) -> bool:
        """True where all faults of these joints that starve nodes may be solved: all, or none."""
        circuits = tuple(
            (self.conditional, self.space.joints[joint].name, column, base.lit)
            for joint, row in nonlinear.items()
            for column in MARK_COLUMNS[row[MARK_COLUMNS]].tolist()
        )
        return self.budget.takes(circuits, solve_units(self.design))

    def _apply_undervoltage(
        self, node_v: FloatArray, joint: int, base: LitSetResponse, nonlinear: NDArray[np.bool_]
    ) -> NDArray[np.bool_]:
        """Put in the exact volts where a fault starves nodes of a strand that looked wrong.

        Returns:
            Where it cuts nodes off, which look as if without volts, whatever their data line feeds
            them, and may or may not pass their data on, shape (MARK_COLUMNS,).
        """
        islands = np.zeros(len(node_v), dtype=bool)
        name = self.space.joints[joint].name
        for row, column in enumerate(MARK_COLUMNS.tolist()):
            if nonlinear[column]:
                solution = self.responses.exact(name, column, base.lit)
                node_v[row] = self.responses.visible_v(base.lit, solution)
                cut_off = solution.circuit.cut_off
                node_v[row, cut_off] = 0.0
                islands[row] = (node_v[row] < self.design.node.logic_v).any()
        return islands

    def _obey_chain(self, should: NDArray[np.intp]) -> NDArray[np.intp]:
        """Nodes after the first that has no power get no data; shape (faults, nodes)."""
        along = should[:, self.space.order] == Appearance.UNPOWERED
        after = np.zeros_like(along)
        after[:, 1:] = np.logical_or.accumulate(along, axis=1)[:, :-1]
        lost = np.zeros_like(after)
        lost[:, self.space.order] = after & ~along
        return np.where(lost, int(Appearance.NO_DATA), should)

    def _nodes(self, look: StrandLook) -> NDArray[np.intp]:
        start = self.design.first_index[look.strand - 1]
        return np.arange(start, start + self.design.strand(look.strand).nodes)


def _least_volts(volts: FloatArray, per_amp: FloatArray, compensating_a: FloatArray) -> FloatArray:
    """Return the lowest volts of any node under any of each joint's faults, shape (joints,). [V]

    Args:
        volts: of the loaded nodes, shape (nodes,). [V]
        per_amp: change by an ampere at each joint, shape (nodes, joints). [V/A]
        compensating_a: amperes that stand in for each joint's faults, shape (joints, faults). [A]
    """
    if not len(volts):
        return np.full(len(compensating_a), np.inf)
    ends = np.stack([compensating_a.min(axis=1), compensating_a.max(axis=1)])
    moved = np.minimum(per_amp * ends[0], per_amp * ends[1])
    return np.asarray((volts[:, None] + moved).min(axis=0))


def _at_every_column(at_knots: FloatArray) -> FloatArray:
    """Return rows known at `MARK_COLUMNS` at every resistance, shape (..., COLUMNS)."""
    rows = [np.interp(np.arange(COLUMNS), MARK_COLUMNS, row) for row in at_knots]
    return np.array(rows).reshape(-1, COLUMNS)
