"""Differences between Linux, macOS and Windows, in one place.

Each function states its counterpart on the other systems, and returns a plain answer where a system
has none. The parts for Windows and macOS are type-checked, and run by the tests with a stand-in for
the system; `hw_notes/systems.md` lists what was never run on the real one.

Sources: Microsoft, "Windows API reference" (the functions named below); Linux man-pages; Python
library reference (`signal`, `time`, `os`, `subprocess`).
"""

from __future__ import annotations

import contextlib
import os
import shutil
import signal
import stat
import subprocess
import sys
import threading
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from functools import cache
from pathlib import Path
from typing import TYPE_CHECKING, Any, Literal, NamedTuple

if TYPE_CHECKING:
    import ctypes
    from asyncio import AbstractEventLoop

if sys.platform == "win32":
    import msvcrt

System = Literal["linux", "macos", "windows", "other"]


def system() -> System:
    """Return the kind of this system, for instructions that differ."""
    if sys.platform == "win32":
        return "windows"
    if sys.platform == "darwin":
        return "macos"
    return "linux" if sys.platform == "linux" else "other"


# -- Clocks -------------------------------------------------------------------------------------


def monotonic_s() -> float:
    """Return seconds of a clock fine enough for frames. [s]

    On Windows `time.monotonic` advances in steps of 15.6 ms before Python 3.13.
    """
    return time.perf_counter() if sys.platform == "win32" else time.monotonic()


def boot_time_s() -> float:
    """Return seconds of a clock that counts the machine's sleep too, where there is one. [s]"""
    if sys.platform == "linux":
        return time.clock_gettime(time.CLOCK_BOOTTIME)
    if sys.platform == "darwin":  # clock_gettime(3): it advances while the machine is asleep
        return time.clock_gettime(time.CLOCK_MONOTONIC_RAW)
    return monotonic_s()  # Windows: QueryPerformanceCounter includes sleep


_TIMER_MS = 1
"""Timer resolution that frames need. [ms]"""


@contextmanager
def fine_timer() -> Iterator[None]:
    """Let waits end within a millisecond; on Windows they end on a tick of 15.6 ms otherwise."""
    if sys.platform == "win32":
        import ctypes

        winmm = ctypes.WinDLL("winmm")
        granted = winmm.timeBeginPeriod(_TIMER_MS) == 0
        try:
            yield
        finally:
            if granted:
                winmm.timeEndPeriod(_TIMER_MS)
    else:
        yield


# -- Threads and processes ----------------------------------------------------------------------

PRIORITY_REMEDY = (
    'echo "$USER - rtprio 1" | sudo tee /etc/security/limits.d/benchtest.conf, '
    "then log out and in again"
)
"""Permission for real-time priority on Linux. Source: pam_limits, limits.conf(5)."""
_TIME_CRITICAL = 15
"""THREAD_PRIORITY_TIME_CRITICAL. Source: SetThreadPriority."""


def raise_thread_priority() -> bool:
    """Let this thread run before all others; return whether the system allows it.

    On Linux this is real-time priority, which needs root or an `rtprio` limit and which child
    processes do not inherit. On Windows it is the highest priority of an ordinary process. macOS
    has no such priority for programs without a real-time audio task.
    """
    if sys.platform == "linux":
        policy = os.SCHED_RR | os.SCHED_RESET_ON_FORK
        try:
            os.sched_setscheduler(0, policy, os.sched_param(1))  # 0 is this thread
        except OSError:
            return False
        return True
    if sys.platform == "win32":
        import ctypes

        kernel = ctypes.WinDLL("kernel32")
        kernel.GetCurrentThread.restype = ctypes.c_void_p
        kernel.SetThreadPriority.argtypes = (ctypes.c_void_p, ctypes.c_int)
        return bool(kernel.SetThreadPriority(kernel.GetCurrentThread(), _TIME_CRITICAL))
    return False


_SLICE_NS = 100_000
"""Shortest time slice that Linux gives. [ns]"""
_SETATTR_CALLS = {"x86_64": 314, "aarch64": 274, "riscv64": 274}
"""Number of sched_setattr on machines of 64 bits. Source: system call tables of Linux."""
_SET_TIMER_SLACK = 29
"""PR_SET_TIMERSLACK: prctl(2)."""


