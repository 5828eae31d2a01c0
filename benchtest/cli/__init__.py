"""Words typed in a shell.

Nothing heavy is imported here or where options are declared: a command imports what it needs when
it runs, so that `--help` costs little more than a bare interpreter.
"""

from __future__ import annotations

import contextlib
import os
from collections.abc import Sequence

INTERRUPTED = 130
"""What a shell expects of a program that Ctrl-C ended."""


def main(argv: Sequence[str] | None = None) -> int:
    """Run one command; Ctrl-C ends it in a word, however early or often it comes.

    Args:
        argv: the words after `benchtest`; those of this process when none are given.

    Returns:
        0 done; 2 bad input or usage; 1 failed while running; 130 interrupted.
    """
    try:
        from benchtest.drive.ending import end_once

        end_once()
        from benchtest.cli.shell import run

        return run(argv)
    except KeyboardInterrupt:
        with contextlib.suppress(OSError):  # perhaps nobody is there to be told
            os.write(2, b"benchtest: interrupted\n")
        return INTERRUPTED
