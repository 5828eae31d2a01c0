"""Installation of the bridge's firmware on a board: MicroPython by mpremote, AVR by avrdude."""

from __future__ import annotations

import shutil
import subprocess
import sys
import time
from collections.abc import Callable, Sequence
from contextlib import ExitStack, closing
from importlib.resources import as_file, files
from importlib.resources.abc import Traversable
from itertools import cycle
from pathlib import Path
from typing import Literal

from serial import Serial

from benchtest.drive.bridge.messages import Board, Kind
from benchtest.drive.bridge.serial_link import (
    BAUD,
    BOOT_TIMEOUT_S,
    LinkFault,
    NoAnswer,
    RequestRefused,
    SerialLink,
)
from benchtest.drive.serial_ports import (
    SerialPort,
    current_device,
    explain_open_failure,
    find_port,
)
from benchtest.errors import DriveFault

Chip = Literal["micropython", "atmega328p"]
MICROPYTHON_FILES = ("bridge.py", "signal_pio.py", "main.py")
"""Files to copy, the one that starts by itself last: a copy that stops half way starts nothing."""
AVR_IMAGE = "bridge.hex"
DEFAULT_BAUD = 115_200
"""Rate of the ATmega328P's usual boot loader; older ones use 57 600. Common practice, no source."""
MAX_AVR_RAM_OCTETS = 4096
"""Boards with less memory are AVRs."""
_PROMPT_TIMEOUT_S = 2.0
_TOOL_TIMEOUT_S = 120.0
_RETURN_TIMEOUT_S = 20.0
"""Wait for a board that restarts and announces itself on USB again. [s]"""
_POLL_INTERVAL_S = 0.2
_INTERRUPT, _LEAVE_RAW = b"\x03", b"\x02"


def firmware_file(name: str) -> Traversable:
    """Return a firmware file that ships with the program.

    Args:
        name: one of `MICROPYTHON_FILES`, or `AVR_IMAGE`.
    """
    folder = files("benchtest.firmware")
    return folder.joinpath(name) if name == AVR_IMAGE else folder.joinpath("micropython", name)


def install(
    device: str,
    report: Callable[[str], None],
    chip: Chip | None = None,
    baud: int = DEFAULT_BAUD,
) -> Board:
    """Put this version's firmware onto a board, and wait until it answers.

    Args:
        device: serial port.
        report: called with one sentence about each step.
        chip: kind of board; None to find out.
        baud: rate of an AVR's boot loader.

    Returns:
        Properties of the board, from its hello.

    Raises:
        DriveFault: the port cannot be opened, no known board is there, a tool is missing or fails,
            or the board does not answer afterwards; the text has the remedy.
    """
    port = find_port(device)
    report(f"looking for a bridge on {device}")
    running = _running_bridge(device)
    if running is not None:
        chip = "atmega328p" if running.ram_octets <= MAX_AVR_RAM_OCTETS else "micropython"
    elif chip is None:
        chip = "micropython" if _has_prompt(device) else "atmega328p"
    if chip == "micropython":
        if running is not None:
            report("asking the bridge for its prompt")
            _leave_program(device)
            device = _wait_for_port(device, port)
        _copy_micropython(device, report)
    else:
        report(f"writing {AVR_IMAGE} through the boot loader at {baud} baud")
        _write_avr(device, baud)
    report("waiting for the bridge's answer")
    return wait_for_bridge(device, port, report)


def _running_bridge(device: str) -> Board | None:
    with closing(SerialLink(device)) as link:
        try:
            return link.handshake(BOOT_TIMEOUT_S)
        except NoAnswer:
            return None


def _has_prompt(device: str) -> bool:
    """Return whether MicroPython's prompt answers; Ctrl-C ends a program that runs."""
    try:
        with Serial(device, DEFAULT_BAUD, timeout=0.1, write_timeout=1.0, exclusive=True) as line:
            line.write(b"\r" + _INTERRUPT + _INTERRUPT + _LEAVE_RAW + b"\r")
            due_s = time.monotonic() + _PROMPT_TIMEOUT_S
            heard = b""
            while time.monotonic() < due_s:
                heard = (heard + line.read(max(1, line.in_waiting)))[-200:]
                if b">>> " in heard:
                    return True
    except (OSError, ValueError) as error:
        raise DriveFault(explain_open_failure(device, error)) from error
    return False


