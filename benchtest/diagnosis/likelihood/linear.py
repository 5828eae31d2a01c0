"""Faults under which every node stays on the straight part of its law: no new solution needed.

One joint's change is a rank-one change, so a response becomes `p + v·back` and a current
`i + g·v·c`, with `back` and `c` (`compensating_a`) one number for each reading and resistance.
Sums of their products over thousands of branches are sums of four terms, and those are formed
once, of all joints together.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from benchtest.circuit.netlist import FloatArray
from benchtest.diagnosis.likelihood.covariance_terms import CovarianceTerms
from benchtest.diagnosis.likelihood.reading_model import ReadingModel


def linear_predictions(
    model: ReadingModel, joint: int, columns: NDArray[np.intp], *, alone: bool = False
) -> tuple[FloatArray, FloatArray]:
    """Return the readings under one joint's fault, and their covariance.

    Args:
        model: readings and circuit.
        joint: its place in the fault space.
        columns: resistances, as places in the grid; none of them starves a node.
        alone: with sums formed for this joint and no other.

    Returns:
        Shape (columns, readings), and (columns, readings, readings).
    """
    of = np.full(len(columns), joint, dtype=np.intp)
    return _rows(
        model,
        CovarianceTerms(model.responses, model.effects, model.tolerances, joint)
        if alone
        else model.covariance_terms,
        of,
        columns,
        alone,
    )


def linear_predictions_of_many(
    model: ReadingModel, joints: NDArray[np.intp], columns: NDArray[np.intp]
) -> tuple[FloatArray, FloatArray]:
    """Return the same of many joints at once.

    Args:
        model: readings and circuit.
        joints: place in the fault space of each row's joint, shape (rows,).
        columns: resistance of each row, as a place in the grid, shape (rows,).

    Returns:
        Shape (rows, readings), and (rows, readings, readings).
    """
    return _rows(model, model.covariance_terms, joints, columns, alone=False)


def _rows(
    model: ReadingModel,
    sums: CovarianceTerms,
    joints: NDArray[np.intp],
    columns: NDArray[np.intp],
    alone: bool,
) -> tuple[FloatArray, FloatArray]:
    tried, of = np.unique(joints, return_inverse=True)
    of = of.reshape(-1)
    places = np.zeros_like(tried) if alone else tried
    own, lit = sums.own[places[of]], sums.of
    bases = [effect.base for effect in model.effects]
    compensating_a = np.array([base.compensating_a[joints, columns] for base in bases]).T[:, lit]
    phi = np.array([base.factor_phi[joints, columns] for base in bases]).T[:, lit]
    mean = model.healthy_mean() + compensating_a * own
    covariance = sums.covariances(places, of, -phi * own, compensating_a)
    # its resistance is what is tried: all that is left open is where it is between two tried ones
    cell = np.array([base.cell_compensating_a[joints, columns] for base in bases]).T[:, lit] * own
    covariance += cell[:, :, None] * cell[:, None, :]
    return mean, covariance + model.reading_errors(mean)


def linear_means(
    model: ReadingModel, joint: int, columns: NDArray[np.intp], *, alone: bool = False
) -> FloatArray:
    """Return predicted readings of one joint's fault alone, (columns, readings); see above."""
    if alone:
        rows = model.responses.joint_columns[joint : joint + 1]
        own = model.in_reading_order([effect.branch[rows] for effect in model.effects], axis=1)[0]
    else:
        own = model.covariance_terms.own[joint]
    compensating_a = np.array(
        [effect.base.compensating_a[joint, columns] for effect in model.effects]
    ).T
    return np.asarray(model.healthy_mean() + compensating_a[:, model.lit_of] * own)
