"""A virtual prop in another process, and the connection to it."""

from __future__ import annotations

import contextlib
import json
import queue
import socket
import subprocess
import sys
import tempfile
import threading
import time
from collections.abc import Callable, Sequence
from pathlib import Path
from typing import IO, Any, Protocol

from benchtest.drive.universe_layout import Frame
from benchtest.errors import DriveFault, temp_file_errors
from benchtest.evidence.marks import SEEN, Seen
from benchtest.operating_system import own_group
from benchtest.virtual.observer import Observation
from benchtest.virtual.virtual_prop import frame_checksum

_START_TIMEOUT_S = 20.0
_ANSWER_TIMEOUT_S = 20.0
_END_TIMEOUT_S = 5.0
LOOPBACK = "127.0.0.1"
FRAME_TIMEOUT_S = 5.0
"""Longest wait for a frame to arrive. [s]"""
_POLL_INTERVAL_S = 0.01


class RemoteProp:
    """A virtual prop in another process: its E1.31 address, its meter and its observer.

    It ends with `stop`, or with this program however that ends. Safe to use from several threads.
    """

    def __init__(self, process: subprocess.Popen[str], host: str, port: int, control: int) -> None:
        self._process = process
        self.host = host
        self.port = port
        self.control_port = control
        self._socket = socket.create_connection((LOOPBACK, control), timeout=_ANSWER_TIMEOUT_S)
        self._file = self._socket.makefile("rwb")
        self._one_at_a_time = threading.Lock()

    @property
    def target(self) -> str:
        """Address for `--to`."""
        return f"e131:{self.host}:{self.port}"

    def measure(self, probe: str) -> float:
        """Return the bench meter's reading at a probe. [V]"""
        return float(self._ask({"measure": probe})["volts"])

    def amps(self, feed: str) -> float:
        """Return the current in a feed, as by a clamp meter. [A]"""
        return float(self._ask({"amps": feed})["amps"])

    def look(self) -> list[Observation]:
        """Return the appearance of every node that should be lit."""
        return [
            Observation(row["strand"], row["first"], row["last"], _seen(row["seen"]))
            for row in self._ask({"look": True})["sights"]
        ]

    def state(self) -> dict[str, Any]:
        """Return counters of packets, sources, the lowest node and the feeds' currents."""
        return self._ask({"state": True})

    def repair(self, where: str) -> bool:
        """Repair a joint or node; return True if it was faulty."""
        return bool(self._ask({"repair": where})["was_wrong"])

    def stop(self) -> None:
        """Stop the process; may be called again."""
        with contextlib.suppress(OSError):
            self._file.close()
        self._socket.close()
        _stop_process(self._process)

    def _ask(self, question: dict[str, Any]) -> dict[str, Any]:
        try:
            with self._one_at_a_time:
                self._file.write(json.dumps(question).encode() + b"\n")
                self._file.flush()
                line = self._file.readline()
        except (OSError, ValueError) as error:
            with contextlib.suppress(OSError):
                self._file.close()  # a late answer must not pass for the next one
            raise DriveFault(
                f"the virtual prop no longer answers ({error}); start it again"
            ) from error
        if not line:
            raise DriveFault("the virtual prop has ended; start it again")
        answer: dict[str, Any] = json.loads(line)
        if "error" in answer:
            raise DriveFault(f"virtual prop: {answer['error']}")
        return answer

    def __enter__(self) -> RemoteProp:
        return self

    def __exit__(self, *_: object) -> None:
        self.stop()


