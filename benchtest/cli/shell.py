"""The shell's side: runs one command and turns what goes wrong into words and an exit code."""

from __future__ import annotations

import io
import os
import sys
from collections.abc import Sequence

from benchtest.cli import completion
from benchtest.cli.parser import UsageFault, build_parser, parse
from benchtest.errors import BenchError

INTERRUPTED = 130
"""What a shell expects of a program that Ctrl-C ended."""
TRACEBACK = "BENCHTEST_TRACEBACK"


def main(argv: Sequence[str] | None = None) -> int:
    """Run one command.

    Args:
        argv: the words after `benchtest`; those of this process when none are given.

    Returns:
        0 done; 2 bad input or usage; 1 failed while running; 130 interrupted.
    """
    _let_any_terminal_print()
    # before numpy is there: sums this small wait for a second thread longer than it helps, and come
    # out the same to the last digit on any number of cores
    os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")
    try:
        code = _run(sys.argv[1:] if argv is None else argv)
        sys.stdout.flush()
    except BrokenPipeError:
        _forget_stdout()  # whoever read it has enough, as `head` does
        return 1
    return code


def _run(argv: Sequence[str]) -> int:
    try:
        parser = build_parser()
        completion.answer(parser)
        args = parse(parser, argv)
        code: int = args.run(args)
    except SystemExit as stop:  # argparse after --help and --version
        return stop.code if isinstance(stop.code, int) else 0
    except UsageFault as fault:
        return _say(str(fault), fault.exit_code)
    except BenchError as fault:
        return _say(f"benchtest: {fault}", fault.exit_code)
    except KeyboardInterrupt:
        return _say("benchtest: interrupted", INTERRUPTED)
    except BrokenPipeError:
        raise
    except Exception as fault:
        if os.environ.get(TRACEBACK):
            raise
        return _say(f"benchtest: {_unforeseen(fault)}", 1)
    return code


def _unforeseen(fault: Exception) -> str:
    """One sentence about an error that nobody foresaw."""
    if isinstance(fault, OSError) and fault.strerror:
        where = f"{fault.filename}: " if fault.filename else ""
        what = f"{where}{fault.strerror}"
    else:
        what = f"{type(fault).__name__}: {fault}".rstrip(": ")
    return f"failed: {what}. Set {TRACEBACK}=1 to see where."


def _say(words: str, code: int) -> int:
    # file names and cells of files may hold signs that a terminal obeys
    safe = "".join(sign if sign.isprintable() or sign == "\n" else "?" for sign in words)
    print(safe, file=sys.stderr)
    return code


def _let_any_terminal_print() -> None:
    """A sign that a terminal's encoding lacks becomes `?`, never an error."""
    for stream in (sys.stdout, sys.stderr):
        if isinstance(stream, io.TextIOWrapper):
            stream.reconfigure(errors="replace")


def _forget_stdout() -> None:
    """Keep the interpreter from flushing into a closed pipe, and complaining, at its end."""
    os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())
