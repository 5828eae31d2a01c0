"""Faults that starve nodes of volts: there the circuit is solved anew, at a few resistances.

A strand whose nodes run out of headroom draws less, so its joint drops less than a straight line
says. Between the resistances that are solved, readings change smoothly with the logarithm of the
resistance. Where the evidence rules a resistance out and all above it, none is solved above it.

Where a whole prop is short of volts, every joint starves some nodes: the finding's budget bounds
what is solved. Other faults keep their estimate, with a larger variance.
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
from benchtest.diagnosis.likelihood.reading_model import ReadingModel
from benchtest.diagnosis.likelihood.undervoltage import half_of_data_lost
from benchtest.diagnosis.model.fault_response import GRID

APART = 20
"""Grid steps between two resistances that are solved: a factor of 3.2."""
GUESS_SHARE = 0.3
"""How far the estimate of a starved prop may be off, as a share of what the fault moves beyond
the current at which the first node lacks headroom."""
OWN_SHARE = 0.2
"""Share of that by which the readings of one lit set may be off each by itself. Ours."""
KNOTS, FEW_KNOTS = GRID // APART + 2, 4
"""Resistances that one joint is solved at, about, open among them; few where not all fit."""
MORE_KNOTS, NEAR_STEPS = 3, 3
"""Resistances that are solved beyond those few, and the steps of the grid within which none is."""
HOPELESS_LOG = 30.0
"""Likelihoods so far below the best, as a logarithm, need not be known better."""
SURE = 10.0
"""Standard deviations past which a reading rules a fault out for good."""


def nonlinear_rows(
    model: ReadingModel,
    joint: int,
    columns: NDArray[np.intp],
    mean: FloatArray,
    weight: FloatArray,
    most_units: float,
) -> None:
    """Fill in predicted readings and likelihood of a joint where it starves nodes.

    Args:
        model: readings and circuit.
        joint: its place in the fault space.
        columns: resistances that starve, ascending.
        mean: predicted readings, shape (COLUMNS, readings); rows of `columns` are filled in.
        weight: logarithm of model, shape (COLUMNS,); likewise. Both have the estimate, which
            stays where no more may be solved.
        most_units: what this joint may use of the budget.
    """
    resistive = columns[columns < GRID]
    few = model.responses.is_large
    knots = _knots(resistive, weight, few=few)
    asked = [*knots, *columns[columns == GRID].tolist()]
    if not few and len(asked) * model.solve_units > most_units:
        few, knots = True, _knots(resistive, weight, few=True)
        asked = [*knots, *columns[columns == GRID].tolist()]
    if len(asked) * model.solve_units > most_units or not model.may_solve(joint, asked):
        model.estimated.add(joint)
        return
    ended = len(resistive) > 0 and _resistive(model, joint, resistive, knots, mean, weight, few=few)
    if len(columns) > len(resistive):
        if ended:
            mean[GRID], weight[GRID] = mean[resistive[-1]], weight[resistive[-1]]
            return
        mean[GRID], covariance = solve_at(model, joint, GRID)
        weight[GRID] = model.density(mean[GRID], covariance, joint)


def estimated_rows(
    model: ReadingModel, joint: int, columns: NDArray[np.intp]
) -> tuple[FloatArray, FloatArray]:
    """Readings and likelihood of a joint where it starves nodes, by estimate.

    Args:
        model: readings and circuit.
        joint: its place in the fault space.
        columns: places in the grid that starve.

    Returns:
        Shape (columns, readings), and (columns,).
    """
    guess, wide = estimate(model, joint, columns)
    return guess, model.density(guess, wide, joint)


def estimate(
    model: ReadingModel, joint: int, columns: NDArray[np.intp]
) -> tuple[FloatArray, FloatArray]:
    """Readings of a joint where it starves nodes, and their covariance, as wide as a guess is.

    Returns:
        Shape (columns, readings), and (columns, readings, readings).
    """
    row = model.responses.joint_columns[joint]
    parts = [
        e.capped_compensating_a[joint, columns][:, None] * e.branch[row] for e in model.effects
    ]
    unsure = [_beyond(e, joint, columns)[:, None] * e.branch[row] for e in model.effects]
    moved = model.in_reading_order(parts, axis=1)
    guess = model.healthy_mean() + moved
    off = GUESS_SHARE * model.in_reading_order(unsure, axis=1)
    # the node current that all share scales what the fault moves, too
    sound = model.tolerances.current * model.loaded
    faulty = sound + model.tolerances.current * moved
    wide = model.healthy_covariance - np.outer(sound, sound)
    wide = wide + faulty[:, :, None] * faulty[:, None, :]
    # readings of one lit set are off together: their nodes draw less than was taken
    alike = model.lit_of[:, None] == model.lit_of
    wide += np.where(alike, off[:, :, None] * off[:, None, :], 0.0)
    own = np.arange(guess.shape[1])
    wide[:, own, own] += (OWN_SHARE * off) ** 2
    is_open = columns == GRID
    if is_open.any() and any(effect.base.cut[joint, GRID] for effect in model.effects):
        half = 0.5 * model.dark_from(joint)  # see `half_of_data_lost`
        guess[is_open] += half
        wide[is_open] += np.outer(half, half)
    return guess, wide


def _beyond(effect: TapEffects, joint: int, columns: NDArray[np.intp]) -> FloatArray:
    """Return amperes beyond those at which the first node lacks headroom, shape (columns,). [A]"""
    nonlinear = effect.base.nonlinear[joint]
    if not nonlinear.any():
        return np.zeros(len(columns))
    first = int(np.argmax(nonlinear))
    straight_a = effect.capped_compensating_a[joint, first - 1] if first else 0.0
    beyond = effect.capped_compensating_a[joint, columns] - straight_a
    return np.asarray(np.where(columns >= first, beyond, 0.0))


def _knots(columns: NDArray[np.intp], weight: FloatArray, *, few: bool) -> list[int]:
    """Return the resistances to solve, ascending; of a few the ends and the likeliest."""
    if not len(columns):
        return []
    first, last = int(columns[0]), int(columns[-1])
    if few:
        return sorted({first, int(columns[weight[columns].argmax()]), last})
    return sorted({*range(first, last, APART), last})


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
    """Solve at knots, one after the other; True where one of them rules out all beyond it.

    Where few fit the budget, a few more are put where the estimate between them is best.
    """
    solved: dict[int, tuple[FloatArray, FloatArray]] = {}
    ended = False
    for knot in wanted:
        solved[knot] = solve_at(model, joint, knot)
        if ended := rules_out_more(model, *solved[knot]):
            break
    estimated = mean[columns]
    if not few:
        mean[columns], wide = _interpolated(columns, solved)
        weight[columns] = model.density(mean[columns], wide, joint)
        return ended
    for _ in range(MORE_KNOTS):
        _, found = _corrected(model, joint, columns, solved, estimated)
        best = int(columns[found.argmax()])
        near = min(abs(best - knot) for knot in solved)
        if near <= NEAR_STEPS or not model.may_solve(joint, [best]):
            break
        solved = dict(sorted([*solved.items(), (best, solve_at(model, joint, best))]))
    mean[columns], found = _corrected(model, joint, columns, solved, estimated)
    # a guess that is vague enough explains anything: it never beats what was worked out
    known = np.isin(columns, list(solved))
    found[~known] = np.minimum(found[~known], max(model.best_here, *found[known]))
    weight[columns] = found
    return ended


def _places(
    columns: NDArray[np.intp], knots: Sequence[int]
) -> tuple[NDArray[np.intp], NDArray[np.intp], FloatArray]:
    """Return the knots below and above each resistance, and its place between them, 0 to 1.

    Beyond the last knot, everything is as bad as there.
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
    """Return readings and covariances between knots that are near each other."""
    low, high, part = _places(columns, list(solved))
    means = np.array([row[0] for row in solved.values()])
    covariances = np.array([row[1] for row in solved.values()])
    # between two covariances lies a covariance
    wide = covariances[low] + part[:, None, None] * (covariances[high] - covariances[low])
    return means[low] + part[:, None] * (means[high] - means[low]), wide


