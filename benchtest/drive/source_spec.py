"""Sources of readings on a command line: `scpi:`, `handheld:` or `serial:`, and pins."""

from __future__ import annotations

import re
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from typing import Any, Literal

from benchtest.errors import InputError, did_you_mean

_LINE = re.compile(r"^(?P<device>.+?)(?:@(?P<settings>[^@/:]+))?$", re.ASCII)
_TCP = re.compile(r"^(?!COM\d)(?:[A-Za-z0-9._-]+|\[[0-9A-Fa-f:.]+\]):\d{1,5}$", re.ASCII)
_FRAMING = re.compile(r"^([78])([NEO])([12])$")
_PIN = re.compile(r"^\s*(\w{1,3})\s*=\s*(\S.*?)\s*$", re.ASCII)
_INPUT = re.compile(r"^(?:(\d{1,3})|([mv])(\d{1,2}))$", re.ASCII)
MONITORS, MONITOR_CHANNEL = 16, 0x80
"""Number of power monitors of a bridge, and the first input of theirs: each has one for millivolts,
its shunt input, and one for volts, its bus input."""
DEFAULT_BAUD = 9600
"""Factory setting of bench meters on RS-232; common practice. Meters with USB of their own ignore
it."""
_MIN_BAUD, _MAX_BAUD = 300, 4_000_000
_EXCLUDED_BAUD = 1200
"""Rate that starts the boot loader of some boards when a port is opened at it; common practice."""
_FLOW = {"dtr": "dsrdtr", "rts": "rtscts", "xon": "xonxoff"}
"""Handshakes of a serial line, and the options of pySerial for them."""

Kind = Literal["scpi", "handheld", "serial"]
KINDS: tuple[Kind, ...] = ("scpi", "handheld", "serial")


@dataclass(frozen=True, slots=True)
class LineSettings:
    """Settings of a serial line.

    >>> str(LineSettings(19200, "7E1")), str(LineSettings())
    ('19200,7E1', '9600')
    """

    baud: int = DEFAULT_BAUD
    framing: str = "8N1"
    """Data bits, parity and stop bits."""
    flow: str = ""
    """Handshake: `dtr`, `rts`, `xon`; empty for none."""

    def options(self) -> dict[str, Any]:
        """Return these settings as options of pySerial's `Serial`."""
        bits, parity, stops = tuple(self.framing)
        chosen: dict[str, Any] = {"baudrate": self.baud, "bytesize": int(bits)}
        chosen |= {"parity": parity, "stopbits": int(stops)}
        return chosen | ({_FLOW[self.flow]: True} if self.flow else {})

    def __str__(self) -> str:
        framing = "" if self.framing == "8N1" else self.framing
        return ",".join(part for part in (str(self.baud), framing, self.flow) if part)


@dataclass(frozen=True, slots=True)
class SourceSpec:
    """A source of readings."""

    kind: Kind
    device: str
    """Serial port; for a meter also `HOST:PORT`."""
    line: LineSettings | None = None
    """Settings of a bench meter's line; None for the usual ones."""

    def __str__(self) -> str:
        return f"{self.kind}:{self.device}" + (f"@{self.line}" if self.line else "")


def is_tcp(device: str) -> bool:
    """Return whether a device is `HOST:PORT`.

    >>> is_tcp("192.0.2.9:5025"), is_tcp("COM3"), is_tcp("/dev/ttyUSB0")
    (True, False, False)
    """
    return _TCP.match(device) is not None


def parse_source(text: str, option: str = "--readings-from") -> SourceSpec:
    """Parse a source of readings.

    Forms: `scpi:DEVICE`, `scpi:DEVICE@9600,7E1,dtr`, `scpi:HOST:5025`, `handheld:DEVICE`,
    `serial:DEVICE`.

    Raises:
        InputError: the text has no such form; for a kind alone the message lists the ports.

    >>> parse_source("scpi:/dev/ttyUSB0@19200,7E1").line
    LineSettings(baud=19200, framing='7E1', flow='')
    """
    name, _, rest = text.partition(":")
    kind = next((one for one in KINDS if one == name), None)
    if kind is None:
        raise InputError(
            f'{option} "{text[:60]}": write scpi:DEVICE for a bench meter, handheld:DEVICE for a '
            "hand-held meter with a data cable, or serial:DEVICE for a USB bridge"
            f"{did_you_mean(name, KINDS)}"
        )
    if not rest:
        from benchtest.drive.serial_ports import describe_ports

        raise InputError(f"{option} {text}: no port given; write {kind}:DEVICE; {describe_ports()}")
    if kind == "handheld":
        return SourceSpec(kind, rest)
    found = _LINE.match(rest)
    assert found is not None
    if found["settings"] is None:
        return SourceSpec(kind, rest)
    if is_tcp(found["device"]):
        raise InputError(
            f"{option} {text[:60]}: a meter on the network has no baud rate; write scpi:HOST:PORT"
        )
    where = f"{option} {text[:60]}"
    if kind == "serial":
        return SourceSpec(kind, found["device"], LineSettings(_bridge_baud(found, where)))
    return SourceSpec(kind, found["device"], _parse_line(found["settings"], where))


