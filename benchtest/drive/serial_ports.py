"""Serial ports of this machine, and a board's port after it was plugged in again."""

from __future__ import annotations

import errno
import os
from dataclasses import dataclass

from serial import SerialException
from serial.tools.list_ports import comports

from benchtest.drive.serial_permissions import permission_remedy, port_permission


@dataclass(frozen=True, slots=True)
class SerialPort:
    """One port, by the system's name."""

    device: str
    description: str
    usb: tuple[int, int, str | None] | None
    """Vendor, product and serial number of a USB device; None for another port."""

    def __str__(self) -> str:
        return f"{self.device} ({self.description})" if self.description else self.device


def serial_ports() -> list[SerialPort]:
    """Return the ports, USB first; opens none of them."""
    found = [
        SerialPort(
            port.device,
            "" if port.description in (None, "n/a") else port.description,
            None if port.vid is None else (port.vid, port.pid or 0, port.serial_number),
        )
        for port in comports()
    ]
    return sorted(found, key=lambda port: (port.usb is None, port.device))


def describe_ports() -> str:
    """Return the possible values after `serial:`, for a message."""
    ports = serial_ports()
    if not ports:
        return "this machine has no serial port now; plug the bridge in"
    return "serial ports here: " + ", ".join(str(port) for port in ports)


def find_port(device: str) -> SerialPort | None:
    """Return the listed port behind a name or a link; None if the system lists none."""
    real = os.path.realpath(device)
    return next((port for port in serial_ports() if os.path.realpath(port.device) == real), None)


def current_device(device: str, was: SerialPort | None) -> str | None:
    """Return the name of a board's port now; None while the board is absent.

    The system may give a board another name when it is plugged in again, and its old name to
    another board; USB devices are matched by their numbers.
    """
    if was is None or was.usb is None:
        return device if os.path.exists(device) or os.name == "nt" else None
    same = [port.device for port in serial_ports() if port.usb == was.usb]
    if not same or was.device in same:
        return device if same else None
    return same[0]


def explain_open_failure(device: str, error: Exception) -> str:
    """Return the reason that a port cannot be opened, and the remedy."""
    code = getattr(error, "errno", None)
    if code == errno.ENOENT:
        return f"{device}: no such port; {describe_ports()}"
    if code in (errno.EACCES, errno.EPERM):
        do = (
            permission_remedy(device, port_permission(device))
            or "ask the administrator of this machine for access"
        )
        return f"{device}: you may not use this port; {do}"
    if code in (errno.EAGAIN, errno.EBUSY):
        return f"{device}: another program uses this port; close that program"
    reason = str(error) if isinstance(error, SerialException) else type(error).__name__
    return f"{device}: cannot be opened as a serial port ({reason}); {describe_ports()}"
