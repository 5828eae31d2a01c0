"""What every way of reaching a prop has in common, and how `--to` names one."""

from __future__ import annotations

import re
from dataclasses import dataclass
from typing import TYPE_CHECKING, Literal, Protocol

from benchtest.errors import InputError, did_you_mean

if TYPE_CHECKING:
    from benchtest.drive.e131.other_sources import OtherSource
    from benchtest.drive.universe_layout import Frame

E131_PORT = 5568
"""ACN_SDT_MULTICAST_PORT. Source: ANSI E1.31-2018, clause 9.1.1."""

_KINDS = ("e131", "serial", "virtual")


@dataclass(frozen=True, slots=True)
class Target:
    """Where frames go, as `--to` says it."""

    kind: Literal["e131", "serial", "virtual"]
    host: str | None = None
    """Address for unicast; None for multicast."""
    port: int = E131_PORT
    device: str | None = None

    def __str__(self) -> str:
        if self.kind == "serial":
            return f"serial:{self.device}"
        if self.host is None:
            return self.kind
        host = f"[{self.host}]" if ":" in self.host else self.host
        return f"e131:{host}" + (f":{self.port}" if self.port != E131_PORT else "")


_HOST = re.compile(
    r"^(?:\[(?P<six>[0-9A-Fa-f:.]+(?:%[\w.-]+)?)\]|(?P<host>[A-Za-z0-9._-]+))(?::(?P<port>\d{1,5}))?$",
    re.ASCII,
)


def parse_target(text: str) -> Target:
    """Read `e131`, `e131:HOST`, `e131:HOST:PORT`, `serial:DEVICE` or `virtual`.

    Raises:
        InputError: it is none of these; `serial` alone is answered with the ports there are.

    >>> parse_target("e131:192.0.2.7")
    Target(kind='e131', host='192.0.2.7', port=5568, device=None)
    """
    kind, colon, rest = text.partition(":")
    if kind == "virtual" and not colon:
        return Target("virtual")
    if kind == "serial" and rest:
        return Target("serial", device=rest)
    if kind == "serial":
        from benchtest.drive.serial_ports import describe_ports

        raise InputError(f"--to {text}: which port? Write serial:DEVICE; {describe_ports()}")
    if kind == "e131" and not colon:
        return Target("e131")
    if kind == "e131" and (found := _HOST.match(rest)):
        port = int(found["port"]) if found["port"] else E131_PORT
        if 1 <= port <= 65535:
            return Target("e131", found["six"] or found["host"], port)
    if kind == "e131" and rest.count(":") > 1:
        raise InputError(f'--to "{text[:60]}": write e131:HOST, an IPv6 address in brackets')
    raise InputError(
        f'--to "{text[:60]}": write e131 (multicast), e131:HOST, serial:DEVICE or virtual'
        + did_you_mean(kind, _KINDS)
    )


@dataclass(frozen=True, slots=True)
class DriverInfo:
    """What opening a driver tells."""

    where: str
    """In words for a status line."""
    universes: int
    max_fps: float


@dataclass(frozen=True, slots=True)
class DriveStatus:
    """How driving goes, for a status line. A snapshot: it never changes."""

    frames: int = 0
    packets: int = 0
    errors: int = 0
    trouble: str | None = None
    """What keeps packets from going out just now; None while they go."""
    refused: str | None = None
    """What the network said of packets that did go out; None where it said nothing of late."""
    other_sources: tuple[OtherSource, ...] = ()
    """Who else sends to the prop."""
    listen_error: str | None = None
    """Why others cannot be heard; None where they can."""


class Driver(Protocol):
    """Somewhere that frames go. It knows nodes and channels, never patterns."""

    def open(self) -> DriverInfo:
        """Make ready to send.

        Raises:
            DriveFault: it cannot be reached, and what to do.
        """
        ...

    def show(self, frame: Frame) -> None:
        """Send one frame, shape (nodes, colours), prop order."""
        ...

    def status(self) -> DriveStatus:
        """How it goes."""
        ...

    def close(self) -> None:
        """Send a dark frame, end the stream, and let go. May be called again."""
        ...
