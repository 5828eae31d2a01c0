"""Faults that starve nodes of volts: there the circuit is solved anew, at a few resistances.

A strand whose nodes run out of headroom draws less, so its joint drops less than a straight line
says. Between the resistances that are solved, readings change smoothly with the logarithm of the
resistance. Where the evidence rules a resistance out and all above it, none is solved above it.

Where a whole prop is short of volts, every joint starves some nodes: the finding's budget bounds
what is solved. Other faults keep their estimate, with a larger variance.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from benchtest.circuit.netlist import FloatArray
from benchtest.circuit.node_loads import node_loads
from benchtest.circuit.solution import Solution
from benchtest.circuit.tolerance import sensitivities
from benchtest.diagnosis.likelihood.measurement import (
    Taps,
    island_covariance,
    island_leads,
    read_at,
)
from benchtest.diagnosis.model.fault_response import GRID, DesignResponse
from benchtest.diagnosis.model.node_variation import headroom_sd_v
from benchtest.prop.lit_set import LitSet

if TYPE_CHECKING:
    from benchtest.diagnosis.likelihood.readings import ReadingLikelihood
    from benchtest.diagnosis.tap_effects import TapEffects

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
CURVED_SHARE = 0.15
"""Of what node current and the nodes' law do to a reading of a starved prop, how much is not known:
sums of tolerances take curves for straight lines. Ours, from units built at random."""
NEAR_SD = 3.0
"""Nodes within so many standard deviations of their headroom may well be without."""
BROWN_V = 0.6
"""Logic stops somewhere from a kind's `logic_v` to this much above: 2.7 to 3.3 V, from memory."""
BROWN_SD_V = 1.2
"""What rails may read while nodes go out for want of volts and come back. [V] Ours."""
SURE = 10.0
"""Standard deviations past which a reading rules a fault out for good."""


def nonlinearity_sd(
    responses: DesignResponse, lit: LitSet, value: FloatArray, moved: Callable[[], FloatArray]
) -> FloatArray:
    """What a lit set under which a sound prop is starved leaves open of its readings.

    Args:
        responses: the design, with nothing given or something.
        lit: strands lit.
        value: the readings expected, shape (readings,).
        moved: tells what one standard deviation of node current and of each cause of the nodes' law
            does to each reading, shape (causes, readings).

    Returns:
        One standard deviation of each by itself, shape (readings,); 0 where nothing is starved.
    """
    sound = responses.near or responses
    solution, kind = sound.solution(lit), responses.design.node
    lit_v = solution.node_v[solution.duty.any(axis=1)].min(initial=np.inf)
    near_v = NEAR_SD * headroom_sd_v(kind)
    found = np.zeros(len(value))
    if near_v and lit_v < max(kind.full_v.values()) + near_v:
        found = CURVED_SHARE * np.sqrt((moved() ** 2).sum(axis=0))
    if solution.node_v.min() < kind.logic_v + BROWN_V:
        return np.maximum(np.maximum(BROWN_SD_V, np.abs(value)), found)
    return found


def nonlinear_rows(
    likelihood: ReadingLikelihood,
    joint: int,
    columns: NDArray[np.intp],
    mean: FloatArray,
    weight: FloatArray,
    most_units: float,
) -> None:
    """Fill in predicted readings and likelihood of a joint where it starves nodes.

    Args:
        likelihood: readings and circuit.
        joint: its place in the fault space.
        columns: resistances that starve, ascending.
        mean: predicted readings, shape (COLUMNS, readings); rows of `columns` are filled in.
        weight: logarithm of likelihood, shape (COLUMNS,); likewise. Both have the estimate, which
            stays where no more may be solved.
        most_units: what this joint may use of the budget.
    """
    resistive = columns[columns < GRID]
    few = likelihood.responses.is_large
    knots = _knots(resistive, weight, few=few)
    asked = [*knots, *columns[columns == GRID].tolist()]
    if not few and len(asked) * likelihood.solve_units > most_units:
        few, knots = True, _knots(resistive, weight, few=True)
        asked = [*knots, *columns[columns == GRID].tolist()]
    if len(asked) * likelihood.solve_units > most_units or not likelihood.may_solve(joint, asked):
        likelihood.estimated.add(joint)
        return
    ended = len(resistive) > 0 and _resistive(
        likelihood, joint, resistive, knots, mean, weight, few=few
    )
    if len(columns) > len(resistive):
        if ended:
            mean[GRID], weight[GRID] = mean[resistive[-1]], weight[resistive[-1]]
            return
        mean[GRID], covariance = solve_at(likelihood, joint, GRID)
        weight[GRID] = likelihood.density(mean[GRID], covariance, joint)


