"""Time that a reading, a look and a repair take the person.

Keystroke-level model: Card, Moran, Newell, "The keystroke-level model for user performance time
with interactive systems", Communications of the ACM 23(7), 1980; below, "Card 1980". It gives the
times of keys, hands and decisions; those of meter leads and of a repair are common practice.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from benchtest.circuit.netlist import FloatArray
from benchtest.prop.design import BusPad, Design, FeedName, Lead, NodeName, Place, Point, Probe
from benchtest.prop.lit_set import LitSet

LEADS: tuple[Lead, Lead] = ("red", "black")
"""Both leads."""
LAST_READINGS = 4
"""Last readings that show where the leads are, and which of them is clipped on. Ours: hardly more
are taken at one place."""
Scale = Literal["V", "mV"]
"""Range group of a meter: rail voltages, or drops across joints and along copper."""


@dataclass(frozen=True, slots=True)
class PersonTimes:
    """Times of one person at the bench, which a person may set. [s]"""

    key_s: float = 0.28
    """One key. [s] Card 1980: average skilled typist, 40 words a minute."""
    homing_s: float = 0.4
    """A hand from the leads to the keyboard. [s] Card 1980."""
    decision_s: float = 1.35
    """Mental preparation before an action. [s] Card 1980."""
    typed_reading_s: float = 3.5
    """Typing a reading of four or five figures, decision included. [s] Computed from Card 1980: one
    decision, one homing, six keys; rounded up."""
    lead_move_s: float = 2.5
    """One lead to a named place. [s] Common practice, no source."""
    other_board_s: float = 2.0
    """In addition, a lead to another board than the last one. [s] Common practice, no source."""
    range_change_s: float = 2.0
    """The meter from volts to millivolts or back; 0 for an autoranging meter. [s] Common practice,
    no source."""
    settling_s: float = 1.5
    """A meter's display after the leads touch. [s] Common practice, no source."""
    clip_s: float = 4.0
    """A lead clipped to a place where it stays while the other one moves, instead of a move. [s]
    Common practice, no source."""
    look_strand_s: float = 1.5
    """One look at a strand. [s] Common practice, no source."""
    parade_strand_s: float = 1.0
    """One strand of a parade, which lights by itself. [s] The pace that a parade begins with."""
    picture_turn_s: float = 1.0
    """One turn of the picture; a look takes all of them. [s] The pace of the pattern."""
    look_prop_s: float = 3.0
    """One look at several strands or all of them. [s] Common practice, no source."""
    repair_s: float = 60.0
    """One repair. [s] Common practice, no source."""
    light_change_s: float = 0.2
    """A change of the lit set by the tool. [s] Common practice, no source."""


USUAL_TIMES = PersonTimes()
"""Times of a typical person."""


@dataclass(frozen=True, slots=True)
class Leads:
    """Places of the leads, range of the meter and lit set; None before the first use."""

    red: Point | None = None
    black: Point | None = None
    board: str | None = None
    """Board of the last lead that moved; see `board_of`."""
    scale: Scale | None = None
    lit: LitSet | None = None
    clipped: frozenset[Lead] = frozenset()
    """Leads that stayed where they are while the other one moved."""

    def at(self, lead: Lead) -> Point | None:
        """Return the place of a lead."""
        return self.red if lead == "red" else self.black


@dataclass(frozen=True, slots=True)
class ReadingCost:
    """Time and lead moves of one reading."""

    seconds: float
    """Time of the reading. [s]"""
    lead_moves: int
    """Number of leads that moved: 0, 1 or 2."""
    leads: Leads
    """Places of the leads after it."""


def board_of(design: Design, place: Place) -> str:
    """Return the board of a place: its bus, or the side of the prop without one.

    A strand end without a bus is at the side of its end letter, `A` or `B`; a node is on its own
    strand.
    """
    if isinstance(place, FeedName):
        place = next(feed.at for feed in design.feeds if feed.name == place.feed)
    if isinstance(place, BusPad):
        return place.bus
    if isinstance(place, NodeName):
        return str(place.strand)
    bus = design.bus_of(place)
    return place.end if bus is None else bus.name


def scale_of(probe: Probe) -> Scale:
    """Return the range group of the expected reading of a probe."""
    return "V" if probe.is_rail or probe.reversed.is_rail else "mV"


