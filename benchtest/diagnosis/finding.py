"""Result of a diagnosis as values: suspects, joint resistances and the next reading."""

from __future__ import annotations

from collections.abc import Collection
from dataclasses import dataclass

from benchtest.diagnosis.inference.posterior import Ohms
from benchtest.diagnosis.model.faults import FaultKind
from benchtest.evidence.marks import Mark
from benchtest.evidence.readings import Reading
from benchtest.prop.design import Lead, Point, Probe
from benchtest.prop.lit_set import LitSet

MIN_NAMED_PROBABILITY = 0.05
"""Probability below which a suspect does not count as an explanation."""
MAX_MARKS_SHOWN = 4
"""Unexplained marks in one sentence."""


@dataclass(frozen=True, slots=True)
class AfterRepair:
    """A reading to repeat once a suspect is repaired."""

    lit: LitSet
    probe: Probe
    volts: float
    """Reading of a healthy unit. [V]"""
    sd: float
    """Its standard deviation. [V]"""


@dataclass(frozen=True, slots=True)
class ReadingEvidence:
    """A reading with what it would be in a healthy unit and under one fault.

    In volts, or in amperes for a clamp reading.
    """

    reading: Reading
    healthy: float
    healthy_sd: float
    faulty: float


@dataclass(frozen=True, slots=True)
class SuspectEvidence:
    """Evidence for and against one suspect, the strongest first.

    Attributes:
        readings_for: readings that are likelier under the fault.
        readings_against: readings that are less likely under it.
        marks: marks that it explains.
        before_repair_of: place whose repair came after this evidence; empty for present evidence.
        disagreeing: pairs of repeated readings that disagree, of an unsteady joint.
    """

    readings_for: tuple[ReadingEvidence, ...] = ()
    readings_against: tuple[ReadingEvidence, ...] = ()
    marks: tuple[Mark, ...] = ()
    before_repair_of: str = ""
    disagreeing: tuple[tuple[Reading, Reading], ...] = ()


@dataclass(frozen=True, slots=True)
class Suspect:
    """A joint, node, strand, feed or setting that may be at fault.

    Attributes:
        where: the place.
        fault: kind of fault.
        probability: of this fault, alone or with others.
        ohms: resistance of a resistive joint; None of other faults.
        evidence: evidence for and against; empty below a probability of 5 %.
        after: the reading that shows a good repair.
        intermittent: True where the joint was bad for some readings and good for others.
        growing: True where its resistance grew while readings were taken, as when it warms.
        near: places nearest a short of some resistance, likeliest first.
    """

    where: str
    fault: FaultKind
    probability: float
    ohms: Ohms | None = None
    evidence: SuspectEvidence = SuspectEvidence()
    after: AfterRepair | None = None
    intermittent: bool = False
    growing: bool = False
    near: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class JointBand:
    """Probability and resistance of one power joint."""

    name: str
    probability: float
    """Probability that it is at fault, resistive or open."""
    open: float
    """Probability that it is open."""
    ohms: Ohms | None
    """Its resistance if it is at fault and not open."""
    cleared_ohm: float | None
    """Resistance that the evidence excludes above; None where even an open would not show. [Ω]"""


@dataclass(frozen=True, slots=True)
class NextReading:
    """The reading with the most expected information about the fault per second."""

    lit: LitSet | None
    probe: Probe | None
    expect_bits: float
    settled: bool
    """True when the finding is decided and no further reading is worth taking; `probe` is then
    None. Without a probe and unsettled, only a look or a repair can decide."""
    runners_up: tuple[tuple[LitSet, Probe], ...] = ()
    """Readings with nearly as much expected information, the best first."""
    meanwhile: tuple[tuple[LitSet, Probe], ...] = ()
    """Readings that are useful after this one with any value, the best first: to be asked for
    only while its finding is worked out. They may have little information."""
    left: frozenset[Lead] = frozenset()
    """Leads that the next readings leave where this one puts them: worth clipping on."""
    before_repair: bool = False
    """True for the drop across the likeliest suspect, which is read before its repair."""

    @property
    def planned(self) -> tuple[tuple[LitSet, Probe], ...]:
        """This reading and its runners-up."""
        own = () if self.lit is None or self.probe is None else ((self.lit, self.probe),)
        return (*own, *self.runners_up)

    def after(
        self, taken: Collection[tuple[LitSet, frozenset[Point]]]
    ) -> tuple[LitSet, Probe] | None:
        """Return a reading to take while the finding with the last reading is worked out.

        Args:
            taken: lit set and points of each reading to leave out.

        Returns:
            The best reading of this plan that is not left out; None without one.
        """
        asks = (*self.planned, *self.meanwhile)
        rest = (ask for ask in asks if (ask[0], ask[1].points) not in taken)
        return next(rest, None)


@dataclass(frozen=True, slots=True)
class NextLook:
    """A look at the lit prop that is worth more than the best reading."""

    lit: LitSet
    expect_bits: float


@dataclass(frozen=True, slots=True)
class JudgedReading:
    """A reading, and what a healthy unit would show."""

    reading: Reading
    expected: float
    """Volts, or amperes for a clamp reading."""
    sd: float
    z: float
    """Deviation from `expected` in standard deviations."""


@dataclass(frozen=True, slots=True)
class NearFault:
    """One fault of the combination nearest to unexplained readings."""

    where: str
    fault: FaultKind
    ohm: float | None
    """Resistance of a resistive joint; None of other faults. [Ω]"""


@dataclass(frozen=True, slots=True)
class Finding:
    """Probable faults by all evidence, and the next reading or look to take."""

    healthy: float
    """Probability that nothing is wrong."""
    suspects: tuple[Suspect, ...]
    alike: tuple[tuple[str, ...], ...]
    next: NextReading
    readings: tuple[JudgedReading, ...]
    cleared_ohm: float | None
    """Resistance that no joint exceeds by the evidence; None if not known yet. [Ω]"""
    strange: int | None = None
    """Number of a reading that disagrees with all others, from 1; take it again."""
    set_aside: tuple[int, ...] = ()
    """Numbers of readings that a session left out, from 1. The engine leaves none out."""
    joints: tuple[JointBand, ...] = ()
    """Every power joint, in the order of `power_joints`."""
    look: NextLook | None = None
    """The look to take before the next reading; None if a reading is worth more."""
    rounded_v: float | None = None
    """Step that readings look rounded to; None if it is the meter's own. [V]"""
    unexplained: tuple[Mark, ...] = ()
    """Marks that the best explanation does not account for."""
    explained: bool = True
    """False if no explanation accounts for all readings and marks."""
    nearest: tuple[NearFault, ...] = ()
    """The nearest combination of faults if none explains the readings."""

    @property
    def fits_nothing(self) -> bool:
        """True if something is wrong that no suspect explains."""
        most = max((suspect.probability for suspect in self.suspects), default=0.0)
        return not self.explained and not self.looks_healthy and most < MIN_NAMED_PROBABILITY

    @property
    def looks_healthy(self) -> bool:
        """True if a sound unit is more likely than not."""
        return self.healthy > 0.5
