"""The shell's side: runs one command and turns what goes wrong into words and an exit code."""

from __future__ import annotations

import io
import os
import sys
from collections.abc import Sequence
from typing import TextIO

from benchtest.cli import completion
from benchtest.cli.parser import UsageFault, build_parser, parse
from benchtest.errors import BenchError

TRACEBACK = "BENCHTEST_TRACEBACK"


def run(argv: Sequence[str] | None) -> int:
    """Run one command, but for Ctrl-C; see `benchtest.cli.main`."""
    _stand_in_for_closed_streams()
    _let_any_terminal_print()
    # before numpy is there: sums this small wait for a second thread longer than it helps, and come
    # out the same to the last digit on any number of cores
    os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")
    try:
        code = _run(sys.argv[1:] if argv is None else argv)
        unsaid = _unsaid()
    except BrokenPipeError:
        _forget(sys.stdout)  # whoever read it has enough, as `head` does
        return 1
    return _say(unsaid, 1) if unsaid and code == 0 else code


def _run(argv: Sequence[str]) -> int:
    try:
        parser = build_parser()
        completion.answer(parser)
        args = parse(parser, argv)
        _hush_libraries()
        code: int = args.run(args)
    except SystemExit as stop:  # argparse after --help and --version
        return stop.code if isinstance(stop.code, int) else 0
    except UsageFault as fault:
        return _say(str(fault), fault.exit_code)
    except BenchError as fault:
        return _say(f"benchtest: {fault}", fault.exit_code)
    except BrokenPipeError:
        raise
    except Exception as fault:
        if isinstance(fault, OSError) and (unsaid := _unsaid("\n")):
            return _say(unsaid, 1)
        if os.environ.get(TRACEBACK):
            raise
        return _say(f"benchtest: {_unforeseen(fault)}", 1)
    return code


def _hush_libraries() -> None:
    """What libraries log is no word to a person at a bench, such as where one keeps its fonts."""
    import logging

    root = logging.getLogger()
    if not root.handlers and not os.environ.get(TRACEBACK):
        root.addHandler(logging.NullHandler())


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
    try:
        print(safe, file=sys.stderr)
    except OSError:  # where nobody can be told, the code still says it
        _forget(sys.stderr)
    return code


def _unsaid(last: str = "") -> str | None:
    """Why the answer did not get out; None where it did. Nothing goes that way any more then.

    Args:
        last: sent after it, for what failed once need not be tried again by flushing alone.
    """
    try:
        sys.stdout.write(last)
        sys.stdout.flush()
    except BrokenPipeError:
        raise
    except OSError as fault:
        _forget(sys.stdout)
        return f"benchtest: standard output: cannot be written: {fault.strerror}"
    return None


def _stand_in_for_closed_streams() -> None:
    """A stream that the shell closed, as `>&-` does: it may not become the first file opened.

    An answer to nobody fails as on a full disk; nobody there to ask is the end of input; words
    about what went wrong are let go.
    """
    for name, flags, mode in (
        ("stdin", os.O_RDONLY, "r"),
        ("stdout", os.O_RDONLY, "w"),
        ("stderr", os.O_WRONLY, "w"),
    ):
        if getattr(sys, name) is None:
            setattr(sys, name, os.fdopen(os.open(os.devnull, flags), mode, encoding="utf-8"))


def _let_any_terminal_print() -> None:
    """A sign that a terminal's encoding lacks becomes `?`, never an error."""
    for stream in (sys.stdout, sys.stderr):
        if isinstance(stream, io.TextIOWrapper):
            stream.reconfigure(errors="replace")


def _forget(stream: TextIO) -> None:
    """Keep the interpreter from flushing what cannot get out, and complaining, at its end."""
    os.dup2(os.open(os.devnull, os.O_WRONLY), stream.fileno())
