"""A simulation in a process of its own, held by the one that started it."""

from __future__ import annotations

import contextlib
import json
import select
import socket
import subprocess
import sys
import tempfile
import threading
from collections.abc import Sequence
from pathlib import Path
from typing import IO, Any

from benchtest.errors import DriveFault, temp_file_errors
from benchtest.evidence.marks import SEEN, Seen
from benchtest.virtual.observer import Observation

_START_TIMEOUT_S = 20.0
_ANSWER_TIMEOUT_S = 20.0
_END_TIMEOUT_S = 5.0
LOOPBACK = "127.0.0.1"


class RemoteProp:
    """A virtual prop in another process: where to send, and a meter and a pair of eyes there.

    It ends with `stop`, or with the program that holds it, however that comes about. May be asked
    from several threads.
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
        """What to give to `--to`."""
        return f"e131:{self.host}:{self.port}"

    def measure(self, probe: str) -> float:
        """What the bench meter shows at a probe. [V]"""
        return float(self._ask({"measure": probe})["volts"])

    def amps(self, feed: str) -> float:
        """What a clamp round a feed shows. [A]"""
        return float(self._ask({"amps": feed})["amps"])

    def look(self) -> list[Observation]:
        """How every node that should be lit looks."""
        return [
            Observation(row["strand"], row["first"], row["last"], _seen(row["seen"]))
            for row in self._ask({"look": True})["sights"]
        ]

    def state(self) -> dict[str, Any]:
        """Counters of packets, sources, lowest node and feeds."""
        return self._ask({"state": True})

    def repair(self, where: str) -> bool:
        """Work on a joint or node; True where that was what was wrong."""
        return bool(self._ask({"repair": where})["was_wrong"])

    def stop(self) -> None:
        """End it. May be called again."""
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
                self._file.close()  # a late answer would be taken for the next one
            raise DriveFault(
                f"the virtual prop no longer answers ({error}); start it again"
            ) from error
        if not line:
            raise DriveFault("the virtual prop has ended; start it again")
        answer: dict[str, Any] = json.loads(line)
        if "error" in answer:
            raise DriveFault(f"the virtual prop says: {answer['error']}")
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
) -> RemoteProp:
    """Start `benchtest simulate` on free loopback ports, and wait until it listens.

    Raises:
        DriveFault: it did not start; its own words say why.
        BenchError: there is no room for temporary files.
    """
    command = [sys.executable, "-P", "-m", "benchtest", "simulate", str(prop_file), "--json"]
    command += ["--port", "0", "--while-input-is-open"]
    for fault in faults:
        command += [f"--fault={fault}"]
    if seed is not None:
        command += ["--seed", str(seed)]
    if meter is not None:
        command += ["--meter", meter]
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
    """A file for what it says on standard error."""
    with temp_file_errors():
        return tempfile.TemporaryFile(mode="w+")


def _start_process(command: Sequence[str], words: IO[str]) -> subprocess.Popen[str]:
    try:
        return subprocess.Popen(
            command,
            stdin=subprocess.PIPE,  # closes with this program, whatever ends it
            stdout=subprocess.PIPE,
            stderr=words,
            text=True,
            start_new_session=True,  # Ctrl-C is for the one who drives
        )
    except OSError as error:  # too many processes or files
        raise DriveFault(f"the virtual prop did not start: {error.strerror}") from error


def _read_address(process: subprocess.Popen[str]) -> dict[str, Any]:
    """Its first line: where it hears.

    Raises:
        TimeoutError: it says nothing.
        ValueError: it says something else, or ended.
    """
    assert process.stdout is not None
    if not select.select([process.stdout], [], [], _START_TIMEOUT_S)[0]:
        raise TimeoutError(f"it said nothing within {_START_TIMEOUT_S:g} s")
    where: dict[str, Any] = json.loads(process.stdout.readline())["listening"]
    return where


def _stop_process(process: subprocess.Popen[str]) -> None:
    """Close its input, at which it ends; where it does not, end it."""
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
