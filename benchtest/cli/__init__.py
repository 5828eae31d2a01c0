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
    code = 1
    try:
        from benchtest.drive.signals import exit_on_first_signal

        exit_on_first_signal()
        from benchtest.cli.shell import run

        code = run(argv)
    except KeyboardInterrupt:
        with contextlib.suppress(OSError):  # perhaps nobody is there to be told
            os.write(2, b"benchtest: interrupted\n")
        code = INTERRUPTED
    finally:
        if argv is None:
            _bound_end(code)
    return code


def _bound_end(code: int) -> None:
    """Bound the time that what drove a prop takes to end; all else may wait for its reader."""
    from benchtest.drive.signals import exit_within, has_driven

    if has_driven():
        exit_within(code)
