"""Readings that a finding weighs where there are more than it can weigh.

The cost of weighing grows with the cube of their number, and what they add soon saturates. A table
of hundreds is therefore reduced once, at a cost linear in its length: first to readings that move
most under the joints that explain most of the table, then to readings that move most under joints
which those leave alone. A reading that disagrees with all others is kept only by its effects, never
for its disagreement.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Sequence

import numpy as np
from scipy.linalg import qr

from benchtest.circuit.netlist import FloatArray
from benchtest.diagnosis.likelihood.measurement import noise_of, taps_of, values_of
from benchtest.diagnosis.likelihood.readings import ReadingLikelihood
from benchtest.diagnosis.model.fault_response import GRID, DesignResponse
from benchtest.evidence.meter import Meter
from benchtest.evidence.readings import Reading

MOST_WEIGHED = 40
"""Readings that one finding weighs. Ours: a session that plans its readings asks for fewer."""
MOST_COMPARED = 400
"""Readings that are compared for it; of more, the last ones. Ours."""
SUSPECTS = 4
"""Joints that explain most, whose readings come first."""
FOR_SUSPECTS = 20
"""Readings kept for those."""
APART = 12
"""Steps of the grid between the resistances that joints are tried at: a factor of 2."""
EXPLAINED = 0.2
"""Share of what a reading moved by which an explanation may miss it; see `partial_explanations`."""
SAME_AGAIN = 2
"""Readings of one probe under one lit set that are kept at most."""


def most_informative(
    responses: DesignResponse, readings: Sequence[Reading], meter: Meter
) -> list[int]:
    """Return the places of the readings to weigh, in their order.

    Args:
        responses: the prop without faults.
        readings: without those that repeat a display too often, see `repeats.drop_duplicates`.
        meter: of readings that name none.
    """
    if len(readings) <= MOST_WEIGHED:
        return list(range(len(readings)))
    places = _without_repeats(readings)[-MOST_COMPARED:]
    if len(places) <= MOST_WEIGHED:
        return places
    some = [readings[place] for place in places]
    likelihood = ReadingLikelihood(
        responses, taps_of(responses.circuit, some), values_of(some), noise_of(some, meter)
    )
    shift = _shifts(likelihood)
    sd = np.sqrt(np.diag(likelihood.healthy_covariance))
    chosen = _for_suspects(likelihood, shift, sd)
    own = shift[:, -1] / np.sqrt(np.diag(likelihood.reading_errors(likelihood.healthy_mean())))
    # unlike effects first: each further one is what the ones before leave of it
    _, _, order = qr(np.round(own, 9), mode="economic", pivoting=True)
    for place in order.tolist():
        if len(chosen) == MOST_WEIGHED:
            break
        chosen.setdefault(place)
    return sorted(places[place] for place in chosen)


def _without_repeats(readings: Sequence[Reading]) -> list[int]:
    """Return the places of the last few readings of each probe under each lit set."""
    taken: Counter[tuple[object, ...]] = Counter()
    found = []
    for place in range(len(readings) - 1, -1, -1):
        one = readings[place]
        key = (one.lit, one.probe, one.volts is None, one.meter)
        if taken[key] < SAME_AGAIN:
            taken[key] += 1
            found.append(place)
    return found[::-1]


def _shifts(likelihood: ReadingLikelihood) -> FloatArray:
    """Return what each joint moves at a few resistances, (joints, resistances, readings)."""
    columns = np.append(np.arange(APART // 2, GRID, APART), GRID)
    rows = likelihood.responses.joint_columns
    branch = likelihood.in_reading_order(
        [effect.branch[rows] for effect in likelihood.effects], axis=1
    )
    compensating_a = np.array(
        [effect.capped_compensating_a[:, columns] for effect in likelihood.effects]
    )
    return np.asarray(np.moveaxis(compensating_a[likelihood.lit_of], 0, -1) * branch[:, None, :])


def _for_suspects(
    likelihood: ReadingLikelihood, shift: FloatArray, sd: FloatArray
) -> dict[int, None]:
    """Return the readings that move most under the joints that explain most readings."""
    off = likelihood.values - likelihood.healthy_mean()
    variance = sd**2 + (EXPLAINED * off) ** 2
    score = -np.log1p((off - shift) ** 2 / variance).sum(axis=-1)
    best = np.argsort(-np.round(score.max(axis=1), 6), kind="stable")[:SUSPECTS]
    moved = [np.abs(shift[joint, score[joint].argmax()]) / sd for joint in best.tolist()]
    orders = [np.argsort(-np.round(row, 6), kind="stable").tolist() for row in moved]
    chosen: dict[int, None] = {}
    for turn in zip(*orders, strict=True):
        for place in turn:
            if len(chosen) < FOR_SUSPECTS:
                chosen.setdefault(place)
    return chosen
