"""Evidence of one time as a table of every single fault, corrected for faults that are given.

Without given faults the table is exact. With some, it is a low-order correction: the shifts that
faults make to readings add up, the node current and a fault's own step of the grid scale each
shift, and one slip is allowed as in `gauss`. A fault that starves nodes has a shift known to
`GUESS_SHARE`. The single faults' own error in this approximation is subtracted, as far as
`MOST_CORRECTION_LOG`. Of marks, given faults and a further one explain what each explains alone,
and contradict what each contradicts alone.
"""

from __future__ import annotations

from collections.abc import Collection, Sequence
from dataclasses import dataclass
from functools import cached_property

import numpy as np
from numpy.typing import NDArray

from benchtest.circuit.netlist import FloatArray
from benchtest.diagnosis.inference.conditional import (
    MISFIT_CHANCE,
    MISFIT_LOOKS,
    ConditionalEvidence,
    chance_beyond,
)
from benchtest.diagnosis.inference.hypothesis import FaultHypothesis
from benchtest.diagnosis.likelihood.marks import (
    MarkLikelihood,
    StrandLook,
    best_explained,
    strand_looks,
)
from benchtest.diagnosis.likelihood.nonlinear import GUESS_SHARE
from benchtest.diagnosis.likelihood.robust_gaussian import shifted_log_likelihood
from benchtest.diagnosis.model.fault_response import CELL_SD, COLUMNS
from benchtest.diagnosis.model.faults import ChainFault, FaultSpace

MOST_CORRECTION_LOG = 5.0
"""Limit of the correction by single faults. Ours."""
SIGNIFICANT_SD = 0.05
"""Shifts of all readings below this are none: such a fault leaves the likelihood as it is. Ours."""


@dataclass(frozen=True)
class ReadTable:
    """Readings of one time.

    Attributes:
        values: what was read, shape (readings,).
        healthy_mean: with nothing further wrong, shape (readings,).
        covariance: of the readings then, shape (readings, readings).
        current_sd: share by which node current scales every shift.
        slip_per_v: see `gauss.log_likelihood`.
        across: joint that each reading is taken across, -1 for none, shape (readings,).
        healthy: logarithm of likelihood with nothing further wrong.
        joints: the same of each joint, shape (joints, COLUMNS).
        chain: of each chain fault, shape (chain faults,).
        joint_shift: readings under each joint's fault less `healthy_mean`, float32,
            shape (joints, COLUMNS, readings).
        chain_shift: readings less `healthy_mean` in each way that a chain fault moves them,
            shape (ways, readings).
        chain_way: the way of each chain fault, shape (chain faults,).
        starved: resistances that starve nodes, shape (joints, COLUMNS).
        estimated: joints of which those resistances were not worked out, shape (joints,).
    """

    values: FloatArray
    healthy_mean: FloatArray
    covariance: FloatArray
    current_sd: float
    slip_per_v: float
    across: NDArray[np.intp]
    healthy: float
    joints: FloatArray
    chain: FloatArray
    joint_shift: NDArray[np.float32]
    chain_shift: FloatArray
    chain_way: NDArray[np.intp]
    starved: NDArray[np.bool_]
    estimated: NDArray[np.bool_]

    def scale_sd(self, joint: int, columns: slice | int = slice(None)) -> FloatArray:
        """Return the standard deviation of the shift by a joint's fault, as a share of it."""
        guess = np.where(self.starved[joint, columns], GUESS_SHARE, CELL_SD)
        return np.asarray(np.hypot(self.current_sd, guess))

    def shift_of(self, part: _Place) -> tuple[FloatArray, float]:
        """Readings under a given fault less `healthy_mean`, and how far they are known."""
        if part.joint >= 0:
            shift = self.joint_shift[part.joint, part.column].astype(np.float64)
            return shift, float(self.scale_sd(part.joint, part.column))
        return self.chain_shift[self.chain_way[part.chain]], self.current_sd

    def exact(self, part: _Place) -> float:
        """Logarithm of likelihood of one fault alone."""
        if part.joint >= 0:
            return float(self.joints[part.joint, part.column])
        return float(self.chain[part.chain])


