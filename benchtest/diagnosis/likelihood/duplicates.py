"""Readings that say the same again."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Sequence
from dataclasses import replace

from benchtest.evidence.readings import Reading

MOST_ALIKE = 6
"""Times that the same display counts. A meter rounds the same volts the same way, so the tenth
tells nothing new; a table pasted into itself must make nobody surer, nor wait for minutes. Ours."""


def without_duplicates(readings: Sequence[Reading]) -> list[Reading]:
    """The readings that count, in their order; see `drop_duplicates`."""
    return [readings[place] for place in drop_duplicates(readings)[0]]


def drop_duplicates(readings: Sequence[Reading]) -> tuple[list[int], list[int]]:
    """Places of the readings that count, in their order, and for each reading the one it stands by.

    Those are left out that show what was shown `MOST_ALIKE` times before, under the same lit set,
    with the same meter and at the same probe; they stand by the last of these.

    Returns:
        Places among `readings`, and for every reading a place in that list.
    """
    seen: defaultdict[Reading, list[int]] = defaultdict(list)
    kept: list[int] = []
    stands_by: list[int] = []
    for place, reading in enumerate(readings):
        alike = seen[replace(reading, at=None)]
        if len(alike) < MOST_ALIKE:
            alike.append(len(kept))
            kept.append(place)
        stands_by.append(alike[-1])
    return kept, stands_by