def estimated_rows(
    likelihood: ReadingLikelihood, joint: int, columns: NDArray[np.intp]
) -> tuple[FloatArray, FloatArray]:
    """Readings and likelihood of a joint where it starves nodes, by estimate.

    Args:
        likelihood: readings and circuit.
        joint: its place in the fault space.
        columns: places in the grid that starve.

    Returns:
        Shape (columns, readings), and (columns,).
    """
    guess, wide = estimate(likelihood, joint, columns)
    return guess, likelihood.density(guess, wide, joint)


def estimate(
    likelihood: ReadingLikelihood, joint: int, columns: NDArray[np.intp]
) -> tuple[FloatArray, FloatArray]:
    """Readings of a joint where it starves nodes, and their covariance, as wide as a guess is.

    Returns:
        Shape (columns, readings), and (columns, readings, readings).
    """
    row = likelihood.responses.joint_columns[joint]
    parts = [
        e.capped_compensating_a[joint, columns][:, None] * e.branch[row] for e in likelihood.effects
    ]
    unsure = [_beyond(e, joint, columns)[:, None] * e.branch[row] for e in likelihood.effects]
    moved = likelihood.in_reading_order(parts, axis=1)
    guess = likelihood.healthy_mean() + moved
    off = GUESS_SHARE * likelihood.in_reading_order(unsure, axis=1)
    # the node current that all share scales what the fault moves, too
    sound = likelihood.tolerances.current * likelihood.loaded
    faulty = sound + likelihood.tolerances.current * moved
    wide = likelihood.healthy_covariance - np.outer(sound, sound)
    wide = wide + faulty[:, :, None] * faulty[:, None, :]
    # readings of one lit set are off together: their nodes draw less than was taken
    alike = likelihood.lit_of[:, None] == likelihood.lit_of
    wide += np.where(alike, off[:, :, None] * off[:, None, :], 0.0)
    own = np.arange(guess.shape[1])
    wide[:, own, own] += (OWN_SHARE * off) ** 2
    is_open = columns == GRID
    if is_open.any() and any(effect.base.cut[joint, GRID] for effect in likelihood.effects):
        half = 0.5 * likelihood.dark_from(joint)  # see `half_of_data_lost`
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
    likelihood: ReadingLikelihood,
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
        solved[knot] = solve_at(likelihood, joint, knot)
        if ended := rules_out_more(likelihood, *solved[knot]):
            break
    estimated = mean[columns]
    if not few:
        mean[columns], wide = _interpolated(columns, solved)
        weight[columns] = likelihood.density(mean[columns], wide, joint)
        return ended
    for _ in range(MORE_KNOTS):
        _, found = _corrected(likelihood, joint, columns, solved, estimated)
        best = int(columns[found.argmax()])
        near = min(abs(best - knot) for knot in solved)
        if near <= NEAR_STEPS or not likelihood.may_solve(joint, [best]):
            break
        solved = dict(sorted([*solved.items(), (best, solve_at(likelihood, joint, best))]))
    mean[columns], found = _corrected(likelihood, joint, columns, solved, estimated)
    # a guess that is vague enough explains anything: it never beats what was worked out
    known = np.isin(columns, list(solved))
    found[~known] = np.minimum(found[~known], max(likelihood.best_here, *found[known]))
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
    likelihood: ReadingLikelihood,
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
    _, wide = estimate(likelihood, joint, columns)
    own = np.arange(off.shape[1])
    wide[:, own, own] += put_right**2
    for place, (_, covariance) in zip(places, solved.values(), strict=True):
        wide[place] = covariance
    wide[columns > columns[places[-1]]] = wide[places[-1]]
    return estimated + put_right, likelihood.density(estimated + put_right, wide, joint)