@dataclass(frozen=True)
class SeenTable:
    """Marks of one time: logarithms of likelihood as in `ReadTable`."""

    healthy: float
    joints: FloatArray
    chain: FloatArray
    most: float
    """Of the best explanation that there could be."""

    def given(self, parts: Sequence[_Place]) -> tuple[float, float]:
        """Return the gain of the best given fault, and the losses of all given faults."""
        gains = [
            (float(self.joints[p.joint, p.column]) if p.joint >= 0 else float(self.chain[p.chain]))
            - self.healthy
            for p in parts
        ]
        return max([0.0, *gains]), sum(min(0.0, gain) for gain in gains)

    def under(self, given: tuple[float, float], single: FloatArray) -> FloatArray:
        """With given faults and a further one whose own logarithms are `single`, same shape."""
        gain = single - self.healthy
        both = np.maximum(given[0], gain) + given[1] + np.minimum(gain, 0.0)
        return np.asarray(np.minimum(self.healthy + both, self.most))


@dataclass(frozen=True)
class _Place:
    """A given fault's place in a table."""

    joint: int = -1
    column: int = -1
    chain: int = -1


class Table:
    """Evidence of one time with some faults of that time given, as tables of further faults.

    Attributes:
        parts: the faults given.
    """

    def __init__(
        self,
        parts: tuple[FaultHypothesis, ...],
        names: Sequence[str],
        chain_ids: Sequence[int],
        chain: Sequence[ChainFault],
        read: Sequence[tuple[float, ReadTable]],
        seen: Sequence[tuple[float, SeenTable]],
    ) -> None:
        """Keep tables, each with its sign: what counts now, too, is subtracted.

        Args:
            parts: faults given.
            names: of the joints, in the tables' order.
            chain_ids: places in the whole fault space of the chain faults.
            chain: the chain faults themselves.
            read: readings.
            seen: marks.
        """
        self.parts = parts
        self._joint_place = {name: place for place, name in enumerate(names)}
        self._chain_place = {place: n for n, place in enumerate(chain_ids)}
        self._row_of = {id(fault): n for n, fault in enumerate(chain)}
        self.read = read
        self.seen = seen

    @property
    def healthy(self) -> float:
        """Logarithm of likelihood with nothing further wrong."""
        total = sum(sign * one.healthy for sign, one in self.read)
        return total + sum(sign * one.healthy for sign, one in self.seen)

    def given(self, parts: tuple[FaultHypothesis, ...], repaired: Collection[str]) -> Given:
        """The table with faults of the present unit given.

        Args:
            parts: the faults.
            repaired: names of what was worked on since; a fault there is another one.
        """
        places = [self.place_of(part) for part in parts if part.where not in repaired]
        return Given(self, [place for place in places if place is not None], repaired)

    def place_of(self, part: FaultHypothesis) -> _Place | None:
        """Return a fault's place in the table; None where it could not show then."""
        if part.chain >= 0:
            place = self._chain_place.get(part.chain)
            return None if place is None else _Place(chain=place)
        place = self._joint_place.get(part.where)
        return None if place is None else _Place(joint=place, column=part.column)

    @property
    def chain_count(self) -> int:
        """Chain faults in the table."""
        return len(self._row_of)

    def chain_rows(
        self, chain: Sequence[ChainFault], repaired: Collection[str]
    ) -> NDArray[np.intp]:
        """Rows of chain faults, -1 of those that are given, or were repaired since."""
        rows = [-1 if f.where in repaired else self._row_of.get(id(f), -1) for f in chain]
        return np.array(rows, dtype=np.intp)

    def joint_places(self, names: Sequence[str], repaired: Collection[str]) -> NDArray[np.intp]:
        """Rows of joints, -1 of those that could not show then."""
        places = [-1 if n in repaired else self._joint_place.get(n, -1) for n in names]
        return np.array(places, dtype=np.intp)


