"""Commands as forks of one process that has imported the program's modules.

Each command is a process of its own, with its own streams, folder, environment and exit code. Only
the imports, most of the time of a short command, are shared.
"""

from __future__ import annotations

import gc
import importlib
import json
import os
import pkgutil
import runpy
import signal
import socket
import subprocess
import sys
from collections.abc import Mapping, Sequence
from pathlib import Path
from tempfile import TemporaryFile

ROOT = Path(__file__).parents[2]
LIMIT_S = 60.0
"""Longest time of a command."""
_REQUEST_OCTETS = 1 << 17


class Forks:
    """The process that forks; commands run one after another."""

    def __init__(self) -> None:
        self._line, theirs = socket.socketpair(socket.AF_UNIX, socket.SOCK_SEQPACKET)
        with theirs:
            self._process = subprocess.Popen(
                [sys.executable, "-m", "tests.cli.forked", str(theirs.fileno())],
                stdin=subprocess.DEVNULL,
                stdout=subprocess.DEVNULL,
                cwd=ROOT,
                env=os.environ | {"OPENBLAS_NUM_THREADS": "1"},
                pass_fds=[theirs.fileno()],
                start_new_session=True,
            )
        self._line.settimeout(LIMIT_S)

    def run(
        self, words: Sequence[str], stdin: str, folder: Path, environment: Mapping[str, str]
    ) -> tuple[int, str, str]:
        """Run `benchtest` with these arguments.

        Returns:
            Exit code, standard output and standard error.
        """
        request = {"words": words, "folder": str(folder), "environment": dict(environment)}
        with TemporaryFile() as given, TemporaryFile() as out, TemporaryFile() as err:
            given.write(stdin.encode())
            given.seek(0)
            streams = [file.fileno() for file in (given, out, err)]
            socket.send_fds(self._line, [json.dumps(request).encode()], streams)
            try:
                code = int(self._line.recv(64))
            except TimeoutError:
                os.killpg(self._process.pid, signal.SIGKILL)
                raise
            for file in (out, err):
                file.seek(0)
            return code, out.read().decode(), err.read().decode()

    def close(self) -> None:
        self._line.close()
        self._process.wait(LIMIT_S)


def _import_all() -> None:
    import benchtest

    for module in pkgutil.walk_packages(benchtest.__path__, "benchtest."):
        if not module.name.startswith(("benchtest.tui", "benchtest.__main__")):
            importlib.import_module(module.name)


def main() -> None:
    """Fork for each request until the other end is closed."""
    _import_all()
    gc.freeze()  # each fork would copy what its collector looks at
    with socket.socket(fileno=int(sys.argv[1])) as line:
        while True:
            octets, streams, _, _ = socket.recv_fds(line, _REQUEST_OCTETS, 3)
            if not octets:
                return
            child = os.fork()
            if child == 0:
                break
            for stream in streams:
                os.close(stream)
            _, status = os.waitpid(child, 0)
            line.send(str(os.waitstatus_to_exitcode(status)).encode())
    for number, stream in enumerate(streams):
        os.dup2(stream, number)
        os.close(stream)
    request = json.loads(octets)
    os.chdir(request["folder"])
    os.environ.clear()
    os.environ.update(request["environment"])
    sys.argv = ["benchtest", *request["words"]]
    runpy.run_module("benchtest", run_name="__main__", alter_sys=True)


if __name__ == "__main__":
    main()
