"""One question: given everything seen and measured, which faults, and what would tell more?"""

from __future__ import annotations

from collections.abc import Collection, Sequence
from functools import cached_property

import numpy as np

from benchtest.circuit.tolerance import Tolerances
from benchtest.diagnosis.explain import Reason, fits_nothing, reason
from benchtest.diagnosis.faults import Priors, fault_space
from benchtest.diagnosis.finding import Finding, JointBand, JudgedReading, Suspect
from benchtest.diagnosis.forecast import Forecaster
from benchtest.diagnosis.law import tolerances_of
from benchtest.diagnosis.look_next import look_next
from benchtest.diagnosis.part import Part
from benchtest.diagnosis.permitted import Permitted
from benchtest.diagnosis.plan import Evidence, plan_next
from benchtest.diagnosis.posterior import (
    Posterior,
    cleared_by_joint,
    cleared_ohm,
    likeliest_part,
    named_suspects,
)
from benchtest.diagnosis.repair import repair_words
from benchtest.diagnosis.response import Responses
from benchtest.diagnosis.together import Look, several_posterior, sure_parts, together
from benchtest.diagnosis.view import MOST_OCTETS, Case, View, Views
from benchtest.diagnosis.weigh import Weigher
from benchtest.evidence.marks import Mark
from benchtest.evidence.meter import DEFAULT_METER, Meter
from benchtest.evidence.reading import Reading
from benchtest.prop.design import Design

LEAST_SHOWN = 1e-3
"""Suspects with less probability are not listed."""
WORTH_SAYING = 0.05
"""Suspects with this much probability are explained."""
ALIKE_LOG = 0.7
"""Suspects whose likelihoods are within a factor of two have not been told apart."""
LEAST_ALIKE = 0.02
"""Only suspects with this much probability are worth telling apart."""


class Engine:
    """Diagnoses one design, and keeps its factored circuits between calls."""

    def __init__(
        self,
        design: Design,
        priors: Priors | None = None,
        tolerances: Tolerances | None = None,
    ) -> None:
        self.design = design
        self.tolerances = tolerances or tolerances_of(design)
        self.space = fault_space(design, priors)
        self._views = Views(design, self.space, self.tolerances)
        self._forecasters: dict[Meter, Forecaster] = {}

    @cached_property
    def responses(self) -> Responses:
        """The design's circuit under every single fault."""
        return self._views.responses()

    @cached_property
    def _permitted(self) -> Permitted:
        return Permitted(self.responses.circuit)

    def diagnose(
        self,
        readings: Sequence[Reading] = (),
        marks: Sequence[Mark] = (),
        meter: Meter = DEFAULT_METER,
        repaired: Collection[str] = (),
    ) -> Finding:
        """Weigh every fault against the evidence, and choose the next reading.

        Same input, same output: nothing here depends on chance or on the clock.

        Args:
            readings: volts at probes, or a feed's amperes, each with what was lit.
            marks: what the eye saw.
            meter: of readings that name none, and of the next one.
            repaired: joints and nodes that were worked on before this evidence was taken.

        Raises:
            CircuitFault: the design's circuit has no solution.
        """
        case = Case(readings, marks, meter, repaired)
        views: dict[tuple[Part, ...], View] = {}

        def look(parts: tuple[Part, ...]) -> View:
            view = views.pop(parts, None)
            if view is None:
                known = views[()].best_so_far if views else -np.inf
                view = self._views.of(case, parts, known)
            views[parts] = view
            while sum(one.responses.octets for one in views.values()) > MOST_OCTETS:
                oldest = next((kept for kept in views if kept not in ((), parts)), None)
                if oldest is None:
                    break
                views.pop(oldest)  # of a large prop, the footing not asked for longest goes
            return view

        plain = look(())
        several = together(look) if _is_unexplained(plain) else []
        found = several_posterior(plain.posterior, self.space, several)
        footing = look(sure_parts(several, found, self.space))
        evidence = Evidence(readings, footing.weigher, footing.weighed)
        ask = plan_next(self._forecaster(footing), footing.posterior, evidence, self._permitted)
        return Finding(
            healthy=found.healthy,
            suspects=self._suspects(found, footing.parts, look),
            alike=_alike(footing),
            next=ask,
            readings=_judge(readings, plain.weigher),
            cleared_ohm=cleared_ohm(footing.healthy, footing.joints),
            strange=_strange(footing),
            joints=self._bands(found, footing),
            look=look_next(footing.responses, footing.posterior.chain, marks, ask.expect_bits),
        )

    def _forecaster(self, footing: View) -> Forecaster:
        """The plain one of each meter is kept."""
        meter = footing.case.meter
        if footing.parts:
            return Forecaster(footing.responses, meter, self.tolerances)
        if meter not in self._forecasters:
            self._forecasters[meter] = Forecaster(footing.responses, meter, self.tolerances)
        return self._forecasters[meter]

    def _suspects(
        self, found: Posterior, sure: tuple[Part, ...], look: Look
    ) -> tuple[Suspect, ...]:
        rows = []
        for where, kind, probability, joint in named_suspects(self.space, found):
            if probability < LEAST_SHOWN:
                break
            ohms = found.ohms(joint) if joint is not None and kind == "resistive" else None
            repair = repair_words(self.design, where, kind)
            why = Reason("", None)
            if probability >= WORTH_SAYING:
                others = look(tuple(part for part in sure if part.where != where))
                why = reason(others, likeliest_part(self.space, found, where, kind, joint))
            rows.append(Suspect(where, kind, probability, ohms, repair, why.words, why.after))
        return tuple(rows)

    def _bands(self, found: Posterior, footing: View) -> tuple[JointBand, ...]:
        """What is known of each joint, faults that are sure taken for given."""
        limits = cleared_by_joint(footing.healthy, footing.joints).tolist()
        # a joint that is taken for given is no longer asked about
        names = [joint.name for joint in footing.responses.space.joints]
        cleared = dict(zip(names, limits, strict=True))
        rows = []
        for number, joint in enumerate(self.space.joints):
            resistive, open_ = float(found.resistive[number]), float(found.open[number])
            ohms = found.ohms(number) if resistive > LEAST_SHOWN else None
            limit = cleared.get(joint.name, np.inf)
            known = limit if np.isfinite(limit) else None
            rows.append(JointBand(joint.name, resistive + open_, open_, ohms, known))
        return tuple(rows)