def _corrected(
    model: ReadingModel,
    joint: int,
    columns: NDArray[np.intp],
    solved: Mapping[int, tuple[FloatArray, FloatArray]],
    estimated: FloatArray,
) -> tuple[FloatArray, FloatArray]:
    """Return readings and likelihood where knots are far from each other.

    Between them the estimate has the shape, and its correction is a guess.
    """
    low, high, part = _places(columns, list(solved))
    places = np.searchsorted(columns, list(solved))
    off = np.array([row[0] for row in solved.values()]) - estimated[places]
    put_right = off[low] + part[:, None] * (off[high] - off[low])
    _, wide = estimate(model, joint, columns)
    own = np.arange(off.shape[1])
    wide[:, own, own] += put_right**2
    for place, (_, covariance) in zip(places, solved.values(), strict=True):
        wide[place] = covariance
    wide[columns > columns[places[-1]]] = wide[places[-1]]
    return estimated + put_right, model.density(estimated + put_right, wide, joint)


def rules_out_more(model: ReadingModel, mean: FloatArray, covariance: FloatArray) -> bool:
    """True where readings are far off already, on the side that more resistance moves away from.

    A single slip may be one reading's excuse, so two must say so.
    """
    off = model.values - mean
    moved = mean - model.healthy_mean()
    away = (off * moved < 0.0) & (np.abs(off) > SURE * np.sqrt(np.diag(covariance)))
    return bool(away.sum() >= 2)


def means_at(model: ReadingModel, joint: int, column: int) -> FloatArray:
    """Readings with the joint at one resistance, shape (readings,)."""
    responses, means = model.responses, []
    for effect in model.effects:
        solution = responses.exact(responses.space.joints[joint].name, column, effect.taps.lit)
        means.append(read_at(solution, effect.taps.moved_to(solution.circuit)))
    return model.in_reading_order(means, axis=0)


def solve_at(model: ReadingModel, joint: int, column: int) -> tuple[FloatArray, FloatArray]:
    """Readings and their covariance with the joint at one resistance."""
    responses = model.responses
    name = responses.space.joints[joint].name
    model.take(joint, column)
    means, parts, leads, unsure = [], [], [], []
    for effect in model.effects:
        solution = responses.exact(name, column, effect.taps.lit)
        taps = effect.taps.moved_to(solution.circuit)
        means.append(read_at(solution, taps))
        parts.append(model.spread_at(solution, taps, model.given | {name}))
        leads.append(island_leads(solution.circuit, taps.readings))
        unsure.append(half_of_data_lost(responses, solution, taps))
    mean = model.in_reading_order(means, axis=0)
    covariance = model.covariance(model.joined_spreads(parts), mean)
    covariance -= model.islands  # those of what is given are among these
    if any(each.any() for each in leads):
        rows = [effect.taps.rows for effect in model.effects]
        covariance += island_covariance(leads, rows, float(responses.circuit.supply_v.max()))
    either = model.in_reading_order(unsure, axis=0)
    mean = mean + either
    covariance += np.outer(either, either)
    on_any = [np.abs(each).sum(axis=1) for each in leads]
    loose = np.flatnonzero(model.in_reading_order(on_any, axis=0))
    model.floating[joint, column] = tuple(loose.tolist())
    return mean, covariance
