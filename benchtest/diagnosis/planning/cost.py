"""The person's seconds: of a reading from where the leads are now, of a look, of a repair.

Keystroke-level model: Card, Moran, Newell, "The keystroke-level model for user performance time
with interactive systems", Communications of the ACM 23(7), 1980; below, "Card 1980". It gives the
times of keys, hands and decisions; the times of meter leads and of an iron are common practice.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from typing import Literal

import numpy as np

from benchtest.circuit.netlist import FloatArray
from benchtest.prop.design import BusPad, Design, FeedName, NodeName, Place, Point, Probe
from benchtest.prop.lit_set import LitSet

Scale = Literal["V", "mV"]
"""Range group that a meter is set to: rail voltages, or drops across joints and along copper."""


@dataclass(frozen=True, slots=True)
class PersonTimes:
    """Times of one person at the bench; a person may set their own. [s]"""

    key_s: float = 0.28
    """One key. [s] Card 1980: average skilled typist, 40 words a minute."""
    homing_s: float = 0.4
    """A hand from the leads to the keyboard. [s] Card 1980."""
    decision_s: float = 1.35
    """Mental preparation before an action. [s] Card 1980."""
    typed_reading_s: float = 3.5
    """A reading of four or five figures, typed and entered, with its decision. [s] Computed from
    Card 1980: one decision, one homing, six keys; rounded up."""
    lead_move_s: float = 2.5
    """One lead to a named place. [s] Common practice, no source."""
    other_board_s: float = 2.0
    """A lead that goes to another board than the last, in addition. [s] Common practice, no
    source."""
    range_change_s: float = 2.0
    """The meter from volts to millivolts or back; 0 for a meter that ranges by itself. [s] Common
    practice, no source."""
    settling_s: float = 1.5
    """A meter's display after the leads touch. [s] Common practice, no source."""
    clip_s: float = 4.0
    """A lead clipped to a place where it then stays, in place of a move. [s] Common practice, no
    source."""
    look_strand_s: float = 1.5
    """One look at a strand. [s] Common practice, no source."""
    look_prop_s: float = 3.0
    """One look at several strands or all of them. [s] Common practice, no source."""
    repair_s: float = 60.0
    """One repair with the iron. [s] Common practice, no source."""
    light_change_s: float = 0.2
    """Another lit set, which the tool changes by itself. [s] Common practice, no source."""


USUAL_TIMES = PersonTimes()


@dataclass(frozen=True, slots=True)
class Leads:
    """Places of the leads, range of the meter and lit set; None before the first use."""

    red: Point | None = None
    black: Point | None = None
    board: str | None = None
    """Board that the hands were at last; see `board_of`."""
    scale: Scale | None = None
    lit: LitSet | None = None


@dataclass(frozen=True, slots=True)
class ReadingCost:
    """The cost of one reading to the person."""

    seconds: float
    lead_moves: int
    """Leads that had to move: 0, 1 or 2."""
    leads: Leads
    """Places of the leads afterwards."""


def board_of(design: Design, place: Place) -> str:
    """Return the board that a place is on: its bus, else the side of the prop where it is.

    A strand end that no bus joins is at the side of its end letter, `A` or `B`; a node is on its
    own strand.
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
    """Return the range group that a probe is expected to need."""
    return "V" if probe.is_rail or probe.reversed.is_rail else "mV"


def reading_cost(
    design: Design,
    leads: Leads,
    lit: LitSet,
    probe: Probe,
    *,
    times: PersonTimes = USUAL_TIMES,
    clipped: Literal["red", "black"] | None = None,
) -> ReadingCost:
    """Return the cost of one reading from where the leads are now.

    A lead that is already at its point stays there and costs nothing.

    Args:
        design: the prop.
        leads: where the leads are before the reading.
        lit: what is lit for the reading.
        probe: where the leads must be.
        times: of the person.
        clipped: a lead that is clipped on in this reading because it stays for the next ones.
    """
    wanted = {"red": probe.red, "black": probe.black}
    moves = [lead for lead, point in wanted.items() if getattr(leads, lead) != point]
    seconds = sum(times.clip_s if lead == clipped else times.lead_move_s for lead in moves)

    boards = {lead: board_of(design, wanted[lead].place) for lead in moves}
    others = set(boards.values()) - {leads.board}
    # the walk to the first board of an evening is part of no reading
    changes = len(others) if leads.board is not None else max(0, len(others) - 1)
    seconds += changes * times.other_board_s

    scale = scale_of(probe)
    if leads.scale not in (None, scale):
        seconds += times.range_change_s
    if lit != leads.lit:
        seconds += times.light_change_s
    seconds += times.settling_s + times.typed_reading_s
    board = boards[moves[-1]] if moves else leads.board
    return ReadingCost(seconds, len(moves), Leads(probe.red, probe.black, board, scale, lit))


class ProbeTimes:
    """Seconds of a reading at every probe of a list; `reading_cost` of all of them at once."""

    def __init__(
        self, design: Design, probes: Sequence[Probe], times: PersonTimes = USUAL_TIMES
    ) -> None:
        """Number the points and boards of the probes.

        Args:
            design: the prop.
            probes: where the leads may go.
            times: of the person.
        """
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

    def seconds(self, leads: Leads, *, exchanged: bool = False) -> FloatArray:
        """Return the seconds of a reading under the lit set that is lit, shape (probes,). [s]

        Args:
            leads: where the leads are before the reading.
            exchanged: with the leads of every probe exchanged.
        """
        times, order = self._times, [1, 0] if exchanged else [0, 1]
        point, board = self._point[:, order], self._board[:, order]
        now = [self._points.get(end, -1) if end else -2 for end in (leads.red, leads.black)]
        moves = point != np.array(now)
        other = moves & (board != self._boards.get(leads.board or "", -1))
        changes = other.sum(axis=1) - (other.all(axis=1) & (board[:, 0] == board[:, 1]))
        if leads.board is None:
            changes = np.maximum(0, changes - 1)
        found = times.lead_move_s * moves.sum(axis=1) + times.other_board_s * changes
        if leads.scale is not None:
            found = found + times.range_change_s * (self._is_volts != (leads.scale == "V"))
        if leads.lit is None:
            found = found + times.light_change_s
        return np.asarray(found + times.settling_s + times.typed_reading_s, dtype=np.float64)


def leads_after(design: Design, taken: Iterable[tuple[LitSet, Probe]]) -> Leads:
    """Return where the leads are after readings in this order.

    Args:
        design: the prop.
        taken: what was lit and where the leads were, for each reading.
    """
    leads = Leads()
    for lit, probe in taken:
        leads = reading_cost(design, leads, lit, probe).leads
    return leads


def look_s(lit: LitSet, times: PersonTimes = USUAL_TIMES) -> float:
    """Return the time of one look and the key that answers it. [s]"""
    look = times.look_strand_s if len(lit.strands) == 1 else times.look_prop_s
    return times.light_change_s + look + times.key_s


def repair_s(times: PersonTimes = USUAL_TIMES) -> float:
    """Return the time of one repair with the iron and the key that records it. [s]"""
    return times.repair_s + times.key_s