def shorten_thread_slice() -> bool:
    """Let this thread run soon after it wakes up, which needs no permission; for short work only.

    Linux since 6.12 lets a thread that woke up go before another one whose time slice is longer;
    otherwise it waits for the next tick, up to 4 ms each time. By default a timer may also be 50 us
    late. Other systems, and a thread with another policy, stay as they are.

    Returns:
        True if the system accepts the time slice; older ones accept it and have no use for it.

    Source: sched(7), sched_setattr(2); Linux, Documentation/scheduler/sched-eevdf.rst.
    """
    if sys.platform != "linux" or os.sched_getscheduler(0) != os.SCHED_OTHER:
        return False
    import ctypes
    import platform

    class Attributes(ctypes.Structure):
        _fields_ = (
            ("size", ctypes.c_uint32),
            ("policy", ctypes.c_uint32),
            ("flags", ctypes.c_uint64),
            ("nice", ctypes.c_int32),
            ("priority", ctypes.c_uint32),
            ("runtime", ctypes.c_uint64),
            ("deadline", ctypes.c_uint64),
            ("period", ctypes.c_uint64),
        )

    libc = ctypes.CDLL(None)
    libc.prctl(_SET_TIMER_SLACK, ctypes.c_ulong(1), 0, 0, 0)
    number = _SETATTR_CALLS.get(platform.machine())
    if number is None or sys.maxsize < 1 << 32:
        return False
    nice = os.getpriority(os.PRIO_PROCESS, 0)  # 0 is this thread
    wanted = Attributes(nice=nice, runtime=_SLICE_NS)
    wanted.size = ctypes.sizeof(wanted)
    return bool(libc.syscall(ctypes.c_long(number), 0, ctypes.byref(wanted), 0) == 0)


def processor_count() -> int:
    """Return the number of processors that this process may use; 1 if the system hides it."""
    if sys.platform == "linux":
        return len(os.sched_getaffinity(0))
    return os.cpu_count() or 1


def keep_thread_on(number: int) -> None:
    """Keep this thread on one of the processors that it may use, counted from 0; Linux only."""
    if sys.platform == "linux":
        allowed = sorted(os.sched_getaffinity(0))
        with contextlib.suppress(OSError):
            os.sched_setaffinity(0, {allowed[number % len(allowed)]})


def may_raise_thread_priority() -> bool:
    """Return whether the system allows that priority, by trying it in a short-lived thread."""
    allowed: list[bool] = []
    asking = threading.Thread(target=lambda: allowed.append(raise_thread_priority()))
    asking.start()
    asking.join()
    return allowed == [True]


def own_group() -> dict[str, Any]:
    """Return options of a child process that keep the terminal's Ctrl-C from it.

    A child ends with this program since its input is a pipe, which the system closes.
    """
    if sys.platform == "win32":
        import subprocess

        return {"creationflags": subprocess.CREATE_NEW_PROCESS_GROUP}
    return {"start_new_session": True}


if sys.platform == "win32":
    END_REQUEST = signal.CTRL_BREAK_EVENT
    """Signal that asks a child made with `own_group` to end; SIGTERM would kill it at once."""
else:
    END_REQUEST = signal.SIGTERM
    """Signal that asks a child process to end; under nohup it would ignore SIGHUP."""


def signal_this_process(number: int) -> None:
    """Raise a signal in this process, from any thread; its handler runs in the main thread."""
    if sys.platform == "win32":
        signal.raise_signal(number)  # `os.kill` would end the process without the handler
    else:
        os.kill(os.getpid(), number)


# -- End and stop of this program ---------------------------------------------------------------

_END_NAMES = ("SIGINT", "SIGTERM", "SIGHUP", "SIGQUIT", "SIGBREAK")
END_SIGNALS: tuple[int, ...] = tuple(
    getattr(signal, name) for name in _END_NAMES if hasattr(signal, name)
)
"""Ctrl-C, `kill`, a closed terminal, Ctrl-\\ (next to Ctrl-C), and Ctrl-Break on Windows."""
STOP_SIGNAL: int | None = getattr(signal, "SIGTSTP", None)
"""Ctrl-Z, which stops the program until the shell continues it; Windows has none."""

_CLOSE_EVENTS = frozenset([2, 5, 6])
"""CTRL_CLOSE_EVENT, CTRL_LOGOFF_EVENT and CTRL_SHUTDOWN_EVENT. Source: HandlerRoutine."""
_console_handlers: list[object] = []
"""Handlers given to the system, kept alive: it holds only their addresses."""


