"""A program at a terminal of its own, for benches that press its keys."""

from __future__ import annotations

import contextlib
import os
import pty
import re
import subprocess
import sys
import termios
import time
from collections.abc import Iterator, Sequence
from pathlib import Path

SCREEN = (40, 110)
"""Lines and columns."""


CONTROL = re.compile(rb"\x1b(\[[0-9;?$<>]*[A-Za-z]|\][^\x07]*\x07|[=>])")
"""Control sequences of a terminal between the letters that are drawn."""


@contextlib.contextmanager
def program(
    words: Sequence[str], root: Path | None = None, before: Sequence[str] = ()
) -> Iterator[int]:
    """Run Python with these words on a pty, in a checkout; yield the user's end of the pty.

    Args:
        words: words after the interpreter.
        root: the checkout; None for this one.
        before: command that starts the interpreter.
    """
    with running(words, root, before) as (ours, _):
        yield ours


@contextlib.contextmanager
def running(
    words: Sequence[str], root: Path | None = None, before: Sequence[str] = ()
) -> Iterator[tuple[int, int]]:
    """Run Python as `program` does; yield the user's end of the pty and the process's number."""
    ours, theirs = pty.openpty()
    termios.tcsetwinsize(theirs, SCREEN)
    os.set_blocking(ours, False)
    process = subprocess.Popen(
        [*before, sys.executable, *words], cwd=root,
        stdin=theirs, stdout=theirs, stderr=theirs, start_new_session=True,
        env=os.environ | {"TERM": "xterm-256color", "LANG": "C.UTF-8"},
    )  # fmt: skip
    os.close(theirs)
    try:
        yield ours, process.pid
    finally:
        process.terminate()
        process.wait(10.0)
        os.close(ours)


def drawn(ours: int, seconds: float = 0.0) -> bytes:
    """Return the output of a time, read at once: a terminal that is not read would block."""
    found, end_s = b"", time.monotonic() + seconds
    while True:
        with contextlib.suppress(OSError):  # nothing more is drawn
            while more := os.read(ours, 65536):
                found += more
        if time.monotonic() >= end_s:
            return found
        time.sleep(0.002)
