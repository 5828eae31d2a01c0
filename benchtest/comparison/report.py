"""Results of a comparison, joint by joint, as values, sentences and JSON."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any, Literal

from benchtest.formatting import format_ohms

_MIN_CERTAIN_PROBABILITY, _MAX_CLEARED_PROBABILITY = 0.95, 0.05
"""Probability of being at fault from which a joint's range is shown, and up to which only its upper
end is."""
MIN_OPEN_OHM = 30.0
"""Resistance that cannot be distinguished from an open joint. [Ω]"""
_NOT_SHOWN = "not shown"

_Direction = Literal["grew", "fell"]


@dataclass(frozen=True, slots=True)
class JointResistance:
    """Resistance of one joint, estimated from one test."""

    low_ohm: float
    """5 % quantile. [Ω]"""
    best_ohm: float
    """Most probable. [Ω]"""
    high_ohm: float
    """95 % quantile. [Ω]"""
    shown_ohm: float | None
    """Upper bound from the readings; None if even an open joint would not have shown. [Ω]"""
    raised: float
    """Probability that it is several times that of a good joint, or more."""
    at_fault: float
    """Probability that it is so high that the joint needs a repair."""

    @property
    def is_raised(self) -> bool:
        """True if the joint is almost certainly above good joints."""
        return self.raised >= _MIN_CERTAIN_PROBABILITY

    @property
    def is_bad(self) -> bool:
        """True if the joint is almost certainly at fault."""
        return self.at_fault >= _MIN_CERTAIN_PROBABILITY

    @property
    def at_most_ohm(self) -> float | None:
        """Upper bound from readings and prior; None without one. [Ω]"""
        if self.shown_ohm is None or max(self.high_ohm, self.shown_ohm) >= MIN_OPEN_OHM:
            return None
        return max(self.high_ohm, self.shown_ohm)

    @property
    def words(self) -> str:
        """The resistance in a few words.

        >>> JointResistance(0.085, 0.11, 0.14, 0.15, 1.0, 0.99).words
        '85–140 mΩ'
        >>> JointResistance(0.1, 31.5, 31.5, None, 1, 1).words
        'over 100 mΩ or open'
        >>> JointResistance(0.001, 0.002, 0.005, 0.012, 0.01, 0.0).words
        'at most 12 mΩ'
        >>> JointResistance(0.001, 0.002, 0.005, None, 0.01, 0.01).words
        'not shown'
        >>> JointResistance(0.001, 0.002, 0.3, 0.4, 0.5, 0.4).words
        'up to 400 mΩ, in doubt'
        """
        if self.is_raised:
            return self.range_words
        if self.at_fault > _MAX_CLEARED_PROBABILITY:
            most = self.at_most_ohm
            return (
                "open or not, in doubt" if most is None else f"up to {format_ohms(most)}, in doubt"
            )
        return (
            _NOT_SHOWN if self.at_most_ohm is None else f"at most {format_ohms(self.at_most_ohm)}"
        )

    @property
    def short(self) -> str:
        """`words` for a cell of a table.

        >>> JointResistance(0.001, 0.002, 0.005, 0.012, 0.01, 0.0).short
        '≤ 12 mΩ'
        """
        return self.words.replace("at most", "≤").replace("up to", "≤")

    @property
    def range_words(self) -> str:
        """The range in words.

        >>> JointResistance(0.085, 0.11, 0.14, 0.15, 1, 1).range_words
        '85–140 mΩ'
        >>> JointResistance(0.097, 0.13, 2.3, 2.4, 1, 1).range_words
        '97 mΩ–2.3 Ω'
        """
        if self.high_ohm >= MIN_OPEN_OHM:
            return f"over {format_ohms(self.low_ohm)} or open"
        low, high = format_ohms(self.low_ohm), format_ohms(self.high_ohm)
        if low == high:
            return low
        if low.split()[1] == high.split()[1]:
            low = low.split()[0]
        return f"{low}–{high}"

    def as_json(self) -> dict[str, Any]:
        """Return the JSON form; null for a bound that may be open or is not known. [Ω]"""
        return {
            "low": _four_digits(self.low_ohm),
            "best": None if self.best_ohm >= MIN_OPEN_OHM else _four_digits(self.best_ohm),
            "high": None if self.high_ohm >= MIN_OPEN_OHM else _four_digits(self.high_ohm),
            "at_most": None if self.at_most_ohm is None else _four_digits(self.at_most_ohm),
            "raised": _four_digits(self.raised),
            "at_fault": _four_digits(self.at_fault),
            "says": self.words,
        }


@dataclass(frozen=True, slots=True)
class ComparedTest:
    """One test in a comparison."""

    record: str
    """Id of the session."""
    when: str
    """Local time for display."""
    at: str
    """Time on record, ISO 8601."""
    readings: int
    tag: str
    repaired: Sequence[str] = ()
    """Joints and nodes repaired since the test before."""

    @property
    def date(self) -> str:
        return self.when[:10]

    def as_json(self) -> dict[str, Any]:
        """Return the JSON form."""
        return {
            "session": self.record, "unit": self.tag, "at": self.at, "readings": self.readings,
            "repaired": list(self.repaired),
        }  # fmt: skip


@dataclass(frozen=True, slots=True)
class ComparedChange:
    """A change of a joint between two tests, larger than noise."""

    where: str
    earlier: int
    """Index of the earlier test."""
    later: int
    """Index of the later test."""
    before: JointResistance
    after: JointResistance
    factor: tuple[float, float, float]
    """Quotient of the resistances, after over before: 5 %, most probable and 95 %."""
    grown: float
    """Probability that it has grown."""
    running: int = 1
    """Number of consecutive tests with growth, up to the last."""
    remade: bool = False
    """True if the joint was repaired between the two tests."""

    @property
    def direction(self) -> _Direction:
        """The direction of the change."""
        return "grew" if self.grown > 0.5 else "fell"

    @property
    def before_words(self) -> str:
        """The resistance before, in words."""
        return _describe_end(self.before)

    @property
    def after_words(self) -> str:
        """The resistance after, in words."""
        return _describe_end(self.after)

    @property
    def advice(self) -> str:
        """Advice on the joint."""
        if self.direction == "fell":
            return "remade in between" if self.remade else "no repair is on record: read it again"
        more = f" It has grown at {self.running} tests running." if self.running > 1 else ""
        if self.after.is_bad:
            return f"repair it before it fails.{more}"
        if self.after.is_raised or self.after.at_fault > _MAX_CLEARED_PROBABILITY:
            return f"above good joints, if not at fault: look at it, and read it again.{more}"
        return f"still as low as good joints are: look again next time.{more}"

    @property
    def sentence(self) -> str:
        """The change and the advice in a sentence.

        >>> good = JointResistance(0.001, 0.002, 0.005, 0.012, 0.01, 0.0)
        >>> bad = JointResistance(0.085, 0.11, 0.14, 0.15, 1.0, 0.999)
        >>> ComparedChange("4A+", 0, 1, good, bad, (17.0, 55.0, 140.0), 0.9999).sentence
        '4A+ grew from at most 12 mΩ to 85–140 mΩ: repair it before it fails.'
        """
        words = f"{self.where} {self.direction} from {self.before_words} to {self.after_words}"
        if not (self.before.is_raised or self.after.is_raised):
            low, _, high = self.factor
            words += f", {low:.2g} to {high:.2g} times"
        return f"{words}: {self.advice.rstrip('.')}."

    def as_json(self, tests: Sequence[ComparedTest]) -> dict[str, Any]:
        """Return the JSON form."""
        low, best, high = (_four_digits(factor) for factor in self.factor)
        return {
            "where": self.where,
            "from": tests[self.earlier].record,
            "to": tests[self.later].record,
            "before": self.before.as_json(),
            "after": self.after.as_json(),
            "factor": {"low": low, "best": best, "high": high},
            "grown": _four_digits(self.grown),
            "running": self.running,
            "remade": self.remade,
            "says": self.sentence,
        }


@dataclass(frozen=True, slots=True)
class JointRow:
    """One joint in every test of a comparison."""

    where: str
    bands: Sequence[JointResistance]


@dataclass(frozen=True)
class UnitComparison:
    """Tests of one unit, earliest first."""

    tag: str
    design_name: str
    tests: Sequence[ComparedTest]
    joints: Sequence[JointRow]
    """Every power joint, in the order of the prop file."""
    changes: Sequence[ComparedChange]
    """Changes beyond noise: growth first, the worst first."""
    left_out: Sequence[str] = ()
    """Tests that could not be compared, and why."""

    @property
    def heads(self) -> list[str]:
        """Dates of the tests, with the time for tests of one day."""
        days = [test.date for test in self.tests]
        return [test.when if days.count(test.date) > 1 else test.date for test in self.tests]

    @property
    def bad(self) -> list[JointRow]:
        """Joints at fault in the last test without a change beyond noise."""
        changed = {change.where for change in self.changes}
        return [row for row in self.joints if row.bands[-1].is_bad and row.where not in changed]

    @property
    def worth_showing(self) -> list[JointRow]:
        """Joints that changed, then those above good joints in any test."""
        order = [change.where for change in self.changes]
        order += [row.where for row in self.bad]
        order += [row.where for row in self.joints if any(band.is_raised for band in row.bands)]
        by_name = {row.where: row for row in self.joints}
        return [by_name[name] for name in dict.fromkeys(order)]

    @property
    def sentences(self) -> list[str]:
        """The result in sentences."""
        lines = [change.sentence for change in self.changes]
        lines += [f"{row.where} is at fault, {row.bands[-1].words}, without a change beyond noise: "
                  "repair it." for row in self.bad]  # fmt: skip
        if not self.changes:
            lines.append("No joint has changed beyond noise.")
        if unseen := sum(not _is_known(row) for row in self.joints):
            was, they = ("was", "it") if unseen == 1 else ("were", "they")
            lines.append(
                f"{unseen} of {len(self.joints)} joints {was} not shown in one test or more: "
                f"{they} may have changed."
            )
        return lines

    def as_json(self) -> dict[str, Any]:
        """Return the JSON form."""
        return {
            "unit": self.tag,
            "design": self.design_name,
            "tests": [test.as_json() for test in self.tests],
            "changes": [change.as_json(self.tests) for change in self.changes],
            "joints": [
                {"where": row.where, "ohms": [band.as_json() for band in row.bands]}
                for row in self.joints
            ],
            "says": self.sentences,
            "left_out": list(self.left_out),
        }


@dataclass(frozen=True, slots=True)
class OutlierLine:
    """A joint of one unit that is far above the same joint of the others."""

    tag: str
    where: str
    band: JointResistance
    usual_ohm: float
    probability: float

    @property
    def sentence(self) -> str:
        """The outlier and the advice in a sentence.

        >>> joint = JointResistance(0.04, 0.05, 0.07, 0.08, 1.0, 1.0)
        >>> OutlierLine("WF-07", "3A+", joint, 0.002, 0.99).sentence
        'WF-07: 3A+ has 40–70 mΩ, the same joint of the others about 2 mΩ: repair it.'
        """
        advice = "repair it" if self.band.is_bad else "look at it"
        return (
            f"{self.tag}: {self.where} has {self.band.range_words}, the same joint of the others "
            f"about {format_ohms(self.usual_ohm)}: {advice}."
        )

    def as_json(self) -> dict[str, Any]:
        """Return the JSON form."""
        return {
            "unit": self.tag, "where": self.where, "ohms": self.band.as_json(),
            "usual": _four_digits(self.usual_ohm), "probability": _four_digits(self.probability),
            "says": self.sentence,
        }  # fmt: skip


@dataclass(frozen=True)
class BatchComparison:
    """The last tests of all units of a design."""

    design_name: str
    tests: Sequence[ComparedTest]
    """One test of each unit."""
    joints: Sequence[JointRow]
    """Every power joint, with a resistance for each of `tests`."""
    unlike: Sequence[OutlierLine]
    fewest: int
    """Number of units needed to name an outlier."""
    left_out: Sequence[str] = ()

    @property
    def heads(self) -> list[str]:
        """Tags of the units."""
        return [test.tag for test in self.tests]

    @property
    def worth_showing(self) -> list[JointRow]:
        """Joints above good ones, or outliers, in any unit."""
        named = {line.where for line in self.unlike}
        return [
            row for row in self.joints
            if row.where in named or any(band.is_raised for band in row.bands)
        ]  # fmt: skip

    @property
    def sentences(self) -> list[str]:
        """The result in sentences."""
        if len(self.tests) < self.fewest:
            there = "there is 1" if len(self.tests) == 1 else f"there are {len(self.tests)}"
            return [
                f"Naming a unit that differs from the others takes {self.fewest} units with "
                f"readings; {there}."
            ]
        if not self.unlike:
            return ["No joint of any unit stands out from the same joint of the others."]
        return [line.sentence for line in self.unlike]

    def as_json(self) -> dict[str, Any]:
        """Return the JSON form."""
        tags = [test.tag for test in self.tests]
        return {
            "design": self.design_name,
            "tests": [test.as_json() for test in self.tests],
            "unlike": [line.as_json() for line in self.unlike],
            "joints": [
                {
                    "where": row.where,
                    "ohms": {
                        tag: band.as_json() for tag, band in zip(tags, row.bands, strict=True)
                    },
                }
                for row in self.joints
            ],
            "says": self.sentences,
            "left_out": list(self.left_out),
        }


def _is_known(row: JointRow) -> bool:
    return all(band.is_raised or band.at_most_ohm is not None for band in row.bands)


def _describe_end(band: JointResistance) -> str:
    """Return one end of a change in words, also for a resistance that is not known."""
    return "an unmeasured value" if band.words == _NOT_SHOWN else band.words


def _four_digits(number: float) -> float:
    """Return a number with four significant digits; more would only look exact."""
    return float(f"{number:.4g}")
