"""A board with MicroPython, run as a process on a pty: prompt, files, chip, and the real `main.py`.

    python micropython_stand_in.py SHIFTED

The working folder is the board's flash. The prompt speaks MicroPython's raw REPL (Ctrl-A, Ctrl-D;
its documentation describes it), and runs what it gets in CPython. `machine` and what else is
MicroPython's own stand in for the chip; each frame shifted out is a line in the file SHIFTED.
"""

from __future__ import annotations

import contextlib
import errno
import io
import os
import sys
import time
import traceback
from pathlib import Path
from types import ModuleType, SimpleNamespace
from typing import Any, NoReturn

SHIFTED = Path(sys.argv[1])
CTRL_A, CTRL_B, CTRL_C, CTRL_D = b"\x01", b"\x02", b"\x03", b"\x04"
BANNER = b"raw REPL; CTRL-B to exit\r\n>"
FREE_OCTETS = 60_000
"""Memory of the chip that is free. An RP2040 has 264 KB, of which MicroPython leaves about 190;
from memory."""


def reset() -> NoReturn:
    """Restart the board."""
    os.execv(sys.executable, [sys.executable, *sys.argv])


def bitstream(pin: int, encoding: int, timing: tuple[int, ...], octets: Any) -> None:
    assert encoding == 0
    Path("timing.txt").write_text(" ".join(map(str, timing)))
    with SHIFTED.open("a") as shifted:
        shifted.write(f"{pin} {bytes(octets).hex()}\n")


class Watchdog:
    def __init__(self, timeout: int) -> None:
        assert timeout <= 8388  # the RP2040's longest; its data sheet

    def feed(self) -> None:
        if Path("break.txt").exists():  # a test asks for an error in the loop
            Path("break.txt").unlink()
            raise MemoryError


class Pin(int):
    OUT, IN, PULL_UP = 1, 0, 1

    def __new__(cls, pin: int, *_: int, value: int = 0) -> Pin:
        return super().__new__(cls, pin)

    def value(self) -> int:
        return 0 if Path(f"pressed{self:d}.txt").exists() else 1


class Tone:
    """A pulse width output; a file has when it went on and off."""

    def __init__(self, pin: int, freq: int, duty_u16: int) -> None:
        assert 0 < duty_u16 < 65536
        Path("tone.txt").write_text(f"{pin} {freq} on ")

    def deinit(self) -> None:
        with Path("tone.txt").open("a") as heard:
            heard.write("off")


class EmptyBus:
    """A two-wire bus without a chip."""

    def __init__(self, *_: int, **__: int) -> None:
        pass

    def readfrom_mem(self, *_: int) -> bytes:
        raise OSError(errno.ENODEV, "no device")


def install_chip() -> None:
    """Put MicroPython's own modules and functions in place."""
    chip: dict[str, dict[str, Any]] = {
        "machine": {
            "Pin": Pin,
            "ADC": lambda pin: SimpleNamespace(read_u16=lambda: 640 * 64),
            "WDT": Watchdog,
            "bitstream": bitstream,
            "I2C": EmptyBus,
            "PWM": Tone,
            "reset": reset,
        },
        "micropython": {"kbd_intr": lambda _: None},
    }
    for name, content in chip.items():
        sys.modules[name] = ModuleType(name)
        vars(sys.modules[name]).update(content)
    more: dict[Any, dict[str, Any]] = {
        time: {
            "sleep_ms": lambda milliseconds: time.sleep(milliseconds / 1000),
            "sleep_us": lambda _: None,
            "ticks_ms": lambda: int(time.monotonic() * 1000) & 0x3FFFFFFF,
            "ticks_add": lambda ticks, more: (ticks + more) & 0x3FFFFFFF,
            "ticks_diff": lambda one, other: ((one - other + 0x20000000) & 0x3FFFFFFF) - 0x20000000,
        },
        sys.modules.setdefault("gc", __import__("gc")): {
            "mem_free": lambda: FREE_OCTETS,
            "mem_alloc": lambda: 40_000,
        },
    }
    for module, content in more.items():
        for name, value in content.items():
            setattr(module, name, value)


def prompt() -> None:
    """Answer at the prompt, for ever."""
    space: dict[str, Any] = {}
    raw, code = False, b""
    while True:
        octets = os.read(0, 1)
        if octets == CTRL_A:
            raw, code = True, b""
            os.write(1, BANNER)
        elif octets == CTRL_B:
            raw = False
            os.write(1, b"\r\nMicroPython stand-in\r\n>>> ")
        elif octets == CTRL_C:
            code = b""
            if not raw:
                os.write(1, b"\r\n>>> ")
        elif not raw:
            continue
        elif octets == b"\x05":  # raw paste is not offered
            os.read(0, 2)
            os.write(1, b"R\x00")
        elif octets == CTRL_D and not code:
            os.write(1, b"OK\r\nMPY: soft reboot\r\n" + BANNER)
        elif octets == CTRL_D:
            os.write(1, b"OK")
            out, error = io.StringIO(), ""
            try:
                with contextlib.redirect_stdout(out):
                    exec(code.decode(), space)
            except OSError as fault:  # MicroPython's own words
                name = errno.errorcode[fault.errno or 0]
                error = f"Traceback:\r\nOSError: [Errno {fault.errno}] {name}\r\n"
            except Exception:
                error = traceback.format_exc()
            os.write(1, out.getvalue().encode() + CTRL_D + error.encode() + CTRL_D + b">")
            code = b""
        else:
            code += octets


install_chip()
sys.stdin = SimpleNamespace(buffer=io.FileIO(0, closefd=False), fileno=lambda: 0)
sys.stdout = SimpleNamespace(buffer=io.FileIO(1, "wb", closefd=False), flush=lambda: None)
sys.path.insert(0, ".")
if Path("main.py").exists():
    exec(compile(Path("main.py").read_bytes(), "main.py", "exec"), {"__name__": "__main__"})
prompt()
