"""Start of the terminal program, after a check of the terminal."""

from __future__ import annotations

import os
import sys

from benchtest.errors import BenchError, InputError
from benchtest.operating_system import voice_command
from benchtest.session.launch_options import LaunchOptions, check_launch_options
from benchtest.tui.app import PracticeAsked, run_app
from benchtest.tui.browser import in_browser
from benchtest.tui.glyphs import MIN_COLUMNS, MIN_LINES


def launch(
    bench: LaunchOptions, first_tag: str | None = None, practice: PracticeAsked | None = None
) -> None:
    """Run the terminal program until the user ends it.

    Args:
        bench: folder, target, meter and other options.
        first_tag: unit to test at once.
        practice: grade and seed of a practice round to begin at once.

    Raises:
        BenchError: there is no terminal, or it is too small, or the bench cannot be used.
    """
    check_launch_options(bench)
    if not in_browser():
        _check_terminal()
        if bench.speaks and voice_command() is None:
            raise InputError(
                "--say: this system has no voice; on Debian sudo apt install speech-dispatcher or "
                "espeak-ng"
            )
        for name in ("COLUMNS", "LINES"):  # may be outdated: the terminal reports its size
            os.environ.pop(name, None)
    run_app(bench, first_tag, practice)


def _check_terminal() -> None:
    if not (sys.stdin.isatty() and sys.stdout.isatty()):
        raise InputError(
            "the terminal program needs a terminal; `benchtest demo --auto` works without one"
        )
    if sys.__stderr__ is None or not sys.__stderr__.isatty():
        raise InputError("the terminal program draws on standard error; do not redirect it")
    size = os.get_terminal_size()
    if size.columns < MIN_COLUMNS or size.lines < MIN_LINES:
        raise BenchError(
            f"this terminal has {size.columns}×{size.lines} characters; "
            f"make it {MIN_COLUMNS}×{MIN_LINES} or larger"
        )
