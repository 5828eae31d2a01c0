"""The interface of every driver: open, show, status, close."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Protocol

if TYPE_CHECKING:
    from benchtest.drive.e131.other_sources import OtherSource
    from benchtest.drive.universe_layout import Frame


KEEP_ALIVE_INTERVAL_S = 0.81
"""Usual interval of frames at rest: within 800 to 1000 ms (ANSI E1.31-2018, 6.6.2), and with two
lost in a row still within the 2.5 s after which a receiver gives up. [s] A shorter one is outside
the standard's interval, which bounds the load of a network: it is the user's choice, for networks
that lose more.
"""
MAX_FRAMES_PER_S = 40.0
"""Frames per second while the light changes, unless the user wants fewer. [1/s]"""


@dataclass(frozen=True, slots=True)
class DriverInfo:
    """Properties of an opened driver."""

    where: str
    """Address and extent in words, for a status line."""
    universes: int
    max_fps: float
    unusual: str = ""
    """Settings that are not the usual ones, in words; empty without any."""

    def __str__(self) -> str:
        return f"{self.where}, {self.unusual}" if self.unusual else self.where


@dataclass(frozen=True, slots=True)
class DriveStatus:
    """State of a driver, for a status line; a snapshot that never changes."""

    frames: int = 0
    packets: int = 0
    errors: int = 0
    trouble: str | None = None
    """Reason that packets cannot go out now; None while they go."""
    refused: str | None = None
    """Recent report of the network that packets did not arrive; None without one."""
    other_sources: tuple[OtherSource, ...] = ()
    """Other sources that send to the prop."""
    listen_error: str | None = None
    """Reason that other sources cannot be received; None while they can."""


class Driver(Protocol):
    """A way to send frames to a prop. It handles nodes and channels, never patterns."""

    @property
    def sent_s(self) -> float:
        """Time when the last packet of a frame had left. [s, monotonic]

        Negative infinity before the first, and where the driver keeps the pace itself.
        """
        ...

    def open(self) -> DriverInfo:
        """Get ready to send.

        Raises:
            DriveFault: the prop cannot be reached; the text contains the remedy.
        """
        ...

    def prepare(self, frame: Frame) -> None:
        """Work out the packets of the frame that is probably shown next: only sending is then left.

        A driver with a queue of its own has nothing to do.

        Args:
            frame: shape (nodes, colours), prop order; it does not change any more.
        """
        ...

    def show(self, frame: Frame) -> None:
        """Send one frame, shape (nodes, colours), prop order."""
        ...

    def status(self) -> DriveStatus:
        """Return the state of the driver."""
        ...

    def close(self) -> None:
        """Send a dark frame, end the stream and release the connection; may be called again."""
        ...