def on_console_close(act: Callable[[], object]) -> None:
    """Call back when the console window closes, or at log-off and shutdown, on Windows.

    The call comes in a thread of the system's, which ends the process once the callback returns or
    about five seconds have passed. On other systems SIGHUP and SIGTERM announce this.
    """
    if sys.platform != "win32" or _console_handlers:
        return
    import ctypes

    def handle(event: int) -> bool:
        if event not in _CLOSE_EVENTS:
            return False  # Ctrl-C and Ctrl-Break reach Python's own handler
        act()
        return True

    handler = ctypes.WINFUNCTYPE(ctypes.c_int, ctypes.c_uint32)(handle)
    if ctypes.WinDLL("kernel32").SetConsoleCtrlHandler(handler, True):
        _console_handlers.append(handler)


def end_after(delay_s: float) -> None:
    """Let the system end this process after a delay, even if no thread of Python gets a turn.

    Works in the main thread only; Windows has no such alarm, and a thread must do. [s]
    """
    if sys.platform != "win32":
        with contextlib.suppress(ValueError):  # another thread
            signal.signal(signal.SIGALRM, signal.SIG_DFL)
            signal.setitimer(signal.ITIMER_REAL, delay_s)


def signal_main_thread(number: int) -> None:
    """Send a signal to the main thread, where it interrupts a wait of the system's."""
    if sys.platform == "win32":
        signal.raise_signal(number)
    else:
        main = threading.main_thread().ident
        assert main is not None
        signal.pthread_kill(main, number)


# -- Terminal -----------------------------------------------------------------------------------


@contextmanager
def single_keys(descriptor: int) -> Iterator[bool]:
    """Read keys one by one and without echo until the end; Ctrl-C still ends the program.

    Yields False if the terminal cannot do that.
    """
    if sys.platform == "win32":
        yield os.isatty(descriptor) if descriptor >= 0 else False
        return
    import termios
    import tty

    try:
        before = termios.tcgetattr(descriptor)
        tty.setcbreak(descriptor)
    except (OSError, ValueError, OverflowError, termios.error):
        yield False
        return
    try:
        yield True
    finally:
        termios.tcsetattr(descriptor, termios.TCSADRAIN, before)


def read_key(descriptor: int) -> bytes:
    """Wait for keys within `single_keys`, and return them; no octets once the terminal is gone."""
    if sys.platform == "win32":
        while not msvcrt.kbhit():  # `getwch` would hold Ctrl-C back
            time.sleep(0.02)
        return msvcrt.getwch().encode("utf-8", "replace")
    return read_octets(descriptor)


def read_octets(descriptor: int) -> bytes:
    """Wait for input, and return up to 1024 octets; none at its end or after an error."""
    try:
        return os.read(descriptor, 1024)
    except OSError:
        return b""


def watch_input(
    loop: AbstractEventLoop,
    descriptor: int,
    act: Callable[[bytes], object],
    read: Callable[[int], bytes] = read_octets,
) -> Callable[[], object]:
    """Call back in an event loop with each input, and with no octets once at its end.

    Windows has no event for typed input, so a thread waits for it there.

    Returns:
        A function that ends the watch; may be called again.
    """
    if sys.platform != "win32":

        def ready() -> None:
            octets = read(descriptor)
            if not octets:  # else a closed terminal would stay readable
                loop.remove_reader(descriptor)
            act(octets)

        loop.add_reader(descriptor, ready)
        return lambda: loop.remove_reader(descriptor)

    ended = threading.Event()

    def wait() -> None:
        octets = b"?"
        while octets and not ended.is_set():
            octets = read(descriptor)
            if not ended.is_set():
                with contextlib.suppress(RuntimeError):  # the loop has closed
                    loop.call_soon_threadsafe(act, octets)

    threading.Thread(target=wait, name="typed input", daemon=True).start()
    return ended.set


# -- Files --------------------------------------------------------------------------------------

_SHARING_WAIT_S = 1.0
"""Longest wait for a program that holds a file open, such as a virus scanner. [s]"""


def sync_to_disk(path: Path) -> None:
    """Wait until a file or folder is on the disk; Windows cannot open a folder for that."""
    if sys.platform == "win32" and path.is_dir():
        return
    handle = os.open(path, os.O_RDONLY if path.is_dir() else os.O_RDWR)
    try:
        os.fsync(handle)
    finally:
        os.close(handle)


