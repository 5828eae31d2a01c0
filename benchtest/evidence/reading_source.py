"""Where readings come from that nobody types: a bench meter, a bridge's inputs, a virtual prop."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Protocol

from benchtest.evidence.meter import Meter
from benchtest.prop.design import Probe


@dataclass(frozen=True, slots=True)
class SourceReading:
    """What a source gave at a probe."""

    volts: float
    meter: Meter | None = None
    """How well it reads; None for the session's meter."""


class ReadingSource(Protocol):
    """Something that reads volts. May be asked from any thread, and never for long."""

    @property
    def name(self) -> str:
        """What it is, for people and for the record."""
        ...

    def can_read(self, probe: Probe) -> bool:
        """Whether it can read there: a meter reads wherever its leads are."""
        ...

    def read(self, probe: Probe) -> SourceReading:
        """Volts at a probe, now.

        Raises:
            BenchError: it gives none, and what to do.
        """
        ...

    def look(self) -> str | None:
        """See whether it is there, and take it up again where it was gone.

        Returns:
            What is new, in words, each thing once; None where nothing is.
        """
        ...

    def close(self) -> None:
        """Let go of it. May be called again."""
        ...
