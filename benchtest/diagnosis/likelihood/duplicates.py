"""Readings that repeat an identical display."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Sequence
from dataclasses import replace

from benchtest.diagnosis.thresholds import MAX_IDENTICAL_READINGS
from benchtest.evidence.readings import Reading


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
