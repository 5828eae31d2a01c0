"""Stand-in for Windows: a Python with this folder on its path shows `benchtest` such a system.

Only modules of `benchtest` are given it: POSIX modules cannot be imported, names that Python lacks
on Windows are gone from the others, and calls of the Windows API are answered as Microsoft's
reference describes. The libraries keep the real system, since they have their own part for Windows.
Child processes inherit it. SIGUSR2 closes the console window, SIGUSR1 is Ctrl-Break.

Source: Python library reference, "Availability" of each name.
"""

from __future__ import annotations

import builtins
import ctypes
import fcntl
import os
import select
import signal
import subprocess
import sys
import threading
import time
from collections.abc import Callable
from types import ModuleType
from typing import Any

ABSENT = {"fcntl", "grp", "pty", "pwd", "resource", "termios", "tty"}
_POSIX_OS = {
    *(
        "O_NOFOLLOW",
        "O_CLOEXEC",
        "O_NONBLOCK",
        "SCHED_RR",
        "SCHED_RESET_ON_FORK",
        "fork",
        "forkpty",
    ),
    *("geteuid", "getegid", "getgroups", "getloadavg", "getuid", "getgid", "getpgid", "killpg"),
    *(
        "major",
        "makedev",
        "minor",
        "mkfifo",
        "nice",
        "openpty",
        "sched_getaffinity",
        "sched_param",
        "sched_setscheduler",
    ),
    *("setsid", "statvfs", "tcgetpgrp", "uname", "wait", "getpgrp"),
}
_POSIX_TIME = {"CLOCK_BOOTTIME", "CLOCK_MONOTONIC_RAW", "clock_gettime", "pthread_getcpuclockid"}
_WINDOWS_SIGNALS = {"SIGABRT", "SIGFPE", "SIGILL", "SIGINT", "SIGSEGV", "SIGTERM", "SIG_DFL"}
_POSIX_SIGNAL = {"ITIMER_REAL", "alarm", "pthread_kill", "setitimer", "siginterrupt", "sigwait"} | {
    name for name in dir(signal) if name.startswith("SIG") and name not in _WINDOWS_SIGNALS
} - {"SIG_IGN"}


class _Altered(ModuleType):
    """A module without some names, with others in addition; else the real one."""

    def __init__(self, real: ModuleType, without: set[str], more: dict[str, Any]) -> None:
        super().__init__(real.__name__)
        self.__dict__.update(_real=real, _without=without, **more)

    def __getattr__(self, name: str) -> Any:
        if name in self.__dict__["_without"]:
            raise AttributeError(f"module {self.__name__!r} has no attribute {name!r}")
        return getattr(self.__dict__["_real"], name)

    def __setattr__(self, name: str, value: Any) -> None:
        setattr(self.__dict__["_real"], name, value)


class _Kernel32:
    """Functions of kernel32 that the program calls. Source: Microsoft, Windows API reference."""

    class GetCurrentThread:
        restype: Any = ctypes.c_int

        def __new__(cls) -> Any:
            assert cls.restype is ctypes.c_void_p, "a handle is as wide as a pointer"
            return -2  # the pseudo handle

    class SetThreadPriority:
        argtypes: Any = None

        def __new__(cls, thread: int, priority: int) -> Any:
            assert cls.argtypes == (ctypes.c_void_p, ctypes.c_int)
            return int((thread, priority) == (-2, 15))

    @staticmethod
    def SetConsoleCtrlHandler(handler: Callable[[int], int], add: bool) -> int:  # noqa: N802
        assert add
        signal.signal(signal.SIGUSR2, lambda *_: _close_console(handler))
        return 1


def _close_console(handler: Callable[[int], int]) -> None:
    """Call the handler in a thread of its own, and end the process once it has returned."""

    def call() -> None:
        handled = handler(2)  # CTRL_CLOSE_EVENT
        os._exit(0xC0 if handled else 0xC1)

    threading.Thread(target=call, daemon=True).start()


class _Winmm:
    @staticmethod
    def timeBeginPeriod(ms: int) -> int:  # noqa: N802
        return 0 if ms >= 1 else 97  # TIMERR_NOERROR, TIMERR_NOCANDO

    timeEndPeriod = timeBeginPeriod  # noqa: N815


def _locking(descriptor: int, mode: int, octets: int) -> None:
    assert (mode, octets) == (2, 1)  # LK_NBLCK, and one octet
    fcntl.flock(descriptor, fcntl.LOCK_EX | fcntl.LOCK_NB)


def _getwch() -> str:
    return os.read(0, 1).decode("ascii")


_msvcrt = ModuleType("msvcrt")
_msvcrt.__dict__.update(
    LK_NBLCK=2,
    locking=_locking,
    kbhit=lambda: bool(select.select([0], [], [], 0)[0]),
    getwch=_getwch,
)
ALTERED = {
    "sys": _Altered(sys, set(), {"platform": "win32"}),
    "os": _Altered(os, _POSIX_OS, {"name": "nt"}),
    "time": _Altered(time, _POSIX_TIME, {}),
    "select": _Altered(select, {"poll", "epoll", "POLLNVAL"}, {}),
    "signal": _Altered(
        signal,
        _POSIX_SIGNAL,
        {"SIGBREAK": signal.SIGUSR1, "CTRL_BREAK_EVENT": signal.SIGUSR1},
    ),
    # Popen takes no flags here; both ends of the tests start groups themselves
    "subprocess": _Altered(subprocess, set(), {"CREATE_NEW_PROCESS_GROUP": 0}),
    "ctypes": _Altered(
        ctypes,
        set(),
        {
            "WinDLL": {"kernel32": _Kernel32, "winmm": _Winmm}.__getitem__,
            "WINFUNCTYPE": ctypes.CFUNCTYPE,
        },
    ),
    "msvcrt": _msvcrt,
}
_import = builtins.__import__


def _import_as_on_windows(
    name: str,
    globals: Any = None,  # noqa: A002  as Python names it
    locals: Any = None,  # noqa: A002
    fromlist: Any = (),
    level: int = 0,
) -> ModuleType:
    importer = str((globals or {}).get("__name__") or "")
    if level == 0 and importer.partition(".")[0] == "benchtest":
        if name in ABSENT:
            raise ModuleNotFoundError(f"No module named {name!r}", name=name)
        if name in ALTERED:
            return ALTERED[name]
    return _import(name, globals, locals, fromlist, level)


builtins.__import__ = _import_as_on_windows