@dataclass(frozen=True)
class ShortTable:
    """Evidence of one time that a short explains: no other fault shows on copper without volts.

    Attributes:
        parts: the short.
        healthy: logarithm of likelihood, whatever else is wrong.
        is_unexplained: whether the short leaves evidence of that time unexplained.
    """

    parts: tuple[FaultHypothesis, ...]
    healthy: float
    is_unexplained: bool

    def given(self, parts: tuple[FaultHypothesis, ...], repaired: Collection[str]) -> ShortTable:
        """See `Table.given`."""
        return self

    def joints(self, names: Sequence[str]) -> FloatArray:
        """See `Given.joints`."""
        return np.full((len(names), COLUMNS), self.healthy)

    def chain(self, space: FaultSpace) -> FloatArray:
        """See `Given.chain`."""
        return np.full(len(space.chain), self.healthy)

    def is_misfit(self, further: FaultHypothesis | None) -> bool:
        """See `Given.is_misfit`."""
        return self.is_unexplained


class Given:
    """A table with some faults of the present unit given."""

    def __init__(self, table: Table, parts: Sequence[_Place], repaired: Collection[str]) -> None:
        self._table = table
        self._parts = parts
        self._repaired = repaired
        self._read = [(sign, _ReadGiven(one, parts)) for sign, one in table.read]
        self._seen = [(sign, one, one.given(parts)) for sign, one in table.seen]

    @cached_property
    def healthy(self) -> float:
        """Logarithm of likelihood with nothing further wrong."""
        total = min(sum(sign * one.healthy for sign, one in self._read), self._most_read)
        for sign, seen, given in self._seen:
            total += sign * float(seen.under(given, np.array([seen.healthy]))[0])
        return total

    def _most_read_of(self, places: NDArray[np.intp]) -> FloatArray:
        """The same of joints: what was only estimated explains no more than nothing further."""
        found = np.full((len(places), COLUMNS), self._most_read)
        if np.isfinite(self._most_read):
            healthy = min(sum(sign * one.healthy for sign, one in self._read), self._most_read)
            for sign, one in self._table.read:
                guessed = one.estimated[places, None] & one.starved[places]
                found[guessed & (sign > 0.0)] = healthy
        return found

    @cached_property
    def _most_read(self) -> float:
        """Limit of the readings' logarithm where part of them counts as evidence of now.

        What is left is the likelihood of the other readings, those given: no fault makes that more
        than the peak of its density. A fault that was worked out for the one part and only
        estimated for the whole would otherwise explain by far too much.
        """
        if all(sign > 0.0 for sign, _ in self._table.read):
            return np.inf
        logs = [
            sign * float(np.linalg.slogdet(2.0 * np.pi * one.covariance)[1])
            for sign, one in self._table.read
        ]
        return MOST_CORRECTION_LOG - 0.5 * sum(logs)

    def joints(self, names: Sequence[str]) -> FloatArray:
        """The same with one more joint at fault, shape (names, COLUMNS)."""
        places = self._table.joint_places(names, self._repaired)
        mine = np.flatnonzero(places >= 0)
        found = np.full((len(names), COLUMNS), self.healthy)
        if len(mine):
            rows = np.zeros((len(mine), COLUMNS))
            for sign, one in self._read:
                rows += sign * one.joints(places[mine])
            rows = np.minimum(rows, self._most_read_of(places[mine]))
            for sign, seen, given in self._seen:
                rows += sign * seen.under(given, seen.joints[places[mine]])
            found[mine] = rows
        return found

    def chain(self, space: FaultSpace) -> FloatArray:
        """The same with one more chain fault, shape (chain faults,)."""
        every = np.zeros(self._table.chain_count)
        for sign, one in self._read:
            every += sign * one.chain()
        every = np.minimum(every, self._most_read)
        for sign, seen, given in self._seen:
            every += sign * seen.under(given, seen.chain)
        rows = self._table.chain_rows(space.chain, self._repaired)
        return np.where(rows >= 0, every[rows], self.healthy)

    def is_misfit(self, further: FaultHypothesis | None) -> bool:
        """True where given faults and one more do not explain what was seen and read then."""
        place = None
        if further is not None and further.where not in self._repaired:
            place = self._table.place_of(further)
        for sign, seen, given in self._seen:
            if sign > 0.0:
                single = np.array([seen.healthy])
                if place is not None and place.joint >= 0:
                    single = seen.joints[place.joint, place.column : place.column + 1]
                elif place is not None:
                    single = seen.chain[place.chain : place.chain + 1]
                if seen.most - float(seen.under(given, single)[0]) > MISFIT_LOOKS:
                    return True
        every = [*self._parts, *([] if place is None else [place])]
        return any(
            sign > 0.0 and _ReadGiven(one._table, every).chance < MISFIT_CHANCE
            for sign, one in self._read
        )