def replace_file(made: str | Path, path: Path) -> None:
    """Rename a finished file onto another, which readers see as a whole or not at all.

    Windows refuses this while another program has either file open.

    Raises:
        OSError: the file cannot be replaced.
    """
    until_s = time.monotonic() + _SHARING_WAIT_S
    while True:
        try:
            os.replace(made, path)
        except PermissionError:
            if sys.platform != "win32" or time.monotonic() > until_s:
                raise
            time.sleep(0.02)
        else:
            return


def rename_to_new(made: str | Path, path: Path) -> None:
    """Rename a finished file; an existing file of that name is kept.

    Raises:
        FileExistsError: there is a file of that name.
        OSError: the file cannot be renamed.
    """
    if sys.platform == "win32":  # never replaces there
        os.rename(made, path)
        return
    try:
        os.link(made, path)
    except FileExistsError:
        raise
    except OSError:  # a disk without hard links
        if os.path.lexists(path):
            raise FileExistsError from None
        os.rename(made, path)


def lock_file(descriptor: int) -> bool:
    """Lock an open file until it is closed; return False if another program holds the lock."""
    try:
        if sys.platform == "win32":
            msvcrt.locking(descriptor, msvcrt.LK_NBLCK, 1)
        else:
            import fcntl

            fcntl.flock(descriptor, fcntl.LOCK_EX | fcntl.LOCK_NB)
    except OSError:
        return False
    return True


def open_own_file(path: Path) -> int:
    """Open a file for reading without following a link, which another user may have put there."""
    if sys.platform == "win32":
        return os.open(path, os.O_RDWR)
    return os.open(path, os.O_RDONLY | os.O_NOFOLLOW)


def is_own_folder(path: Path) -> bool:
    """Return whether this is a real folder of this user; on Windows each user has a folder."""
    found = path.lstat()
    if not stat.S_ISDIR(found.st_mode):
        return False
    return sys.platform == "win32" or found.st_uid == os.geteuid()


NETWORK_KINDS = frozenset(
    [
        "afpfs", "afs", "ceph", "cifs", "davfs", "fuse.davfs2", "fuse.glusterfs", "fuse.rclone",
        "fuse.s3fs", "fuse.sshfs", "lustre", "ncpfs", "network drive", "nfs", "nfs4", "smb3",
        "smbfs", "webdav",
    ]
)  # fmt: skip
"""File systems on another machine, by the names that `filesystem_kind` returns; from memory."""


def is_on_disk(path: Path) -> bool:
    """Return True if a block device of this machine holds a path; False where that is not shown.

    Source: Linux, list of devices: major number 0 is that of mounts without a device, which those
    of other machines are.
    """
    return sys.platform == "linux" and os.major(path.stat().st_dev) != 0


def filesystem_kind(path: Path) -> str | None:
    """Return the kind of file system below a path, such as `ext4`; None if the system hides it."""
    import psutil  # 18 ms, which commands without records need not spend

    real = Path(os.path.realpath(path))
    best: tuple[int, str] | None = None
    for disk in psutil.disk_partitions(all=True):
        mount = Path(disk.mountpoint)
        # of two mounts on one folder, the later one is on top
        if real.is_relative_to(mount) and (best is None or len(mount.parts) >= best[0]):
            is_remote = sys.platform == "win32" and "remote" in disk.opts.split(",")
            best = len(mount.parts), "network drive" if is_remote else disk.fstype
    if best is None:  # Windows: a folder of another machine without a drive letter
        return "network drive" if real.drive.startswith("\\\\") else None
    return best[1]


# -- Memory -------------------------------------------------------------------------------------

_ARENA_MAX, _MMAP_THRESHOLD, _TRIM_THRESHOLD = -8, -3, -1
"""`M_ARENA_MAX`, `M_MMAP_THRESHOLD` and `M_TRIM_THRESHOLD` of glibc's malloc.h."""
MAPPED_OCTETS = 32 << 20
"""Blocks from which each is mapped by itself, and so given back as soon as it is freed. Smaller
arrays use freed memory again: to get it from the system each time, page by page, cost a quarter of
a finding's time."""
KEPT_OCTETS = 64 << 20
"""Freed memory at the end of the heap that is kept until `return_freed_memory`."""


@cache
def _glibc() -> ctypes.CDLL | None:
    if sys.platform != "linux":
        return None
    import ctypes

    libc = ctypes.CDLL(None)
    return libc if hasattr(libc, "mallopt") and hasattr(libc, "malloc_trim") else None


