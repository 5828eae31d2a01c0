"""Targets of `--to`, and the driver for each."""

from __future__ import annotations

import re
from dataclasses import dataclass
from typing import Literal

from benchtest.drive.driver import Driver
from benchtest.drive.e131.driver import E131Driver, SourceSettings
from benchtest.drive.e131.udp import E131_PORT, format_target
from benchtest.errors import DriveFault, InputError, did_you_mean
from benchtest.prop.design import Design

_KINDS = ("e131", "serial", "virtual")


@dataclass(frozen=True, slots=True)
class Target:
    """Destination of frames, as `--to` names it."""

    kind: Literal["e131", "serial", "virtual"]
    host: str | None = None
    """Name or address for unicast; None for multicast."""
    port: int = E131_PORT
    device: str | None = None

    def __str__(self) -> str:
        if self.kind == "serial":
            return f"serial:{self.device}"
        return format_target(self.host, self.port) if self.kind == "e131" else self.kind


_HOST = re.compile(
    r"^(?:\[(?P<six>[0-9A-Fa-f:.]+(?:%[\w.-]+)?)\]|(?P<host>[A-Za-z0-9._-]+))(?::(?P<port>\d{1,5}))?$",
    re.ASCII,
)


def parse_target(text: str) -> Target:
    """Parse `e131`, `e131:HOST`, `e131:HOST:PORT`, `serial:DEVICE` or `virtual`.

    Raises:
        InputError: the text has no such form; for `serial` alone the message lists the ports.

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

        raise InputError(f"--to {text}: no port given; write serial:DEVICE; {describe_ports()}")
    if kind == "e131" and not colon:
        return Target("e131")
    if kind == "e131" and (found := _HOST.match(rest)):
        port = int(found["port"]) if found["port"] else E131_PORT
        if 1 <= port <= 65535:
            return Target("e131", found["six"] or found["host"], port)
    if kind == "e131" and rest.count(":") > 1:
        raise InputError(
            f'--to "{text[:60]}": write e131:HOST with an IPv6 address in brackets, as in [::1]'
        )
    raise InputError(
        f'--to "{text[:60]}": write e131 (multicast), e131:HOST, serial:DEVICE or virtual'
        + did_you_mean(kind, _KINDS)
    )


def driver_for(target: Target, design: Design, source: SourceSettings) -> Driver:
    """Return the driver that reaches a target, not yet opened.

    Raises:
        DriveFault: no driver reaches a virtual prop by name alone.
        InputError: the source's name or priority is outside the standard's limits.
    """
    if target.kind == "e131":
        return E131Driver(design, source, target.host, target.port)
    if target.device is not None:
        if len(design.outputs) > 1:
            raise InputError(
                f"{target}: {design.name} has {len(design.outputs)} outputs, a bridge drives one "
                "data line; give the prop file one output, or use e131"
            )
        from benchtest.drive.bridge.driver import BridgeDriver  # pyserial only where it is needed

        return BridgeDriver(design, target.device)
    raise DriveFault("virtual: start a simulation and give its address, as `benchtest demo` does")
