"""What the evidence says, as values; and the contract's JSON of it."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

from benchtest.diagnosis.cost import leads_after, reading_effort
from benchtest.diagnosis.faults import FaultKind
from benchtest.evidence.reading import Reading
from benchtest.prop.design import Design, Probe
from benchtest.prop.lit import Lit


@dataclass(frozen=True, slots=True)
class Ohms:
    """What the evidence says of a joint's resistance: 5 %, most probable and 95 %. [Ω]"""

    low: float
    best: float
    high: float


@dataclass(frozen=True, slots=True)
class AfterRepair:
    """A reading to take again once a suspect is mended."""

    lit: Lit
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

    lit: Lit | None
    probe: Probe | None
    expect_bits: float
    settled: bool
    """True when no further reading is worth taking; `probe` is then None."""
    runners_up: tuple[tuple[Lit, Probe], ...] = ()
    """Readings that were nearly as good, the best first; see `Engine.quick_next`."""


@dataclass(frozen=True, slots=True)
class NextLook:
    """A look at the lit prop that would tell more than the best reading."""

    lit: Lit
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
    drop: tuple[Lit, Probe] | None = None
    """The drop across the likeliest suspect, under the lit set that shows it best; None where it
    is no power joint. Found by a session, which asks for it before a repair."""
    joints: tuple[JointBand, ...] = ()
    """Every power joint, in the order of `power_joints`."""
    look: NextLook | None = None
    """What to look at before the next reading; None where a reading tells more."""

    @property
    def looks_healthy(self) -> bool:
        """More likely than not nothing is wrong."""
        return self.healthy > 0.5

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
        return round(reading_effort(design, leads, ask.lit, ask.probe).seconds, 2)


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
    }


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
