"""Pass or fail of one strand."""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class Verdict:
    """What a person decided after looking at one strand."""

    strand: int
    passed: bool