def share_one_arena() -> bool:
    """Make all threads allocate from one arena, and use freed memory again within a finding.

    glibc gives each thread an arena of its own and returns little of it: findings that run on ever
    other worker threads would leave their peak behind once for each of them. Other C libraries need
    no such setting. Source: mallopt(3), malloc_trim(3).

    Returns:
        True if the C library does so.
    """
    libc = _glibc()
    if libc is None:
        return False
    options = (
        (_ARENA_MAX, 1),
        (_MMAP_THRESHOLD, MAPPED_OCTETS),
        (_TRIM_THRESHOLD, KEPT_OCTETS),
    )
    set_options = [libc.mallopt(option, value) for option, value in options]
    return all(set_options)


def return_freed_memory() -> None:
    """Give memory that Python has freed back to the system."""
    libc = _glibc()
    if libc is not None:
        libc.malloc_trim(0)


# -- Devices and sockets ------------------------------------------------------------------------


class PortPermission(NamedTuple):
    """Access of this user to a device."""

    may_open: bool
    group: str | None = None
    """Group of the device; None on a system without groups."""
    group_may_open: bool = False
    """True if the device's group may read and write."""
    added_since_login: bool = False
    """True if the user joined the group after this login began."""


def port_permission(device: str) -> PortPermission:
    """Return whether this user may read and write a device, and its group.

    On Windows every user may open a COM port that no other program has open.
    """
    if sys.platform == "win32":
        return PortPermission(True)
    import grp
    import pwd

    may_open = os.access(device, os.R_OK | os.W_OK)
    try:
        status = os.stat(device)
        group = grp.getgrgid(status.st_gid)
    except (OSError, KeyError):
        return PortPermission(may_open)
    try:
        user = pwd.getpwuid(os.getuid()).pw_name
    except KeyError:
        user = ""
    both = stat.S_IRGRP | stat.S_IWGRP
    return PortPermission(
        may_open,
        group.gr_name,
        status.st_mode & both == both,
        user in group.gr_mem and status.st_gid not in {os.getegid(), *os.getgroups()},
    )


def device_may_exist(device: str) -> bool:
    """Return False if a device is absent; COM ports are no files, so opening one must show it."""
    return sys.platform == "win32" or os.path.exists(device)


def group_bind_address(group: str) -> str:
    """Return the address to bind for one multicast group; Windows cannot bind the group itself."""
    return "" if sys.platform == "win32" else group


# -- Voice --------------------------------------------------------------------------------------

_WINDOWS_VOICE = (
    "Add-Type -AssemblyName System.Speech; "
    "(New-Object System.Speech.Synthesis.SpeechSynthesizer).Speak([Console]::In.ReadToEnd())"
)
_VOICES: dict[System, tuple[tuple[str, ...], ...]] = {
    "linux": (("spd-say", "--wait", "--pipe-mode"), ("espeak-ng", "--stdin")),
    "macos": (("say", "-f", "-"),),
    "windows": (("powershell", "-NoProfile", "-NonInteractive", "-Command", _WINDOWS_VOICE),),
    "other": (("espeak-ng", "--stdin"),),
}
"""Commands that speak what is on their standard input: Speech Dispatcher or eSpeak NG, that of
macOS, the speech synthesizer of .NET. Sources: their manual pages and reference."""


def voice_command() -> list[str] | None:
    """Return the command that speaks its standard input; None if this system has none."""
    for name, *words in _VOICES[system()]:
        if (path := shutil.which(name)) is not None:
            return [path, *words]
    return None


class Voice:
    """The system's voice; a new text ends the one before it."""

    def __init__(self, command: list[str]) -> None:
        """Prepare a voice by the command of `voice_command`."""
        self._command = command
        self._process: subprocess.Popen[bytes] | None = None

    def speak(self, text: str) -> None:
        """Begin to speak; return at once. A command that does not start speaks nothing."""
        self.stop()
        with contextlib.suppress(OSError):
            self._process = subprocess.Popen(
                self._command,
                stdin=subprocess.PIPE,
                stdout=subprocess.DEVNULL,
                stderr=subprocess.DEVNULL,
                **own_group(),
            )
            assert self._process.stdin is not None
            self._process.stdin.write(text.encode())
            self._process.stdin.close()

    def stop(self) -> None:
        """End what is spoken now."""
        process, self._process = self._process, None
        if process is not None:
            with contextlib.suppress(OSError):
                process.kill()  # a command that plays a sound need not end in order
            process.wait()
