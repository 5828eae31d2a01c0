"""What the evidence says, as values; and the contract's JSON of it."""

from __future__ import annotations

from collections.abc import Collection
from dataclasses import dataclass
from typing import Any

from benchtest.diagnosis.model.faults import FaultKind
from benchtest.diagnosis.planning.cost import leads_after, reading_cost
from benchtest.evidence.marks import Mark
from benchtest.evidence.readings import Reading
from benchtest.prop.design import Design, Point, Probe
from benchtest.prop.lit_set import LitSet

LEAST_NAMED = 0.05
"""Probability below which a suspect names nothing."""
MOST_MARKS = 4
"""Marks that are named in one sentence, at most."""


@dataclass(frozen=True, slots=True)
class Ohms:
    """What the evidence says of a joint's resistance: 5 %, most probable and 95 %. [Ω]"""

    low: float
    best: float
    high: float


@dataclass(frozen=True, slots=True)
class AfterRepair:
    """A reading to take again once a suspect is mended."""

    lit: LitSet
    probe: Probe
    volts: float
    """What a healthy unit shows. [V]"""
    sd: float
    """Its standard deviation. [V]"""


@dataclass(frozen=True, slots=True)
class Suspect:
    """A joint or node that the evidence speaks against."""

    where: str
    fault: FaultKind
    probability: float
    """That this one is faulty, whatever else is."""
    ohms: Ohms | None
    repair: str
    reason: str = ""
    """Which evidence speaks for it, and which against; of suspects worth the words."""
    after: AfterRepair | None = None
    """What shows that the repair was good."""
    intermittent: bool = False
    """True where the joint was bad for some readings and good for others."""
    growing: bool = False
    """True where its resistance grew while readings were taken, as a joint that warms does."""


@dataclass(frozen=True, slots=True)
class JointBand:
    """What the evidence says of one power joint."""

    name: str
    probability: float
    """That it is at fault, resistive or open."""
    open: float
    """That it is open."""
    ohms: Ohms | None
    """Its resistance if it is at fault and not open."""
    cleared_ohm: float | None
    """The evidence speaks against more than this; None where even open would not show. [Ω]"""


@dataclass(frozen=True, slots=True)
class NextReading:
    """The reading expected to tell most about which fault it is."""

    lit: LitSet | None
    probe: Probe | None
    expect_bits: float
    settled: bool
    """True when the finding is decided and no further reading is worth taking; `probe` is then
    None. Where it is None and nothing is settled, no reading would decide: a look or a repair
    would."""
    runners_up: tuple[tuple[LitSet, Probe], ...] = ()
    """Readings that would tell nearly as much, the best first."""
    before_repair: bool = False
    """True for the drop across the likeliest suspect, which is read before a repair."""

    @property
    def planned(self) -> tuple[tuple[LitSet, Probe], ...]:
        """This reading and its runners-up."""
        own = () if self.lit is None or self.probe is None else ((self.lit, self.probe),)
        return (*own, *self.runners_up)

    def after(
        self, taken: Collection[tuple[LitSet, frozenset[Point]]]
    ) -> tuple[LitSet, Probe] | None:
        """Return a sensible reading at once, while the finding with the last one is worked out.

        Args:
            taken: lit set and points of each reading that is not to be asked for.

        Returns:
            The best of this plan that is not among them; None without one.
        """
        rest = (ask for ask in self.planned if (ask[0], ask[1].points) not in taken)
        return next(rest, None)


@dataclass(frozen=True, slots=True)
class NextLook:
    """A look at the lit prop that would tell more than the best reading."""

    lit: LitSet
    expect_bits: float


@dataclass(frozen=True, slots=True)
class JudgedReading:
    """A reading beside what a healthy unit would show."""

    reading: Reading
    expected: float
    """Volts, or amperes for a clamp reading."""
    sd: float
    z: float
    """How many standard deviations it is off."""


@dataclass(frozen=True, slots=True)
class NearFault:
    """One fault of the combination that comes nearest to readings that nothing explains."""

    where: str
    fault: FaultKind
    ohm: float | None
    """Resistance of a resistive joint; None of other faults. [Ω]"""

    def __str__(self) -> str:
        """Return the fault in words.

        >>> str(NearFault("3A-", "resistive", 2.52)), str(NearFault("2A-", "open", None))
        ('3A- at 2.5 Ω', '2A- open')
        """
        return (
            f"{self.where} {self.fault}"
            if self.ohm is None
            else f"{self.where} at {self.ohm:.2g} Ω"
        )


