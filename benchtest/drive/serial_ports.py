"""Serial ports of this machine: their list, the permission to open one, and devices on them.

Listing opens no port: many boards restart when their port is opened.
"""

from __future__ import annotations

import errno
import os
import re
import threading
import time
from abc import ABC, abstractmethod
from dataclasses import dataclass

from serial import SerialException
from serial.tools.list_ports import comports

from benchtest.errors import DriveFault
from benchtest.operating_system import (
    PortPermission,
    device_may_exist,
    port_permission,
    system,
)

RECONNECT_INTERVAL_S = 5.0
"""Interval between two automatic attempts to reach a device whose port exists. [s]"""


def permission_remedy(device: str, rights: PortPermission) -> str | None:
    """Return the remedy for a port that may not be opened; None if it may."""
    if rights.may_open:
        return None
    if rights.group is None:
        return "ask the administrator of this machine for access to it"
    if rights.added_since_login:
        return f"you are in group {rights.group} now: log out and in again"
    if not rights.group_may_open or rights.group in ("root", "nogroup"):
        return f"only its owner may: sudo chgrp dialout {device} && sudo chmod g+rw {device}"
    return f"sudo usermod -aG {rights.group} $USER, then log out and in again"


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
    real = _real_name(device)
    return next((port for port in serial_ports() if _real_name(port.device) == real), None)


def _real_name(device: str) -> str:
    """Return the name behind a link, without the case of letters where a system ignores it."""
    return os.path.normcase(os.path.realpath(device))


def current_device(device: str, was: SerialPort | None) -> str | None:
    """Return the name of a board's port now; None while the board is absent.

    The system may give a board another name when it is plugged in again, and its old name to
    another board; USB devices are matched by their numbers.
    """
    if was is None or was.usb is None:
        return device if device_may_exist(device) else None
    same = [port.device for port in serial_ports() if port.usb == was.usb]
    if not same or was.device in same:
        return device if same else None
    return same[0]


def explain_open_failure(device: str, error: Exception) -> str:
    """Return the reason that a port cannot be opened, and the remedy."""
    code = getattr(error, "errno", None) or _windows_code(str(error))
    if code == errno.ENOENT:
        return f"{device}: no such port; {describe_ports()}"
    if code in (errno.EACCES, errno.EPERM):
        if system() == "windows":  # a COM port has no permissions: only one program may open it
            return f"{device}: another program uses this port; close that program"
        do = (
            permission_remedy(device, port_permission(device))
            or "ask the administrator of this machine for access"
        )
        return f"{device}: you may not use this port; {do}"
    if code in (errno.EAGAIN, errno.EBUSY):
        return f"{device}: another program uses this port; close that program"
    reason = str(error) if isinstance(error, SerialException) else type(error).__name__
    return f"{device}: cannot be opened as a serial port ({reason}); {describe_ports()}"


def _windows_code(text: str) -> int | None:
    """Return the error code in pyserial's text, which has no `errno` on Windows.

    >>> _windows_code("could not open port 'COM3': PermissionError(13, 'Access is denied.', 5)")
    13
    """
    found = re.search(r"Error\((\d+), ", text)
    return int(found[1]) if found else None


class ReportOnce:
    """State of a device as already reported, and the next message.

    >>> reports = ReportOnce()
    >>> reports.report_trouble("meter: is unplugged"), reports.report_trouble("meter: no such port")
    ('meter: is unplugged', None)
    >>> reports.report_ready("meter"), reports.report_ready("meter")
    ('meter is back', None)
    """

    def __init__(self) -> None:
        self._trouble: str | None = None
        self._met = False

    def report_trouble(self, words: str) -> str | None:
        """Return the message for an absent device; None if a first one was given already."""
        if self._trouble is not None:
            return None
        self.mark_reported(words)
        return words

    def mark_reported(self, words: str) -> None:
        """Record that the user has been given a message about the absence."""
        self._trouble, self._met = words, True

    def report_ready(self, name: str) -> str | None:
        """Return the message for a working device; None if that is known already."""
        before, self._trouble = self._trouble, None
        first, self._met = not self._met, True
        return f"{name} is back" if before is not None else f"{name} is ready" * first or None


class PluggedDevice(ABC):
    """A device that may be unplugged at any time, used by one thread at a time.

    Attributes:
        device: its port.
    """

    def __init__(self, device: str, reconnect_s: float = RECONNECT_INTERVAL_S) -> None:
        """Prepare the device; the first use opens the port.

        Args:
            device: its port.
            reconnect_s: interval between two automatic attempts to reach it. [s]
        """
        self.device = device
        self._reconnect_s = reconnect_s
        self._last_port: SerialPort | None = None
        self._tried_s = float("-inf")
        self._closed = False
        self._one_at_a_time = threading.Lock()
        self._reports = ReportOnce()

    @property
    @abstractmethod
    def name(self) -> str:
        """Its name for messages and records."""

    @property
    @abstractmethod
    def _is_open(self) -> bool:
        """True while its port is open."""

    @abstractmethod
    def _check(self) -> None:
        """Open the port if necessary, and check that the device is there; the lock is held.

        Raises:
            DriveFault: it is absent.
        """

    @abstractmethod
    def _close_port(self) -> None:
        """Close the port if it is open."""

    def poll(self) -> str | None:
        """Check that the device is connected; return a message if that has changed."""
        if not self._one_at_a_time.acquire(blocking=False):
            return None  # another thread is reading it
        try:
            if not self._is_open and time.monotonic() - self._tried_s < self._reconnect_s:
                return None
            self._check()
        except DriveFault as absent:
            return self._reports.report_trouble(str(absent))
        finally:
            self._one_at_a_time.release()
        return self._reports.report_ready(self.name)

    def close(self) -> None:
        """Close the port; may be called again."""
        self._closed = True  # ends a wait for an answer
        with self._one_at_a_time:
            self._close_port()

    def _unplugged(self) -> None:
        """Close the port of a device that is gone; it is looked for again at once."""
        self._close_port()
        self._tried_s = float("-inf")
