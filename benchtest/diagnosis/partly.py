"""Joints that explain many of the readings, whatever they leave to another fault.

By the likelihood of all readings, a fault that explains all but one of them has no more to be said
for it than one that explains nothing. So each reading's say is limited here.
"""

from __future__ import annotations

import numpy as np

from benchtest.circuit.netlist import FloatArray
from benchtest.diagnosis.inference.conditional import View
from benchtest.diagnosis.inference.hypothesis import Part
from benchtest.diagnosis.likelihood.nonlinear import APART, means_at
from benchtest.diagnosis.likelihood.readings import Weigher
from benchtest.diagnosis.model.fault_response import GRID

TRIED, MOST = 3, 2
"""Joints that are looked at closely, and those that are returned at the most."""
SHARE = 0.3
"""Share of what is left of the budget that one joint may use. Ours."""
EXPLAINED = 0.2
"""Share of what a reading moved by which an explanation may miss it."""


def partly(view: View) -> list[Part]:
    """Joints at the resistance that explains most readings; those that explain most first.

    Args:
        view: the evidence on any footing.
    """
    weigher = view.weigher
    if weigher is None:
        return []
    score = _score(weigher, weigher.about()) + view.odds[0]
    order = np.argsort(-np.round(score.max(axis=1), 6), kind="stable")[:TRIED]
    found = []
    for joint in order.tolist():
        best, column = float(score[joint].max()), int(score[joint].argmax())
        if any(effect.base.bent[joint, column] for effect in weigher.effects):
            best, column = _solved(view, weigher, joint) or (best, column)
        part = Part(view.responses.space.joints[joint].name, "resistive").at(column)
        found.append((best, part))
    found.sort(key=lambda row: -round(row[0], 6))
    return [part for _, part in found[:MOST]]


def _solved(view: View, weigher: Weigher, joint: int) -> tuple[float, int] | None:
    """The same of a joint that starves nodes: an estimate is right about volts, not about ohms.

    None where that is more than the budget allows.
    """
    bent = np.logical_or.reduce([effect.base.bent[joint] for effect in weigher.effects])
    first = int(np.flatnonzero(bent)[0])
    columns = sorted({*range(first, GRID, APART), GRID})
    units = (len(columns) + 2) * weigher.solve_units
    if units > SHARE * weigher.budget.left:
        return None
    score = _at(view, weigher, joint, columns)
    best = columns[int(score.argmax())]
    half = APART // 2
    near = [column for column in (best - half, best + half) if first <= column < GRID]
    columns += near
    score = np.append(score, _at(view, weigher, joint, near))
    return float(score.max()), columns[int(score.argmax())]


def _at(view: View, weigher: Weigher, joint: int, columns: list[int]) -> FloatArray:
    """Score of a joint solved at some resistances, shape (columns,)."""
    for column in columns:
        weigher.take(joint, column)
    if not columns:
        return np.zeros(0)
    means = np.array([means_at(weigher, joint, column) for column in columns])
    return _score(weigher, means) + view.odds[0][joint, columns]


def _score(weigher: Weigher, mean: FloatArray) -> FloatArray:
    """How many readings are explained, and how well, shape (...,) of mean's (..., readings)."""
    moved = weigher.values - weigher.healthy_mean()
    variance = np.diag(weigher.healthy_covariance) + (EXPLAINED * moved) ** 2
    return -np.asarray(np.log1p((weigher.values - mean) ** 2 / variance).sum(axis=-1))