@dataclass(frozen=True, slots=True)
class Finding:
    """The answer to: given everything seen and measured, which faults, and what would tell more?"""

    healthy: float
    """Probability that nothing is wrong."""
    suspects: tuple[Suspect, ...]
    alike: tuple[tuple[str, ...], ...]
    next: NextReading
    readings: tuple[JudgedReading, ...]
    cleared_ohm: float | None
    """No joint is above this, as far as the evidence can tell; None while it cannot. [Ω]"""
    strange: int | None = None
    """Place of a reading that nothing explains, counted from 1: to be taken again."""
    set_aside: tuple[int, ...] = ()
    """Places of readings that a session weighed its evidence without, counted from 1; see
    `session.weighing`. The engine itself sets none aside."""
    joints: tuple[JointBand, ...] = ()
    """Every power joint, in the order of `power_joints`."""
    look: NextLook | None = None
    """What to look at before the next reading; None where a reading tells more."""
    rounded_v: float | None = None
    """Coarsest step that readings were written down in; None where it is their meter's. [V]"""
    unexplained: tuple[Mark, ...] = ()
    """Marks that even the best explanation does not account for."""
    explained: bool = True
    """False where some reading or mark is left that no explanation here accounts for."""

    nearest: tuple[NearFault, ...] = ()
    """Where neither one fault nor several explain the readings: those that come nearest."""

    @property
    def fits_nothing(self) -> bool:
        """Whether something is wrong that no suspect explains."""
        most = max((suspect.probability for suspect in self.suspects), default=0.0)
        return not self.explained and not self.looks_healthy and most < LEAST_NAMED

    @property
    def looks_healthy(self) -> bool:
        """More likely than not nothing is wrong."""
        return self.healthy > 0.5

    def doubts(self, design: Design) -> list[str]:
        """Return a sentence for what keeps the evidence from being trusted as it stands.

        A reading that disagrees with all others is `strange`, and named where it was entered.
        """
        found = []
        if self.rounded_v is not None:
            found.append(
                f"Readings look rounded to {self.rounded_v * 1e3:g} mV and count for less. Type "
                "every digit of the display, and give the meter's counts."
            )
        if self.unexplained:
            shown = [
                f"{mark.strand}.{mark.nodes} {mark.seen} with {mark.lit.text(design)} lit"
                for mark in self.unexplained[:MOST_MARKS]
            ]
            more = len(self.unexplained) - len(shown)
            marks = ", ".join(shown) + (f" and {more} more" if more else "")
            found.append(f"No fault explains these marks: {marks}. Look again.")
        if self.nearest:
            near = " and ".join(str(one) for one in self.nearest)
            found.append(
                f"Neither one fault nor several explain the readings; nearest: {near}. Check the "
                "prop file, then take readings again."
            )
        elif not self.explained and not self.unexplained and self.strange is None:
            found.append(
                "Nothing explains all of the readings. Check the prop file, then take them again."
            )
        return found

    def as_json(self, design: Design) -> dict[str, Any]:
        """The contract's JSON object."""
        return {
            "healthy": _round(self.healthy),
            "suspects": [_suspect(suspect, design) for suspect in self.suspects],
            "alike": [list(names) for names in self.alike],
            "next": self._next(design),
            "look": self._look(design),
            "readings": [_reading(row, design) for row in self.readings],
            "cleared_ohm": None if self.cleared_ohm is None else _round(self.cleared_ohm),
            "fits_nothing": self.strange,
            "marks_fit_nothing": [_mark(mark, design) for mark in self.unexplained],
            "explained": self.explained,
            "nearest": [
                {
                    "where": one.where,
                    "fault": one.fault,
                    "ohm": None if one.ohm is None else _round(one.ohm),
                }
                for one in self.nearest
            ],
            "rounded_v": None if self.rounded_v is None else _round(self.rounded_v),
        }

    def _look(self, design: Design) -> dict[str, Any] | None:
        if (look := self.look) is None:
            return None
        shown = {
            "lit": look.lit.text(design),
            "colour": look.lit.colour,
            "level": look.lit.level,
        }
        return {**shown, "expect_bits": _round(look.expect_bits)}

    def _next(self, design: Design) -> dict[str, Any]:
        ask = self.next
        return {
            "lit": None if ask.lit is None else ask.lit.text(design),
            "probe": None if ask.probe is None else str(ask.probe),
            "expect_bits": _round(ask.expect_bits),
            "expect_s": self._expect_s(design),
            "settled": ask.settled,
        }

    def _expect_s(self, design: Design) -> float | None:
        """Return the person's seconds of the next reading, leads where the last reading left them.

        None where no reading is worth taking.
        """
        ask = self.next
        if ask.lit is None or ask.probe is None:
            return None
        read = (row.reading for row in self.readings if row.reading.volts is not None)
        leads = leads_after(design, ((reading.lit, reading.probe) for reading in read))
        return round(reading_cost(design, leads, ask.lit, ask.probe).seconds, 2)


def _suspect(suspect: Suspect, design: Design) -> dict[str, Any]:
    ohms, after = suspect.ohms, suspect.after
    return {
        "where": suspect.where,
        "fault": suspect.fault,
        "probability": _round(suspect.probability),
        "ohms": None
        if ohms is None
        else {"low": _round(ohms.low), "best": _round(ohms.best), "high": _round(ohms.high)},
        "repair": suspect.repair,
        "reason": suspect.reason,
        "after_repair": None
        if after is None
        else {
            "lit": after.lit.text(design),
            "probe": str(after.probe),
            "volts": round(after.volts, 6),
            "sd": round(after.sd, 6),
        },
        "intermittent": suspect.intermittent,
        "growing": suspect.growing,
    }


def _mark(mark: Mark, design: Design) -> dict[str, Any]:
    shown = {"lit": mark.lit.text(design), "colour": mark.lit.colour, "strand": mark.strand}
    return {**shown, "nodes": mark.nodes, "seen": mark.seen}


def _reading(row: JudgedReading, design: Design) -> dict[str, Any]:
    reading = row.reading
    found: dict[str, Any] = {"lit": reading.lit.text(design), "probe": str(reading.probe)}
    found["volts"] = reading.volts
    if reading.volts is None:
        found["amps"] = reading.amps
    found |= {"expected": round(row.expected, 6), "sd": round(row.sd, 6), "z": round(row.z, 2)}
    return found


def _round(number: float) -> float:
    """Four significant digits: more would only look exact."""
    return float(f"{number:.4g}")