def rules_out_more(likelihood: ReadingLikelihood, mean: FloatArray, covariance: FloatArray) -> bool:
    """True where readings are far off already, on the side that more resistance moves away from.

    A single slip may be one reading's excuse, so two must say so.
    """
    off = likelihood.values - mean
    moved = mean - likelihood.healthy_mean()
    away = (off * moved < 0.0) & (np.abs(off) > SURE * np.sqrt(np.diag(covariance)))
    return bool(away.sum() >= 2)


def means_at(likelihood: ReadingLikelihood, joint: int, column: int) -> FloatArray:
    """Readings with the joint at one resistance, shape (readings,)."""
    responses, means = likelihood.responses, []
    for effect in likelihood.effects:
        solution = responses.exact(responses.space.joints[joint].name, column, effect.taps.lit)
        means.append(read_at(solution, effect.taps.moved_to(solution.circuit)))
    return likelihood.in_reading_order(means, axis=0)


def solve_at(
    likelihood: ReadingLikelihood, joint: int, column: int
) -> tuple[FloatArray, FloatArray]:
    """Readings and their covariance with the joint at one resistance."""
    responses = likelihood.responses
    name = responses.space.joints[joint].name
    likelihood.take(joint, column)
    means, parts, leads, unsure = [], [], [], []
    for effect in likelihood.effects:
        solution = responses.exact(name, column, effect.taps.lit)
        taps = effect.taps.moved_to(solution.circuit)
        means.append(read_at(solution, taps))
        parts.append(likelihood.spread_at(solution, taps, likelihood.given | {name}))
        leads.append(island_leads(solution.circuit, taps.readings))
        unsure.append(half_of_data_lost(responses, solution, taps))
    mean = likelihood.in_reading_order(means, axis=0)
    covariance = likelihood.covariance(likelihood.joined_spreads(parts), mean)
    covariance -= likelihood.islands  # those of what is given are among these
    if any(each.any() for each in leads):
        rows = [effect.taps.rows for effect in likelihood.effects]
        covariance += island_covariance(leads, rows, float(responses.circuit.supply_v.max()))
    either = likelihood.in_reading_order(unsure, axis=0)
    mean = mean + either
    covariance += np.outer(either, either)
    on_any = [np.abs(each).sum(axis=1) for each in leads]
    loose = np.flatnonzero(likelihood.in_reading_order(on_any, axis=0))
    likelihood.floating[joint, column] = tuple(loose.tolist())
    return mean, covariance


def half_of_data_lost(responses: DesignResponse, solution: Solution, taps: Taps) -> FloatArray:
    """Half of what readings move if data do, or do not, pass nodes that are dark for want of volts.

    Nobody knows: logic that is cut off may run on what its data line feeds it, and nodes that fell
    dark come back between two frames. Taken for the mean of the two, give or take as much, which
    all readings share.

    Returns:
        Shape (taps,); 0 where nothing lit comes after such nodes. [V, or A]
    """
    circuit, order = solution.circuit, responses.space.order
    stopped = circuit.cut_off | (responses.seen_v(taps.lit, solution) < circuit.design.node.logic_v)
    stops = np.flatnonzero(stopped[order])
    if not len(stops):
        return np.zeros(len(taps.rows))
    asked = responses.duty(taps.lit)
    after = np.zeros(len(order), dtype=bool)
    after[order[stops[0] :]] = True
    after &= asked.any(axis=1) & ~stopped
    if not after.any():
        return np.zeros(len(taps.rows))
    loaded = circuit.loaded
    volts, kind = solution.node_v[loaded], circuit.design.node
    lit_a = node_loads(kind, volts, asked[loaded]).node_a
    more_a = lit_a - node_loads(kind, volts, np.zeros_like(asked[loaded])).node_a
    more_a = np.where(after[loaded], more_a, 0.0)
    read = sensitivities(circuit, solution.factor, taps.columns, taps.per_supply)
    return np.asarray(-0.5 * more_a @ read.per_amp)