def _strange(footing: View) -> int | None:
    """Number of the reading that even the best explanation leaves far off, counted from 1."""
    place = fits_nothing(footing, footing.best_part)
    return None if place is None else place + 1


def _is_unexplained(plain: View) -> bool:
    """True where neither a healthy prop nor its likeliest single fault explains the evidence."""
    return plain.is_misfit(plain.best_part)


def _alike(footing: View) -> tuple[tuple[str, ...], ...]:
    """Groups of likely suspects whose best explanations of the evidence are equally good."""
    found, space = footing.posterior, footing.responses.space
    rows = []
    for number, joint in enumerate(space.joints):
        if found.joints[number].sum() >= LEAST_ALIKE:
            rows.append((joint.name, float(footing.joints[number].max()), "power"))
    best: dict[str, tuple[float, float]] = {}
    for fault, part, weight in zip(space.chain, found.chain, footing.chain, strict=True):
        before = best.get(fault.where, (0.0, -np.inf))
        best[fault.where] = (before[0] + float(part), max(before[1], float(weight)))
    rows += [(name, w, "chain") for name, (p, w) in best.items() if p >= LEAST_ALIKE]
    return _grouped(rows)


def _grouped(rows: list[tuple[str, float, str]]) -> tuple[tuple[str, ...], ...]:
    groups: list[tuple[float, str, list[str]]] = []
    for name, weight, sort in sorted(rows, key=lambda row: (-row[1], row[0])):
        for top, kind, names in groups:
            if kind == sort and top - weight < ALIKE_LOG:
                names.append(name)
                break
        else:
            groups.append((weight, sort, [name]))
    return tuple(tuple(names) for _, _, names in groups if len(names) > 1)


def _judge(readings: Sequence[Reading], weigher: Weigher | None) -> tuple[JudgedReading, ...]:
    """Each reading beside what a healthy unit would show, error of the meter included."""
    if weigher is None:
        return ()
    mean = weigher.healthy_mean()
    sd = np.sqrt(np.diag(weigher.healthy_covariance))
    off = (weigher.values - mean) / sd
    return tuple(
        JudgedReading(reading, float(expected), float(deviation), float(z))
        for reading, expected, deviation, z in zip(readings, mean, sd, off, strict=True)
    )


def diagnose(
    design: Design,
    readings: Sequence[Reading] = (),
    marks: Sequence[Mark] = (),
    meter: Meter = DEFAULT_METER,
) -> Finding:
    """Diagnose a design once; see `Engine.diagnose`."""
    return Engine(design).diagnose(readings, marks, meter)