def reading_cost(
    design: Design,
    leads: Leads,
    lit: LitSet,
    probe: Probe,
    *,
    times: PersonTimes = USUAL_TIMES,
) -> ReadingCost:
    """Return the time of one reading with the leads at given places.

    A lead that is already at its point takes no time. One that stays while the other moves is
    clipped on, since the other hand types: it takes the more time of a clip, once.

    Args:
        design: the prop.
        leads: places of the leads before the reading.
        lit: strands lit for the reading.
        probe: the points for the leads.
        times: of the person.
    """
    wanted: dict[Lead, Point] = {"red": probe.red, "black": probe.black}
    moves = [lead for lead, point in wanted.items() if leads.at(lead) != point]
    stays = frozenset(LEADS).difference(moves)
    seconds = len(moves) * times.lead_move_s
    if len(moves) == 1 and not stays <= leads.clipped:
        seconds += times.clip_s - times.lead_move_s

    boards = {lead: board_of(design, wanted[lead].place) for lead in moves}
    others = set(boards.values()) - {leads.board}
    # the walk to the first board does not count
    changes = len(others) if leads.board is not None else max(0, len(others) - 1)
    seconds += changes * times.other_board_s

    scale = scale_of(probe)
    if leads.scale not in (None, scale):
        seconds += times.range_change_s
    if lit != leads.lit:
        seconds += times.light_change_s
    seconds += times.settling_s + times.typed_reading_s
    board = boards[moves[-1]] if moves else leads.board
    clipped = stays if moves else leads.clipped
    after = Leads(probe.red, probe.black, board, scale, lit, clipped)
    return ReadingCost(seconds, len(moves), after)


class ProbeTimes:
    """Time of a reading at every probe of a list: `reading_cost` as an array.

    Attributes:
        design: the prop.
        probes: the probes.
    """

    def __init__(
        self, design: Design, probes: Sequence[Probe], times: PersonTimes = USUAL_TIMES
    ) -> None:
        """Assign an index to every point and board of the probes.

        Args:
            design: the prop.
            probes: the probes.
            times: of the person.
        """
        self.design, self.probes = design, probes
        self._times = times
        self._points: dict[Point, int] = {}
        self._boards: dict[str, int] = {}
        ends = [(probe.red, probe.black) for probe in probes]
        board = {end: board_of(design, end.place) for pair in ends for end in pair}
        for name in dict.fromkeys(board.values()):
            self._boards[name] = len(self._boards)
        for point in board:
            self._points[point] = len(self._points)
        self._point = np.array([[self._points[end] for end in pair] for pair in ends], np.intp)
        on = [self._boards[board[point]] for point in self._points]
        self._board = np.array(on, np.intp)[self._point]
        self._is_volts = np.array([scale_of(probe) == "V" for probe in probes])

    def moves(self, leads: Leads, *, exchanged: bool = False) -> NDArray[np.bool_]:
        """Return True for a lead that has to move, red before black, shape (probes, 2).

        Args:
            leads: places of the leads before the reading.
            exchanged: True for exchanged leads at every probe.
        """
        now = [self._points.get(end, -1) if end else -2 for end in (leads.red, leads.black)]
        return np.asarray(self._point[:, [1, 0] if exchanged else [0, 1]] != np.array(now))

    def seconds(self, leads: Leads, *, exchanged: bool = False) -> FloatArray:
        """Return the time of every probe without a change of light, shape (probes,). [s]

        Args:
            leads: places of the leads before the reading.
            exchanged: True for exchanged leads at every probe.
        """
        times, board = self._times, self._board[:, [1, 0] if exchanged else [0, 1]]
        moves = self.moves(leads, exchanged=exchanged)
        other = moves & (board != self._boards.get(leads.board or "", -1))
        changes = other.sum(axis=1) - (other.all(axis=1) & (board[:, 0] == board[:, 1]))
        if leads.board is None:
            changes = np.maximum(0, changes - 1)
        found = times.lead_move_s * moves.sum(axis=1) + times.other_board_s * changes
        known = np.array([lead in leads.clipped for lead in LEADS])
        is_new_clip = (moves.sum(axis=1) == 1) & (~moves & ~known).any(axis=1)
        found += (times.clip_s - times.lead_move_s) * is_new_clip
        if leads.scale is not None:
            found = found + times.range_change_s * (self._is_volts != (leads.scale == "V"))
        if leads.lit is None:
            found = found + times.light_change_s
        return np.asarray(found + times.settling_s + times.typed_reading_s, dtype=np.float64)


def leads_after(design: Design, taken: Iterable[tuple[LitSet, Probe]]) -> Leads:
    """Return the places of the leads after readings in this order.

    Args:
        design: the prop.
        taken: lit set and probe of each reading.
    """
    leads = Leads()
    for lit, probe in taken:
        leads = reading_cost(design, leads, lit, probe).leads
    return leads


def look_s(lit: LitSet, times: PersonTimes = USUAL_TIMES) -> float:
    """Return the time of one look and the key that records it. [s]"""
    look = times.look_strand_s if len(lit.strands) == 1 else times.look_prop_s
    return times.light_change_s + look + times.key_s


def repair_s(times: PersonTimes = USUAL_TIMES) -> float:
    """Return the time of one repair and the key that records it. [s]"""
    return times.repair_s + times.key_s
