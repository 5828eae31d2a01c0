"""Sources of readings on a command line: `scpi:DEVICE`, `serial:DEVICE`, pins."""

from __future__ import annotations

import re
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from typing import Literal

from benchtest.errors import InputError, did_you_mean

_SCPI = re.compile(r"^(?P<device>.+?)(?:@(?P<baud>\d{3,7}))?$", re.ASCII)
_PIN = re.compile(r"^\s*(\d{1,3})\s*=\s*(\S.*?)\s*$", re.ASCII)
_MIN_BAUD, _MAX_BAUD = 300, 4_000_000
_EXCLUDED_BAUD = 1200
"""Rate that starts the boot loader of some boards when a port is opened at it; common practice."""


@dataclass(frozen=True, slots=True)
class SourceSpec:
    """A source of readings."""

    kind: Literal["scpi", "serial"]
    device: str
    baud: int | None = None
    """Baud rate of a meter; None for the default."""

    def __str__(self) -> str:
        return f"{self.kind}:{self.device}" + (f"@{self.baud}" if self.baud else "")


def parse_source(text: str, option: str = "--readings-from") -> SourceSpec:
    """Parse `scpi:DEVICE`, `scpi:DEVICE@BAUD` or `serial:DEVICE`.

    Raises:
        InputError: the text has no such form; for a kind alone the message lists the ports.

    >>> parse_source("scpi:/dev/ttyUSB0@19200").baud
    19200
    """
    kind, _, rest = text.partition(":")
    if kind not in ("scpi", "serial"):
        raise InputError(
            f'{option} "{text[:60]}": write scpi:DEVICE for a bench meter, or serial:DEVICE for '
            f"a USB bridge{did_you_mean(kind, ('scpi', 'serial'))}"
        )
    if not rest:
        from benchtest.drive.serial_ports import describe_ports

        raise InputError(f"{option} {text}: no port given; write {kind}:DEVICE; {describe_ports()}")
    if kind == "serial":
        return SourceSpec("serial", rest)
    found = _SCPI.match(rest)
    assert found is not None
    baud = int(found["baud"]) if found["baud"] else None
    if baud is not None and not (_MIN_BAUD <= baud <= _MAX_BAUD and baud != _EXCLUDED_BAUD):
        raise InputError(f"{option} {text[:60]}: {baud} baud; give {_MIN_BAUD} to {_MAX_BAUD}, "
                         f"but {_EXCLUDED_BAUD}")  # fmt: skip
    return SourceSpec("scpi", found["device"], baud)


def parse_pins(texts: Iterable[str]) -> Sequence[tuple[int, str]]:
    """Parse `0=foot:4`: the probe at which each analog input of a bridge is connected.

    Raises:
        InputError: a text has another form, or an input occurs twice.

    >>> parse_pins(["0=foot:4", "1=12B"])
    [(0, 'foot:4'), (1, '12B')]
    """
    pins: dict[int, str] = {}
    for text in texts:
        if not (found := _PIN.match(text)):
            raise InputError(
                f'--pin "{text[:40]}": write an analog input and its probe, such as --pin 0=foot:4'
            )
        pin = int(found[1])
        if pin in pins:
            raise InputError(f"--pin {text[:40]}: input {pin} is already at {pins[pin]}")
        pins[pin] = found[2]
    return list(pins.items())
