"""Entry point of the command line: runs one command and turns errors into messages and exit codes.

Only light modules are imported at the top: Ctrl-C must work before the rest has been loaded, and
`--help` must cost little more than a bare interpreter. A command imports its modules when it runs.
"""

from __future__ import annotations

import contextlib
import io
import os
import sys
from collections.abc import Sequence
from typing import TextIO

INTERRUPTED = 130
"""Exit code that a shell expects from a program ended by Ctrl-C."""

TRACEBACK = "BENCHTEST_TRACEBACK"
"""Environment variable that turns tracebacks and library log messages on."""


def main(argv: Sequence[str] | None = None) -> int:
    """Run one command, and end with one line at Ctrl-C, however early or often it comes.

    Args:
        argv: arguments after `benchtest`; None for those of this process.

    Returns:
        0 done; 2 bad input or usage; 1 failed while running; 130 interrupted.
    """
    code = 1
    try:
        from benchtest.drive.signals import exit_on_first_signal

        exit_on_first_signal()
        code = _run_and_flush(argv)
    except KeyboardInterrupt:
        with contextlib.suppress(OSError):  # standard error may be closed
            os.write(2, b"benchtest: interrupted\n")
        code = INTERRUPTED
    finally:
        if argv is None:
            _limit_exit_time(code)
    return code


def _limit_exit_time(code: int) -> None:
    """Limit the exit time of a process that drove a prop; any other may wait for a reader."""
    from benchtest.drive.signals import exit_within, has_driven

    if has_driven():
        exit_within(code)


def _run_and_flush(argv: Sequence[str] | None) -> int:
    """Run one command and flush its output; return the exit code."""
    _replace_closed_streams()
    _print_in_any_encoding()
    # Set before numpy is loaded: for matrices this small a second thread costs more than it saves,
    # and one thread gives the same digits on any number of cores.
    os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")
    try:
        code = _run(sys.argv[1:] if argv is None else argv)
        output_error = _flush_output()
    except BrokenPipeError:
        _discard(sys.stdout)  # the reader closed the pipe, as `head` does
        return 1
    return _print_error(output_error, 1) if output_error and code == 0 else code


def _run(argv: Sequence[str]) -> int:
    from benchtest.cli import completion
    from benchtest.cli.parser import UsageFault, build_parser, parse
    from benchtest.errors import BenchError

    try:
        if completion.REQUEST in os.environ:
            completion.answer(build_parser())
        args = parse(argv)
        _silence_libraries()
        code: int = args.run(args)
    except SystemExit as stop:  # argparse after --help and --version
        return stop.code if isinstance(stop.code, int) else 0
    except UsageFault as fault:
        return _print_error(str(fault), fault.exit_code)
    except BenchError as fault:
        return _print_error(f"benchtest: {fault}", fault.exit_code)
    except BrokenPipeError:
        raise
    except Exception as fault:
        if isinstance(fault, OSError) and (output_error := _flush_output("\n")):
            return _print_error(output_error, 1)
        if os.environ.get(TRACEBACK):
            raise
        return _print_error(f"benchtest: {_unexpected(fault)}", 1)
    return code


def _silence_libraries() -> None:
    """Drop log messages of libraries: they do not help a person at a bench."""
    import logging

    root = logging.getLogger()
    if not root.handlers and not os.environ.get(TRACEBACK):
        root.addHandler(logging.NullHandler())


def _unexpected(fault: Exception) -> str:
    """Return one sentence about an error that no command expects."""
    if isinstance(fault, OSError) and fault.strerror:
        where = f"{fault.filename}: " if fault.filename else ""
        what = f"{where}{fault.strerror}"
    else:
        what = f"{type(fault).__name__}: {fault}".rstrip(": ")
    return f"failed: {what}. Set {TRACEBACK}=1 to see where."


def _print_error(message: str, code: int) -> int:
    # file names and cells of files may contain control characters
    safe = "".join(char if char.isprintable() or char == "\n" else "?" for char in message)
    try:
        print(safe, file=sys.stderr)
    except OSError:  # standard error is closed: the exit code must do
        _discard(sys.stderr)
    return code


def _flush_output(last: str = "") -> str | None:
    """Flush standard output; on failure discard the rest of it and return a message.

    Args:
        last: text written first: after a failed write, a flush alone is not tried again.
    """
    try:
        sys.stdout.write(last)
        sys.stdout.flush()
    except BrokenPipeError:
        raise
    except OSError as fault:
        _discard(sys.stdout)
        return f"benchtest: standard output: cannot be written: {fault.strerror}"
    return None


def _replace_closed_streams() -> None:
    """Replace a stream that the shell closed (`>&-`), so that no file opened later gets its number.

    Closed standard input reads as end of file, closed standard output fails like a full disk, and
    closed standard error drops everything.
    """
    for name, flags, mode in (
        ("stdin", os.O_RDONLY, "r"),
        ("stdout", os.O_RDONLY, "w"),
        ("stderr", os.O_WRONLY, "w"),
    ):
        if getattr(sys, name) is None:
            setattr(sys, name, os.fdopen(os.open(os.devnull, flags), mode, encoding="utf-8"))


def _print_in_any_encoding() -> None:
    """Print `?` for a character that the terminal's encoding lacks, in place of an error."""
    for stream in (sys.stdout, sys.stderr):
        if isinstance(stream, io.TextIOWrapper):
            stream.reconfigure(errors="replace")


def _discard(stream: TextIO) -> None:
    """Point a stream at the null device, so that the interpreter's last flush cannot fail."""
    os.dup2(os.open(os.devnull, os.O_WRONLY), stream.fileno())