def start_simulation(
    prop_file: Path,
    faults: Sequence[str] = (),
    seed: int | None = None,
    meter: str | None = None,
    output: str | None = None,
) -> RemoteProp:
    """Start `benchtest simulate` on free loopback ports, and wait until it listens.

    Args:
        prop_file: the design.
        faults: faults to inject.
        seed: seed of the unit's deviations; None builds it as designed.
        meter: the simulated meter; None for the usual one.
        output: setting of the controller where it differs from the prop file, as `--output`.

    Raises:
        DriveFault: it did not start; the text has its error message.
        BenchError: the disk has no room for temporary files.
    """
    command = [sys.executable, "-P", "-m", "benchtest", "simulate", str(prop_file), "--json"]
    command += ["--port", "0", "--while-input-is-open"]
    for fault in faults:
        command += [f"--fault={fault}"]
    if seed is not None:
        command += ["--seed", str(seed)]
    if meter is not None:
        command += ["--meter", meter]
    if output:
        command += ["--output", output]
    with _stderr_file() as words:
        process = _start_process(command, words)
        try:
            where = _read_address(process)
            return RemoteProp(process, where["host"], where["port"], where["control_port"])
        except (OSError, ValueError, LookupError) as error:
            _stop_process(process)
            reason = _read_stderr(words) or str(error)
            raise DriveFault(f"the virtual prop did not start: {reason}") from error
        except BaseException:
            _stop_process(process)
            raise


def _stderr_file() -> IO[str]:
    """Open a temporary file for its standard error."""
    with temp_file_errors():
        return tempfile.TemporaryFile(mode="w+")


def _start_process(command: Sequence[str], words: IO[str]) -> subprocess.Popen[str]:
    try:
        return subprocess.Popen(
            command,
            stdin=subprocess.PIPE,  # closed when this program ends, however it ends
            stdout=subprocess.PIPE,
            stderr=words,
            text=True,
            **own_group(),  # Ctrl-C must reach this program only
        )
    except OSError as error:  # too many processes or open files
        raise DriveFault(f"the virtual prop did not start: {error.strerror}") from error


def _read_address(process: subprocess.Popen[str]) -> dict[str, Any]:
    """Read its first line, which contains its address.

    Raises:
        TimeoutError: it printed nothing.
        ValueError: it printed another line, or ended.
    """
    assert process.stdout is not None
    lines: queue.SimpleQueue[str] = queue.SimpleQueue()
    # a thread, since Windows cannot wait for a pipe with a time-out; the process's end ends it
    threading.Thread(
        target=lambda pipe: lines.put(pipe.readline()), args=(process.stdout,), daemon=True
    ).start()
    try:
        line = lines.get(timeout=_START_TIMEOUT_S)
    except queue.Empty:
        raise TimeoutError(f"no output within {_START_TIMEOUT_S:g} s") from None
    where: dict[str, Any] = json.loads(line)["listening"]
    return where


def _stop_process(process: subprocess.Popen[str]) -> None:
    """Close its input, which ends it; kill it if that fails."""
    if process.stdin is not None:
        with contextlib.suppress(OSError):
            process.stdin.close()
    try:
        process.wait(timeout=_END_TIMEOUT_S)
    except subprocess.TimeoutExpired:
        process.kill()
        process.wait()
    if process.stdout is not None:
        process.stdout.close()


def _read_stderr(words: IO[str]) -> str:
    words.seek(0)
    return words.read().strip().removeprefix("benchtest: ")


def _seen(word: str) -> Seen:
    return SEEN[SEEN.index(word)]


class _HasState(Protocol):
    """An object whose state contains the checksum of the frame received last."""

    def state(self) -> dict[str, Any]: ...


def wait_for_frame(
    prop: _HasState, frame: Callable[[], Frame], within_s: float = FRAME_TIMEOUT_S
) -> None:
    """Wait until the prop shows a frame: on a busy machine no fixed time is long enough.

    Args:
        prop: the virtual prop.
        frame: returns the frame to wait for, which may change meanwhile by other input.
        within_s: longest wait. [s]

    Raises:
        DriveFault: the frame did not arrive in time.
    """
    due_s = time.monotonic() + within_s
    while prop.state()["frame"] != frame_checksum(frame()):
        if time.monotonic() > due_s:
            raise DriveFault("the virtual prop receives nothing; check the loopback network")
        time.sleep(_POLL_INTERVAL_S)
