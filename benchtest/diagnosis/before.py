"""What was seen and read before something was mended still tells of everything else.

A repair moves most readings, so they say nothing of the unit as it is now if taken by themselves.
They are readings of the unit as it was, though: with what was mended since at fault again, every
other fault is weighed against them as against any reading. So whoever mends the first of two bad
joints starts anew neither with the second nor with those that were cleared on the way.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from functools import cached_property

import numpy as np

from benchtest.circuit.wiring import FloatArray
from benchtest.diagnosis.faults import FaultSpace
from benchtest.diagnosis.part import Part
from benchtest.diagnosis.posterior import ONE_MORE_LOG
from benchtest.diagnosis.together import shares_of, together
from benchtest.diagnosis.view import Case, View
from benchtest.diagnosis.views import Footings, Views, forget
from benchtest.evidence.marks import Mark
from benchtest.evidence.meter import Meter
from benchtest.evidence.reading import Reading

WAYS = 3
"""Ways in which what was mended may have been at fault, at the most."""
MOST_REMEMBERED_OCTETS = 100_000_000
"""Memory that circuits of earlier times may take before the oldest are forgotten."""
WORTH_KEEPING_LOG = 7.0
"""Ways whose logarithm of weight is so far below the best are dropped: one in a thousand."""


@dataclass(frozen=True)
class Before:
    """Evidence on a unit when something was about to be mended.

    Attributes:
        where: the joint, node, strand or feed that was then worked on.
        readings: all that stood at that time.
        marks: likewise.
        kept_readings: those of them that the work left valid; they are evidence on the unit as it
            is now, too.
        kept_marks: likewise.
    """

    where: str
    readings: tuple[Reading, ...]
    marks: tuple[Mark, ...] = ()
    kept_readings: tuple[Reading, ...] = ()
    kept_marks: tuple[Mark, ...] = ()


@dataclass(frozen=True)
class _Way:
    """What the unit may have been before the work, with faults of now taken for given.

    Attributes:
        mended: names of all that was worked on since: this way says of each how it was.
        room: logarithm of the odds of that.
        then: all evidence of that time.
        kept: the part of it that counts as evidence of now, so that nothing counts twice.
    """

    mended: frozenset[str]
    room: float
    then: View
    kept: View | None

    @property
    def healthy(self) -> float:
        less = 0.0 if self.kept is None else self.kept.healthy
        return self.room + self.then.healthy - less

    def joints(self, space: FaultSpace, *, roughly: bool) -> FloatArray:
        """Logarithm of likelihood of one more joint at fault, shape (joints, COLUMNS)."""
        rows = self.then.told_roughly if roughly else self.then.joints
        if self.kept is not None:
            rows = rows - (self.kept.told_roughly if roughly else self.kept.joints)
        joints = self.then.responses.space.joints
        mine = {one.name: n for n, one in enumerate(joints) if one.name not in self.mended}
        found = np.full((len(space.joints), rows.shape[1]), self.healthy)
        for place, joint in enumerate(space.joints):
            if joint.name in mine:  # others had no current then, or were mended
                found[place] = self.room + rows[mine[joint.name]]
        return found

    def row(self, where: str) -> FloatArray | float:
        """One row of `joints`."""
        if where in self.mended or not self.then.carries(where):
            return self.healthy
        less = 0.0 if self.kept is None else self.kept.told_row(where)
        return self.room + self.then.told_row(where) - less

    def chain(self, space: FaultSpace) -> FloatArray:
        """Logarithm of likelihood of one more chain fault, shape (chain faults,)."""
        rows = self.then.chain - (0.0 if self.kept is None else self.kept.chain)
        chain = self.then.responses.space.chain
        mine = {id(one): n for n, one in enumerate(chain) if one.where not in self.mended}
        return np.array(
            [
                self.room + rows[mine[id(fault)]] if id(fault) in mine else self.healthy
                for fault in space.chain
            ]
        )

    def is_misfit(self, further: Part | None) -> bool:
        if further is not None and (further.where in self.mended or not self.then.holds(further)):
            further = None
        return self.then.is_misfit(further)


class Memory:
    """What the evidence of earlier times says, on the footing of some faults of now."""

    def __init__(self, times: Sequence[Sequence[_Way]], mended: Sequence[str]) -> None:
        self._times = times
        self._mended = mended

    @property
    def octets(self) -> int:
        """Memory that its circuits take, about."""
        return sum(way.then.responses.octets for ways in self._times for way in ways)

    @property
    def views(self) -> list[tuple[str, View]]:
        """What was about to be mended at each time, and the evidence in the likeliest way."""
        best = [max(ways, key=lambda way: round(way.healthy, 9)) for ways in self._times]
        return [(where, way.then) for where, way in zip(self._mended, best, strict=True)]

    @cached_property
    def healthy(self) -> float:
        """Logarithm of likelihood with nothing more wrong than what is given."""
        return sum(
            float(np.logaddexp.reduce([way.healthy for way in ways])) for ways in self._times
        )

    def joints(self, space: FaultSpace, *, roughly: bool = False) -> FloatArray:
        """The same with one more joint at fault, shape (joints, COLUMNS)."""
        times = [[way.joints(space, roughly=roughly) for way in ways] for ways in self._times]
        return np.asarray(sum(np.logaddexp.reduce(rows) for rows in times))

    def row(self, where: str) -> FloatArray | float:
        """One row of `joints`."""
        total: FloatArray | float = 0.0
        for ways in self._times:
            rows = np.broadcast_arrays(*(way.row(where) for way in ways))
            total = total + np.logaddexp.reduce(rows)
        return total

    def chain(self, space: FaultSpace) -> FloatArray:
        """The same with one more chain fault, shape (chain faults,)."""
        times = [[way.chain(space) for way in ways] for ways in self._times]
        return np.asarray(sum(np.logaddexp.reduce(rows) for rows in times))

    def is_misfit(self, further: Part | None) -> bool:
        """True where no way explains what was seen and read at one of the times."""
        return any(all(way.is_misfit(further) for way in ways) for ways in self._times)


class Past:
    """Evidence of the times before each repair, in one belief of how far units may be off."""

    def __init__(self, before: Sequence[Before], views: Views, meter: Meter) -> None:
        """Nothing is weighed yet.

        Args:
            before: in order of time.
            views: footings of the design.
            meter: of readings that name none.
        """
        self._times = [
            _Time(one, [later.where for later in before[place:]], views, meter,
                  [earlier.where for earlier in before[:place]])
            for place, one in enumerate(before)
        ]  # fmt: skip
        self._names = [one.where for one in before]
        self._memories: dict[tuple[Part, ...], Memory] = {}

    def on(self, parts: tuple[Part, ...]) -> Memory:
        """What is remembered, with faults of now taken for given."""
        if parts not in self._memories:
            self._memories[parts] = Memory([time.ways(parts) for time in self._times], self._names)
        forget(self._memories, lambda memory: memory.octets, MOST_REMEMBERED_OCTETS, parts)
        return self._memories[parts]


class _Time:
    """One time before a repair."""

    def __init__(
        self,
        before: Before,
        mended: Sequence[str],
        views: Views,
        meter: Meter,
        repaired: Sequence[str],
    ) -> None:
        self._mended = frozenset(mended)
        self._views = views
        self._then = Case.of(before.readings, before.marks, meter, repaired)
        self._kept = Case.of(before.kept_readings, before.kept_marks, meter, repaired)
        self._has_kept = bool(before.kept_readings or before.kept_marks)

    def ways(self, parts: tuple[Part, ...]) -> list[_Way]:
        """With faults of now beside what was at fault then."""
        found = []
        for room, mended in self._as_it_was:
            given = (*mended, *(part for part in parts if part.where not in self._mended))
            kept = self._views.of(self._kept, given) if self._has_kept else None
            found.append(_Way(self._mended, room, self._views.of(self._then, given), kept))
        return found

    @cached_property
    def _as_it_was(self) -> list[tuple[float, tuple[Part, ...]]]:
        """How what was mended since may have been at fault, with the logarithm of its odds."""
        plain = self._views.of(self._then)
        look = Footings(self._views, self._then, None, plain)
        rows: list[tuple[float, float, tuple[Part, ...]]] = [(plain.healthy, 0.0, ())]
        for weight, part in plain.likeliest[: 2 * WAYS]:
            if plain.is_footing(part):
                mended = self._mended_of((part,))
                rows.append((weight, self._room(plain, mended, {}), mended))
        if plain.is_misfit(plain.best_part):
            for one in together(look):
                mended = self._mended_of(one.parts)
                rows.append((one.log_weight, self._room(plain, mended, one.grids), mended))
        best = max(weight for weight, _, _ in rows)
        found: dict[tuple[Part, ...], float] = {}
        for weight, room, mended in sorted(rows, key=lambda row: -round(row[0], 9)):
            if weight > best - WORTH_KEEPING_LOG and len(found) < WAYS:
                found.setdefault(mended, room)
        return [(room, mended) for mended, room in found.items()]

    def _mended_of(self, parts: tuple[Part, ...]) -> tuple[Part, ...]:
        return tuple(part for part in parts if part.where in self._mended)

    def _room(
        self, plain: View, mended: tuple[Part, ...], grids: Mapping[str, FloatArray]
    ) -> float:
        """Logarithm of the odds of what was mended, over all resistances that do as well."""
        room = max(0, len(mended) - 1) * ONE_MORE_LOG
        for part in mended:
            room += plain.odds_at(part)
            if part.chain < 0:
                grid = grids.get(part.where)
                shares = shares_of(plain.row(part.where)) if grid is None else grid
                room -= float(np.log(shares.max()))
        return room
