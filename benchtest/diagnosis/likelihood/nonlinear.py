"""Readings under faults that leave nodes without enough voltage, by a few solved circuits.

A strand whose nodes run out of headroom draws less, so its joint drops less than a linear model
predicts. Between the resistances that are solved, readings change smoothly with log resistance. If
the evidence rules out a resistance and all above it, none above is solved.

If a whole prop lacks voltage, every joint makes some nodes nonlinear: the finding's budget limits
the solved circuits. The other faults keep an estimate with a larger variance.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence

import numpy as np
from numpy.typing import NDArray

from benchtest.circuit.netlist import FloatArray
from benchtest.diagnosis.likelihood.measurement import (
    TapEffects,
    island_covariance,
    island_leads,
    read_at,
)
from benchtest.diagnosis.likelihood.reading_model import ReadingModel, half_data_loss
from benchtest.diagnosis.model.fault_response import GRID_SIZE, OPEN_COLUMN
from benchtest.diagnosis.thresholds import MIN_RULED_OUT_SD

KNOT_STEP = 20
"""Grid steps between two resistances that are solved: a factor of 3.2."""
ESTIMATE_SHARE = 0.3
"""Standard deviation of the estimate of a nonlinear fault, as a share of its effect beyond the
current at which the first node lacks headroom. Ours."""
ESTIMATE_OWN_SHARE = 0.2
"""Independent part of each reading in that deviation, as a share of it. Ours."""
KNOTS, FEW_KNOTS = GRID_SIZE // KNOT_STEP + 2, 4
"""Approximate number of resistances at which one joint is solved, the open joint included, with a
large budget and a small one."""
MAX_EXTRA_KNOTS, MAX_NEAR_STEPS = 3, 3
"""Resistances solved in addition to the few, and the distance in grid steps within which a solved
one suffices."""


def nonlinear_rows(
    model: ReadingModel,
    joint: int,
    columns: NDArray[np.intp],
    mean: FloatArray,
    weight: FloatArray,
    max_units: float,
    *,
    is_forced: bool = False,
) -> None:
    """Replace estimates by solved readings and likelihoods where a joint makes nodes nonlinear.

    The estimates stay where the budget allows no solution; the joint is then added to
    `model.estimated`.

    Args:
        model: readings and circuit.
        joint: its index in the fault space.
        columns: its nonlinear resistances, ascending.
        mean: predicted readings, shape (COLUMNS, readings); rows of `columns` are replaced.
        weight: log likelihood, shape (COLUMNS,); values at `columns` are replaced.
        max_units: budget that this joint may use.
        is_forced: True to solve at a few resistances at least, without regard to the budget.
    """
    resistive = columns[columns < OPEN_COLUMN]
    few = model.responses.is_large
    knots = _knots(resistive, weight, few=few)
    requested = [*knots, *columns[columns == OPEN_COLUMN].tolist()]
    if not few and len(requested) * model.solve_units > max_units:
        few, knots = True, _knots(resistive, weight, few=True)
        requested = [*knots, *columns[columns == OPEN_COLUMN].tolist()]
    is_refused = len(requested) * model.solve_units > max_units or not model.may_solve(
        joint, requested
    )
    if is_refused and not is_forced:
        model.estimated.add(joint)
        return
    ruled_out = len(resistive) > 0 and _resistive(
        model, joint, resistive, knots, mean, weight, few=few
    )
    if len(columns) > len(resistive):
        if ruled_out:
            mean[OPEN_COLUMN], weight[OPEN_COLUMN] = mean[resistive[-1]], weight[resistive[-1]]
            return
        mean[OPEN_COLUMN], covariance = solve_at(model, joint, OPEN_COLUMN)
        weight[OPEN_COLUMN] = model.log_density(mean[OPEN_COLUMN], covariance, joint)


def estimated_rows(
    model: ReadingModel, joint: int, columns: NDArray[np.intp]
) -> tuple[FloatArray, FloatArray]:
    """Return estimated readings and log likelihood of a joint at nonlinear resistances.

    Args:
        model: readings and circuit.
        joint: its index in the fault space.
        columns: its nonlinear resistances.

    Returns:
        Shapes (columns, readings) and (columns,).
    """
    mean, covariance = estimate(model, joint, columns)
    return mean, model.log_density(mean, covariance, joint)


def estimate(
    model: ReadingModel, joint: int, columns: NDArray[np.intp]
) -> tuple[FloatArray, FloatArray]:
    """Return estimated readings of a joint at nonlinear resistances, and their covariance.

    The mean is `healthy + γ · change_per_v` with `γ` capped where strands lack voltage. The
    covariance has the error of this cap, and the effect of the node current scaled by the fault.

    Args:
        model: readings and circuit.
        joint: its index in the fault space.
        columns: its nonlinear resistances.

    Returns:
        Shapes (columns, readings) and (columns, readings, readings).
    """
    row = model.responses.joint_columns[joint]
    parts = [
        e.capped_compensating_a[joint, columns][:, None] * e.branch[row] for e in model.effects
    ]
    beyond = [_beyond(e, joint, columns)[:, None] * e.branch[row] for e in model.effects]
    moved = model.in_reading_order(parts, axis=1)
    mean = model.healthy_mean() + moved
    off = ESTIMATE_SHARE * model.in_reading_order(beyond, axis=1)
    # the common error of node current scales the effect of the fault, too
    healthy = model.tolerances.current * model.per_current
    faulty = healthy + model.tolerances.current * moved
    covariance = model.healthy_covariance - np.outer(healthy, healthy)
    covariance = covariance + faulty[:, :, None] * faulty[:, None, :]
    # readings of one lit set share the error of its nodes' current
    same_lit_set = model.lit_of[:, None] == model.lit_of
    covariance += np.where(same_lit_set, off[:, :, None] * off[:, None, :], 0.0)
    diagonal = np.arange(mean.shape[1])
    covariance[:, diagonal, diagonal] += (ESTIMATE_OWN_SHARE * off) ** 2
    is_open = columns == OPEN_COLUMN
    if is_open.any() and any(effect.base.cut[joint, OPEN_COLUMN] for effect in model.effects):
        half_loss = 0.5 * model.dark_from(joint)  # as in `half_data_loss`
        mean[is_open] += half_loss
        covariance[is_open] += np.outer(half_loss, half_loss)
    return mean, covariance


def _beyond(effect: TapEffects, joint: int, columns: NDArray[np.intp]) -> FloatArray:
    """Return the current beyond that at which the first node lacks headroom, (columns,). [A]"""
    nonlinear = effect.base.nonlinear[joint]
    if not nonlinear.any():
        return np.zeros(len(columns))
    first = int(np.argmax(nonlinear))
    linear_a = effect.capped_compensating_a[joint, first - 1] if first else 0.0
    beyond = effect.capped_compensating_a[joint, columns] - linear_a
    return np.asarray(np.where(columns >= first, beyond, 0.0))


def _knots(columns: NDArray[np.intp], weight: FloatArray, *, few: bool) -> list[int]:
    """Return the resistances to solve, ascending; if few, both ends and the likeliest."""
    if not len(columns):
        return []
    first, last = int(columns[0]), int(columns[-1])
    if few:
        return sorted({first, int(columns[weight[columns].argmax()]), last})
    return sorted({*range(first, last, KNOT_STEP), last})


def _resistive(
    model: ReadingModel,
    joint: int,
    columns: NDArray[np.intp],
    wanted: Sequence[int],
    mean: FloatArray,
    weight: FloatArray,
    *,
    few: bool,
) -> bool:
    """Solve at knots in turn; return True if one of them rules out all resistances beyond.

    If only few fit the budget, more are added where the likelihood between them is highest.
    """
    solved: dict[int, tuple[FloatArray, FloatArray]] = {}
    ruled_out = False
    for knot in wanted:
        solved[knot] = solve_at(model, joint, knot)
        if ruled_out := rules_out_more(model, *solved[knot]):
            break
    estimated = mean[columns]
    if not few:
        mean[columns], covariance = _interpolated(columns, solved)
        weight[columns] = model.log_density(mean[columns], covariance, joint)
        return ruled_out
    for _ in range(MAX_EXTRA_KNOTS):
        _, found = _corrected(model, joint, columns, solved, estimated)
        best = int(columns[found.argmax()])
        distance = min(abs(best - knot) for knot in solved)
        if distance <= MAX_NEAR_STEPS or not model.may_solve(joint, [best]):
            break
        solved = dict(sorted([*solved.items(), (best, solve_at(model, joint, best))]))
    mean[columns], found = _corrected(model, joint, columns, solved, estimated)
    # an estimate with a large variance fits any reading: limit it to the best exact likelihood
    known = np.isin(columns, list(solved))
    found[~known] = np.minimum(found[~known], max(model.best_here, *found[known]))
    weight[columns] = found
    return ruled_out


def _places(
    columns: NDArray[np.intp], knots: Sequence[int]
) -> tuple[NDArray[np.intp], NDArray[np.intp], FloatArray]:
    """Return the knots below and above each resistance, and its position between them, 0 to 1.

    Beyond the last knot, readings are those of the last knot.
    """
    above = np.clip(np.searchsorted(knots, columns, side="right"), 1, max(len(knots) - 1, 1))
    high = np.minimum(above, len(knots) - 1)
    low = np.minimum(above - 1, high)
    at = np.array(knots)
    part = np.clip((columns - at[low]) / np.maximum(at[high] - at[low], 1), 0.0, 1.0)
    return low, high, part


def _interpolated(
    columns: NDArray[np.intp], solved: Mapping[int, tuple[FloatArray, FloatArray]]
) -> tuple[FloatArray, FloatArray]:
    """Return readings and covariances interpolated between close knots."""
    low, high, part = _places(columns, list(solved))
    means = np.array([row[0] for row in solved.values()])
    covariances = np.array([row[1] for row in solved.values()])
    # a convex combination of covariances is a covariance
    between = covariances[low] + part[:, None, None] * (covariances[high] - covariances[low])
    return means[low] + part[:, None] * (means[high] - means[low]), between


def _corrected(
    model: ReadingModel,
    joint: int,
    columns: NDArray[np.intp],
    solved: Mapping[int, tuple[FloatArray, FloatArray]],
    estimated: FloatArray,
) -> tuple[FloatArray, FloatArray]:
    """Return readings and log likelihood interpolated between distant knots.

    Between them the estimate supplies the shape; its correction, interpolated, counts as a standard
    deviation too.
    """
    low, high, part = _places(columns, list(solved))
    places = np.searchsorted(columns, list(solved))
    off = np.array([row[0] for row in solved.values()]) - estimated[places]
    correction = off[low] + part[:, None] * (off[high] - off[low])
    _, covariance = estimate(model, joint, columns)
    diagonal = np.arange(off.shape[1])
    covariance[:, diagonal, diagonal] += correction**2
    for place, (_, knot_covariance) in zip(places, solved.values(), strict=True):
        covariance[place] = knot_covariance
    covariance[columns > columns[places[-1]]] = covariance[places[-1]]
    return estimated + correction, model.log_density(estimated + correction, covariance, joint)


def rules_out_more(model: ReadingModel, mean: FloatArray, covariance: FloatArray) -> bool:
    """Return True if readings are so far off that a higher resistance is ruled out too.

    They must be off on the side from which more resistance moves away. A single one may be a slip:
    two must agree.

    Args:
        model: readings and circuit.
        mean: predicted readings at a resistance, shape (readings,).
        covariance: shape (readings, readings).
    """
    off = model.values - mean
    moved = mean - model.healthy_mean()
    is_away = (off * moved < 0.0) & (np.abs(off) > MIN_RULED_OUT_SD * np.sqrt(np.diag(covariance)))
    return bool(is_away.sum() >= 2)


def means_at(model: ReadingModel, joint: int, column: int) -> FloatArray:
    """Return the solved readings with the joint at one resistance, shape (readings,).

    Args:
        model: readings and circuit.
        joint: its index in the fault space.
        column: its resistance, as a column of the grid.
    """
    responses, means = model.responses, []
    for effect in model.effects:
        solution = responses.exact(responses.space.joints[joint].name, column, effect.taps.lit)
        means.append(read_at(solution, effect.taps.moved_to(solution.circuit)))
    return model.in_reading_order(means, axis=0)


def solve_at(model: ReadingModel, joint: int, column: int) -> tuple[FloatArray, FloatArray]:
    """Return the solved readings and their covariance with the joint at one resistance.

    Readings on copper that the fault cuts off are recorded in `model.floating`.

    Args:
        model: readings and circuit.
        joint: its index in the fault space.
        column: its resistance, as a column of the grid.

    Returns:
        Shapes (readings,) and (readings, readings).
    """
    responses = model.responses
    name = responses.space.joints[joint].name
    model.charge(joint, column)
    means, parts, leads, losses = [], [], [], []
    for effect in model.effects:
        solution = responses.exact(name, column, effect.taps.lit)
        taps = effect.taps.moved_to(solution.circuit)
        means.append(read_at(solution, taps))
        parts.append(model.spread_at(solution, taps, model.given | {name}))
        leads.append(island_leads(solution.circuit, taps.readings))
        losses.append(half_data_loss(responses, solution, taps))
    mean = model.in_reading_order(means, axis=0)
    covariance = model.covariance(model.joined_spreads(parts), mean)
    covariance -= model.islands  # `leads` contain those of the given faults
    if any(each.any() for each in leads):
        rows = [effect.taps.rows for effect in model.effects]
        covariance += island_covariance(leads, rows, float(responses.circuit.supply_v.max()))
    data_loss = model.in_reading_order(losses, axis=0)
    mean = mean + data_loss
    covariance += np.outer(data_loss, data_loss)
    on_any = [np.abs(each).sum(axis=1) for each in leads]
    floating = np.flatnonzero(model.in_reading_order(on_any, axis=0))
    model.floating[joint, column] = tuple(floating.tolist())
    return mean, covariance