def _leave_program(device: str) -> None:
    """Ask a bridge with MicroPython for its prompt.

    Raises:
        DriveFault: its firmware is older than this message.
    """
    with closing(SerialLink(device)) as link:
        link.handshake(BOOT_TIMEOUT_S)
        try:
            link.ask(Kind.LEAVE)
        except RequestRefused as refused:
            raise DriveFault(
                f"{device}: this bridge's firmware has no way back to the prompt yet; put "
                "MicroPython onto the board once more (hold its BOOT button while you plug it in), "
                "then install again"
            ) from refused


def _copy_micropython(device: str, report: Callable[[str], None]) -> None:
    tool = [sys.executable, "-m", "mpremote", "connect", device]
    report(f"copying {', '.join(MICROPYTHON_FILES)}, and starting the board")
    with ExitStack() as stack:
        for name in MICROPYTHON_FILES:
            path = stack.enter_context(as_file(firmware_file(name)))
            tool += ["fs", "cp", str(path), f":{name}", "+"]
        _run_tool([*tool, "reset"], device, "mpremote")


def _write_avr(device: str, baud: int) -> None:
    tool = shutil.which("avrdude")
    if tool is None:
        raise DriveFault(
            "avrdude is not installed, and an ATmega328P's boot loader needs it: on Debian "
            "sudo apt install avrdude, on macOS brew install avrdude, on Windows its zip file"
        )
    with as_file(firmware_file(AVR_IMAGE)) as path:
        words = [tool, "-q", "-q", "-c", "arduino", "-p", "m328p", "-P", device, "-b", str(baud)]
        _run_tool([*words, "-U", f"flash:w:{Path(path).as_posix()}:i"], device, "avrdude")


def _run_tool(words: Sequence[str], device: str, name: str) -> None:
    try:
        done = subprocess.run(
            words,
            stdin=subprocess.DEVNULL,
            capture_output=True,
            timeout=_TOOL_TIMEOUT_S,
            text=True,
            errors="replace",
            check=False,
        )
    except subprocess.TimeoutExpired:
        raise DriveFault(f"{device}: {name} did not end; unplug the board and try again") from None
    if done.returncode != 0:
        said = (done.stderr.strip() or done.stdout.strip()).splitlines()
        last = said[-1][:200] if said else "no message"
        raise DriveFault(
            f"{device}: {name} ended with {done.returncode} ({last}); is it the right port, with "
            "a board that has MicroPython, or the usual boot loader of an ATmega328P?"
        )


def _wait_for_port(device: str, port: SerialPort | None) -> str:
    """Wait for the port of a board that restarts; return its name now."""
    due_s = time.monotonic() + _RETURN_TIMEOUT_S
    while time.monotonic() < due_s:
        now = current_device(device, port)
        if now is not None and _has_prompt_or_not_yet(now):
            return now
        time.sleep(_POLL_INTERVAL_S)
    raise DriveFault(f"{device}: the board did not come back; unplug it and install again")


def _has_prompt_or_not_yet(device: str) -> bool:
    try:
        return _has_prompt(device)
    except DriveFault:
        return False  # its port is not ready yet


def wait_for_bridge(device: str, port: SerialPort | None, report: Callable[[str], None]) -> Board:
    """Wait until a board answers, at the usual rate of the line or at MicroPython's.

    Args:
        device: serial port.
        port: the port as it was listed; None if it was not.
        report: called with the name to write for a board whose line has MicroPython's rate.

    Raises:
        DriveFault: the board does not come back, or no bridge answers.
    """
    bauds = cycle((BAUD, DEFAULT_BAUD))
    due_s = time.monotonic() + _RETURN_TIMEOUT_S
    last: DriveFault = DriveFault(f"{device}: the board did not come back; unplug it, plug it in")
    while time.monotonic() < due_s:
        now = current_device(device, port)
        if now is None:
            time.sleep(_POLL_INTERVAL_S)
            continue
        try:
            baud = next(bauds)
            with closing(SerialLink(now, baud)) as link:
                board = link.handshake(BOOT_TIMEOUT_S)
            if baud != BAUD:
                report(f"its line runs at {baud} baud: write serial:{now}@{baud}")
            return board
        except LinkFault as fault:
            last = fault
            time.sleep(_POLL_INTERVAL_S)
    raise last