class _ReadGiven:
    """Readings of one time with faults given."""

    def __init__(self, table: ReadTable, parts: Sequence[_Place]) -> None:
        self._table = table
        self._parts = parts
        shift = np.zeros(len(table.values))
        covariance = table.covariance
        if parts:
            covariance = covariance.copy()
            for part in parts:
                moved, sd = table.shift_of(part)
                shift += moved
                covariance += sd**2 * np.outer(moved, moved)
        self._off = table.values - table.healthy_mean - shift
        self._mean = table.healthy_mean + shift
        self._covariance = covariance
        self._given = {part.joint for part in parts}

    @cached_property
    def _precision(self) -> FloatArray:
        return np.asarray(np.linalg.inv(self._covariance))

    @cached_property
    def _plain(self) -> _ReadGiven:
        return _ReadGiven(self._table, ())

    @property
    def chance(self) -> float:
        """Probability of readings at least as far off as these."""
        square = float(self._off @ np.linalg.solve(self._covariance, self._off))
        return chance_beyond(square, len(self._off))

    def _by_shifts(self, shift: FloatArray, scale_sd: FloatArray, joint: int) -> FloatArray:
        """Logarithm of likelihood under shifts (n, readings) that are known to a share (n,)."""
        healthy = self._table.across >= 0
        for number in {joint, *self._given} - {-1}:
            healthy &= self._table.across != number
        across_v = (self._mean + shift) * healthy if healthy.any() else None
        return shifted_log_likelihood(
            self._off,
            self._precision,
            float(np.linalg.slogdet(self._covariance)[1]),
            shift,
            scale_sd,
            self._table.slip_per_v,
            across_v,
        )

    @cached_property
    def healthy(self) -> float:
        table = self._table
        if not self._parts:
            return table.healthy
        if len(self._parts) == 1:
            return table.exact(self._parts[0])
        none = np.zeros((1, len(table.values)))
        found = float(self._by_shifts(none, np.zeros(1), -1)[0])
        for part in self._parts:
            found += float(_limited(table.exact(part) - self._plain_of(part)))
        return found

    def _plain_of(self, part: _Place) -> float:
        """The approximation of one fault alone."""
        shift, sd = self._table.shift_of(part)
        return float(self._plain._by_shifts(shift[None], np.array([sd]), part.joint)[0])

    def joints(self, places: NDArray[np.intp]) -> FloatArray:
        """Logarithm of likelihood with one more joint at fault, shape (places, COLUMNS)."""
        table = self._table
        if not self._parts:
            return table.joints[places]
        found = np.empty((len(places), COLUMNS))
        sd = np.sqrt(np.diag(table.covariance))
        for number, joint in enumerate(places.tolist()):
            shift = table.joint_shift[joint].astype(np.float64)
            if np.abs(shift / sd).max() < SIGNIFICANT_SD:
                found[number] = self.healthy + table.joints[joint] - table.healthy
                continue
            scale = table.scale_sd(joint)
            found[number] = self._by_shifts(shift, scale, joint) + _limited(
                table.joints[joint] - self._plain._by_shifts(shift, scale, joint)
            )
        return found

    def chain(self) -> FloatArray:
        """The same with one more chain fault, shape (chain faults,)."""
        table = self._table
        if not self._parts:
            return table.chain
        scale = np.full(len(table.chain_shift), table.current_sd)
        more = self._by_shifts(table.chain_shift, scale, -1)
        more -= self._plain._by_shifts(table.chain_shift, scale, -1)
        return np.asarray(table.chain + more[table.chain_way])


