"""Sources of readings that are not typed: a bench meter, a bridge's inputs, a virtual prop."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Protocol

from benchtest.evidence.meter import Meter
from benchtest.prop.design import Probe


@dataclass(frozen=True, slots=True)
class SourceReading:
    """A reading from a source."""

    volts: float
    meter: Meter | None = None
    """Accuracy of the source; None for the session's meter."""
    beyond: bool = False
    """True if the volts are the end of its range, and the true ones are further from 0."""


class ReadingSource(Protocol):
    """A device that reads volts. Any thread may call it; no call takes long."""

    @property
    def name(self) -> str:
        """Its name for messages and records."""
        ...

    def can_read(self, probe: Probe) -> bool:
        """Return whether it can read a probe; a meter reads wherever its leads are."""
        ...

    def read(self, probe: Probe) -> SourceReading:
        """Return the volts at a probe, now.

        Raises:
            BenchError: no reading; the message gives a remedy.
        """
        ...

    def sample(self, probe: Probe | None) -> SourceReading:
        """Return the volts that it shows next, steady or not.

        Args:
            probe: the place that is asked for; a meter reads wherever its leads are, and then it
                may be None.

        Raises:
            BenchError: no reading; the message gives a remedy.
        """
        ...

    def poll(self) -> str | None:
        """Check whether the device is present, and reconnect where it was not.

        Returns:
            A message about a change, each once; None without a change.
        """
        ...

    def close(self) -> None:
        """Release the device. A second call has no effect."""
        ...
