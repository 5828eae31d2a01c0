"""Joints that explain many of the readings, whatever they leave to another fault.

By the likelihood of all readings, a fault that explains all but one of them has no more to be said
for it than one that explains nothing. So each reading's say is limited here.
"""

from __future__ import annotations

import numpy as np

from benchtest.circuit.netlist import FloatArray
from benchtest.diagnosis.inference.conditional import ConditionalEvidence
from benchtest.diagnosis.inference.hypothesis import FaultHypothesis
from benchtest.diagnosis.likelihood.nonlinear import APART, means_at
from benchtest.diagnosis.likelihood.readings import ReadingLikelihood
from benchtest.diagnosis.model.fault_response import GRID

TRIED, MOST = 3, 2
"""Joints that are looked at closely, and those that are returned at the most."""
SHARE = 0.3
"""Share of what is left of the budget that one joint may use. Ours."""
EXPLAINED = 0.2
"""Share of what a reading moved by which an explanation may miss it."""


def partial_explanations(view: ConditionalEvidence) -> list[FaultHypothesis]:
    """Joints at the resistance that explains most readings; those that explain most first.

    Args:
        view: the evidence on any footing.
    """
    likelihood = view.likelihood
    if likelihood is None:
        return []
    score = _score(likelihood, likelihood.rough_means()) + view.odds[0]
    order = np.argsort(-np.round(score.max(axis=1), 6), kind="stable")[:TRIED]
    found = []
    for joint in order.tolist():
        best, column = float(score[joint].max()), int(score[joint].argmax())
        if any(effect.base.nonlinear[joint, column] for effect in likelihood.effects):
            best, column = _solved(view, likelihood, joint) or (best, column)
        part = FaultHypothesis(view.responses.space.joints[joint].name, "resistive").at(column)
        found.append((best, part))
    found.sort(key=lambda row: -round(row[0], 6))
    return [part for _, part in found[:MOST]]


def _solved(
    view: ConditionalEvidence, likelihood: ReadingLikelihood, joint: int
) -> tuple[float, int] | None:
    """The same of a joint that starves nodes: an estimate is right about volts, not about ohms.

    None where that is more than the budget allows.
    """
    nonlinear = np.logical_or.reduce(
        [effect.base.nonlinear[joint] for effect in likelihood.effects]
    )
    first = int(np.flatnonzero(nonlinear)[0])
    columns = sorted({*range(first, GRID, APART), GRID})
    units = (len(columns) + 2) * likelihood.solve_units
    if units > SHARE * likelihood.budget.left:
        return None
    score = _at(view, likelihood, joint, columns)
    best = columns[int(score.argmax())]
    half = APART // 2
    near = [column for column in (best - half, best + half) if first <= column < GRID]
    columns += near
    score = np.append(score, _at(view, likelihood, joint, near))
    return float(score.max()), columns[int(score.argmax())]


def _at(
    view: ConditionalEvidence, likelihood: ReadingLikelihood, joint: int, columns: list[int]
) -> FloatArray:
    """Score of a joint solved at some resistances, shape (columns,)."""
    for column in columns:
        likelihood.take(joint, column)
    if not columns:
        return np.zeros(0)
    means = np.array([means_at(likelihood, joint, column) for column in columns])
    return _score(likelihood, means) + view.odds[0][joint, columns]


def _score(likelihood: ReadingLikelihood, mean: FloatArray) -> FloatArray:
    """How many readings are explained, and how well, shape (...,) of mean's (..., readings)."""
    moved = likelihood.values - likelihood.healthy_mean()
    variance = np.diag(likelihood.healthy_covariance) + (EXPLAINED * moved) ** 2
    return -np.asarray(np.log1p((likelihood.values - mean) ** 2 / variance).sum(axis=-1))
