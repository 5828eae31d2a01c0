"""Readings under faults that keep every node on the linear part of its I-V curve.

A joint's change is a rank-one change of the circuit, so no new solution is needed: readings change
by `γ · change_per_v`, and derivatives by causes as in `covariance_terms`.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from benchtest.circuit.netlist import FloatArray
from benchtest.diagnosis.likelihood.covariance_terms import CovarianceTerms
from benchtest.diagnosis.likelihood.reading_model import ReadingModel


def linear_predictions(
    model: ReadingModel, joint: int, columns: NDArray[np.intp], *, separately: bool = False
) -> tuple[FloatArray, FloatArray]:
    """Return the readings under one joint's fault, and their covariance.

    Args:
        model: readings and circuit.
        joint: index of the joint in the fault space.
        columns: its resistances, as columns of the grid at which no node is nonlinear.
        separately: True to form the sums for this joint only, not for all joints.

    Returns:
        Shapes (columns, readings) and (columns, readings, readings). [V, V²]
    """
    joints = np.full(len(columns), joint, dtype=np.intp)
    if not separately:
        return linear_predictions_of_many(model, joints, columns)
    terms = CovarianceTerms(model.responses, model.effects, model.tolerances, joint)
    return _predictions(model, terms, joints, columns, separately=True)


def linear_predictions_of_many(
    model: ReadingModel, joints: NDArray[np.intp], columns: NDArray[np.intp]
) -> tuple[FloatArray, FloatArray]:
    """Return the readings under faults of many joints, and their covariance.

    Args:
        model: readings and circuit.
        joints: index of each row's joint in the fault space, shape (rows,).
        columns: its resistance, as a column of the grid, shape (rows,).

    Returns:
        Shapes (rows, readings) and (rows, readings, readings). [V, V²]
    """
    return _predictions(model, model.covariance_terms, joints, columns, separately=False)


def _predictions(
    model: ReadingModel,
    terms: CovarianceTerms,
    joints: NDArray[np.intp],
    columns: NDArray[np.intp],
    *,
    separately: bool,
) -> tuple[FloatArray, FloatArray]:
    """Return readings and covariance; with `separately`, `terms` are of the only joint."""
    tried, of = np.unique(joints, return_inverse=True)
    of = of.reshape(-1)
    rows = np.zeros_like(tried) if separately else tried
    change_per_v, lit_of = terms.change_per_v[rows[of]], terms.lit_of
    bases = [effect.base for effect in model.effects]
    compensating_a = np.array([base.compensating_a[joints, columns] for base in bases]).T[:, lit_of]
    phi = np.array([base.factor_phi[joints, columns] for base in bases]).T[:, lit_of]
    mean = model.healthy_mean() + compensating_a * change_per_v
    covariance = terms.covariances(rows, of, -phi * change_per_v, compensating_a)
    # the tried joint's resistance is known up to its position in the grid cell
    cell_a = np.array([base.cell_compensating_a[joints, columns] for base in bases]).T[:, lit_of]
    cell = cell_a * change_per_v
    covariance += cell[:, :, None] * cell[:, None, :]
    return mean, covariance + model.reading_errors(mean)


def linear_means(
    model: ReadingModel, joint: int, columns: NDArray[np.intp], *, separately: bool = False
) -> FloatArray:
    """Return the readings under one joint's fault, shape (columns, readings). [V, or A]

    Args:
        model: readings and circuit.
        joint: index of the joint in the fault space.
        columns: its resistances, as columns of the grid.
        separately: True to form nothing for the other joints.
    """
    if separately:
        rows = model.responses.joint_columns[joint : joint + 1]
        changes = [effect.branch[rows] for effect in model.effects]
        change_per_v = model.in_reading_order(changes, axis=1)[0]
    else:
        change_per_v = model.covariance_terms.change_per_v[joint]
    compensating_a = np.array(
        [effect.base.compensating_a[joint, columns] for effect in model.effects]
    ).T
    return np.asarray(model.healthy_mean() + compensating_a[:, model.lit_of] * change_per_v)