def split_bridge(text: str, option: str) -> tuple[str, int | None]:
    """Return the device and the rate of a bridge's `DEVICE` or `DEVICE@115200`.

    Raises:
        InputError: the rate is no number, or out of range.

    >>> split_bridge("/dev/ttyUSB0@115200", "--to"), split_bridge("COM3", "--to")
    (('/dev/ttyUSB0', 115200), ('COM3', None))
    """
    found = _LINE.match(text)
    if found is None or found["settings"] is None:
        return text, None
    return found["device"], _bridge_baud(found, f"{option} serial:{text[:60]}")


def _bridge_baud(found: re.Match[str], where: str) -> int:
    if not found["settings"].isdigit():
        raise InputError(f"{where}: write a bridge's rate as a number, such as @115200")
    return _parse_line(found["settings"], where).baud


def _parse_line(text: str, where: str) -> LineSettings:
    """Parse `9600`, `7E1`, `dtr`, each once, in any order, with commas between."""
    baud, framing, flow = DEFAULT_BAUD, "8N1", ""
    for part in text.split(","):
        if part.isdigit():
            baud = int(part)
        elif _FRAMING.match(part.upper()):
            framing = part.upper()
        elif part.lower() in _FLOW:
            flow = part.lower()
        else:
            raise InputError(
                f'{where}: "{part[:20]}" is no setting of a line; write a rate, 8N1 or another '
                "framing, and dtr, rts or xon for a handshake, such as @9600,7E1,dtr"
            )
    if not (_MIN_BAUD <= baud <= _MAX_BAUD and baud != _EXCLUDED_BAUD):
        raise InputError(
            f"{where}: {baud} baud; give {_MIN_BAUD} to {_MAX_BAUD}, but {_EXCLUDED_BAUD}"
        )
    return LineSettings(baud, framing, flow)


def parse_input(text: str) -> int | None:
    """Return the channel of a bridge's input; None if there is no such.

    An analog input is a number from 0; power monitor 0 to 15 has `m0` for millivolts and `v0` for
    volts.

    >>> parse_input("2"), parse_input("m0"), parse_input("v1"), parse_input("m16")
    (2, 128, 131, None)
    """
    found = _INPUT.match(text.strip().lower())
    if found is None:
        return None
    if found[1]:
        return int(found[1]) if int(found[1]) < MONITOR_CHANNEL else None
    monitor = int(found[3])
    return MONITOR_CHANNEL + 2 * monitor + (found[2] == "v") if monitor < MONITORS else None


def input_name(channel: int) -> str:
    """Return the name of an input: its number, or `m0` and `v0` of the first power monitor.

    >>> input_name(2), input_name(0x80), input_name(0x83)
    ('2', 'm0', 'v1')
    """
    if channel < MONITOR_CHANNEL:
        return str(channel)
    monitor, is_bus = divmod(channel - MONITOR_CHANNEL, 2)
    return f"{'v' if is_bus else 'm'}{monitor}"


def parse_pins(texts: Iterable[str]) -> Sequence[tuple[int, str]]:
    """Parse `0=foot:4`: the probe at which each input of a bridge is connected.

    Raises:
        InputError: a text has another form, or an input occurs twice.

    >>> parse_pins(["0=foot:4", "1=12B"])
    [(0, 'foot:4'), (1, '12B')]
    """
    pins: dict[int, str] = {}
    for text in texts:
        found = _PIN.match(text)
        pin = None if found is None else parse_input(found[1])
        if found is None or pin is None:
            raise InputError(
                f'--pin "{text[:40]}": write an input and its probe, such as --pin 0=foot:4, or '
                "m0 and v0 for the millivolts and volts of the first power monitor"
            )
        if pin in pins:
            raise InputError(f"--pin {text[:40]}: input {found[1]} is already at {pins[pin]}")
        pins[pin] = found[2]
    return list(pins.items())
