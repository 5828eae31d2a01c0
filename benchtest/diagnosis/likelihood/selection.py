"""Selection of the readings for one finding where there are more than it can use.

Readings that repeat an identical display are left out first. The cost of the likelihood grows with
the cube of the number of readings, and their information soon saturates. A table of hundreds is
therefore reduced once, at a cost linear in its length: first to the readings that move most under
the joints that explain most of the table, then to readings with independent effects of other
joints. A reading that disagrees with all others is selected only by its effects, never for its
disagreement.
"""

from __future__ import annotations

from collections import Counter, defaultdict
from collections.abc import Sequence
from dataclasses import replace

import numpy as np

from benchtest.circuit.netlist import FloatArray
from benchtest.diagnosis.likelihood.readings import ReadingLikelihood
from benchtest.diagnosis.model.fault_response import GRID_SIZE, OPEN_COLUMN, DesignResponse
from benchtest.diagnosis.thresholds import (
    MAX_COMPARED_READINGS,
    MAX_IDENTICAL_READINGS,
    MAX_PROBE_READINGS,
    MAX_READINGS,
    MAX_SELECTION_JOINTS,
    MAX_SUSPECT_READINGS,
    MAX_UNEXPLAINED_SHARE,
)
from benchtest.evidence.meter import Meter
from benchtest.evidence.readings import Reading

STEP = 12
"""Grid steps between the resistances at which joints are tried: a factor of 2."""


def most_informative(
    responses: DesignResponse, readings: Sequence[Reading], meter: Meter
) -> list[int]:
    """Return the indices of the readings to use, ascending.

    Args:
        responses: the prop without faults.
        readings: without duplicates, see `duplicates.drop_duplicates`.
        meter: of readings that name none.
    """
    if len(readings) <= MAX_READINGS:
        return list(range(len(readings)))
    indices = _without_repeats(readings)[-MAX_COMPARED_READINGS:]
    if len(indices) <= MAX_READINGS:
        return indices
    from scipy.linalg import qr  # takes long to load, and few tables are this long

    likelihood = ReadingLikelihood(responses, [readings[index] for index in indices], meter)
    shift = _shifts(likelihood)
    sd = np.sqrt(np.diag(likelihood.healthy_covariance))
    chosen = _for_suspects(likelihood, shift, sd)
    scaled = shift[:, -1] / np.sqrt(np.diag(likelihood.reading_errors(likelihood.healthy_mean())))
    # pivoted QR: each next reading has the largest effect not spanned by those before
    _, _, order = qr(np.round(scaled, 9), mode="economic", pivoting=True)
    for index in order.tolist():
        if len(chosen) == MAX_READINGS:
            break
        chosen.setdefault(index)
    return sorted(indices[index] for index in chosen)


def _without_repeats(readings: Sequence[Reading]) -> list[int]:
    """Return the indices of the last few readings of each probe under each lit set, ascending."""
    count: Counter[tuple[object, ...]] = Counter()
    found = []
    for index in range(len(readings) - 1, -1, -1):
        reading = readings[index]
        key = (reading.lit, reading.probe, reading.volts is None, reading.meter)
        if count[key] < MAX_PROBE_READINGS:
            count[key] += 1
            found.append(index)
    return found[::-1]


def _shifts(likelihood: ReadingLikelihood) -> FloatArray:
    """Return the change of the readings by each joint, shape (joints, resistances, readings). [V]

    Each joint is tried at a few resistances of the grid, and open.
    """
    columns = np.append(np.arange(STEP // 2, GRID_SIZE, STEP), OPEN_COLUMN)
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
    """Return the readings that move most under the joints that explain most readings.

    The score of a joint at a resistance is `-Σ log(1 + residual² / variance)`, that of a Cauchy
    distribution: readings that it does not explain count little.
    """
    off = likelihood.values - likelihood.healthy_mean()
    variance = sd**2 + (MAX_UNEXPLAINED_SHARE * off) ** 2
    score = -np.log1p((off - shift) ** 2 / variance).sum(axis=-1)
    best = np.argsort(-np.round(score.max(axis=1), 6), kind="stable")[:MAX_SELECTION_JOINTS]
    moved = [np.abs(shift[joint, score[joint].argmax()]) / sd for joint in best.tolist()]
    orders = [np.argsort(-np.round(row, 6), kind="stable").tolist() for row in moved]
    chosen: dict[int, None] = {}
    for rank in zip(*orders, strict=True):
        for index in rank:
            if len(chosen) < MAX_SUSPECT_READINGS:
                chosen.setdefault(index)
    return chosen


def without_duplicates(readings: Sequence[Reading]) -> list[Reading]:
    """Return the readings without repeated duplicates, in their order; see `drop_duplicates`."""
    return [readings[index] for index in drop_duplicates(readings)[0]]


def drop_duplicates(readings: Sequence[Reading]) -> tuple[list[int], list[int]]:
    """Drop a reading once `MAX_IDENTICAL_READINGS` identical ones exist.

    A dropped reading is mapped to the last one kept. Readings are identical with the same value,
    lit set, meter and probe.

    Returns:
        Indices of the kept readings among `readings`, ascending, and for each reading the index, in
        that list, of itself or of the reading it repeats.
    """
    seen: defaultdict[Reading, list[int]] = defaultdict(list)
    kept: list[int] = []
    kept_for: list[int] = []
    for index, reading in enumerate(readings):
        identical = seen[replace(reading, at=None)]
        if len(identical) < MAX_IDENTICAL_READINGS:
            identical.append(len(kept))
            kept.append(index)
        kept_for.append(identical[-1])
    return kept, kept_for