def _limited(correction: FloatArray | float) -> FloatArray:
    return np.asarray(np.clip(correction, -MOST_CORRECTION_LOG, MOST_CORRECTION_LOG))


def condense(view: ConditionalEvidence, kept: ConditionalEvidence | None) -> Table:
    """Weigh every single fault once, and keep what is needed of it.

    Args:
        view: all evidence of a time, with the faults of that time given.
        kept: the part of it that is evidence of now, too; with the same faults given.
    """
    signed = [(1.0, view)] + ([] if kept is None else [(-1.0, kept)])
    if kept is not None and len(kept.case.readings) == len(view.case.readings):
        # nothing was read that does not count now
        signed_read: list[tuple[float, ConditionalEvidence]] = []
    else:
        signed_read = signed
    read = [(sign, _read_table(one)) for sign, one in signed_read if one.case.readings]
    looks = strand_looks(view.design, view.case.marks)
    kept_looks = [] if kept is None else strand_looks(view.design, kept.case.marks)
    seen = [
        (sign, _seen_table(view, those))
        for sign, those in ((1.0, _less(looks, kept_looks)), (-1.0, _less(kept_looks, looks)))
        if those
    ]
    given = {part.chain for part in view.parts}
    chain_ids = [place for place in range(len(view.space.chain)) if place not in given]
    space = view.responses.space
    return Table(view.parts, [joint.name for joint in space.joints], chain_ids, space.chain,
                 read, seen)  # fmt: skip


def condense_short(
    view: ConditionalEvidence, kept: ConditionalEvidence | None, short: FaultHypothesis
) -> ShortTable:
    """Weigh a short once.

    Args:
        view: all evidence of a time, with no faults given.
        kept: the part of it that is evidence of now, too; likewise.
        short: the short.
    """
    less = 0.0 if kept is None else float(kept.chain[short.chain])
    likelihood = float(view.chain[short.chain]) - less
    return ShortTable((short,), likelihood, view.is_misfit(short))


def _read_table(view: ConditionalEvidence) -> ReadTable:
    likelihood, weighed = view.likelihood, view.likelihoods
    assert likelihood is not None
    assert weighed is not None
    mean = likelihood.healthy_mean()
    ways, of = np.unique(np.round(likelihood.chain_mean - mean, 6), axis=0, return_inverse=True)
    nonlinear = np.logical_or.reduce([effect.base.nonlinear for effect in likelihood.effects])
    return ReadTable(
        likelihood.values,
        mean,
        likelihood.healthy_covariance,
        likelihood.tolerances.current,
        likelihood.slip_per_v,
        likelihood.across,
        likelihood.healthy(),
        weighed.joints,
        likelihood.chain(),
        (weighed.joint_mean - mean).astype(np.float32),
        ways,
        of.reshape(-1),
        np.asarray(nonlinear),
        np.isin(np.arange(len(nonlinear)), list(likelihood.estimated)),
    )


def _less(looks: Sequence[StrandLook], others: Sequence[StrandLook]) -> list[StrandLook]:
    """Return the looks that are not among others: each strand under a lit set counts by itself."""
    known = {(one.lit, one.strand, one.seen.tobytes()) for one in others}
    return [one for one in looks if (one.lit, one.strand, one.seen.tobytes()) not in known]


def _seen_table(view: ConditionalEvidence, looks: Sequence[StrandLook]) -> SeenTable:
    weigh = MarkLikelihood(view.responses, looks, view.case.budget, view.parts)
    return SeenTable(weigh.healthy(), weigh.joints(), weigh.chain(), best_explained(looks))
