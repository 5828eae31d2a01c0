"""Starting the terminal program, where there is a terminal that is large enough."""

from __future__ import annotations

import os
import sys

from benchtest.errors import BenchError, InputError
from benchtest.session.launch_options import Bench, check_launch_options
from benchtest.tui.app import PracticeAsked, run_app
from benchtest.tui.browser import in_browser
from benchtest.tui.glyphs import MIN_COLUMNS, MIN_LINES


def launch(
    bench: Bench, first_tag: str | None = None, practice: PracticeAsked | None = None
) -> None:
    """Run the terminal program until its user leaves.

    Args:
        bench: what it is started with.
        first_tag: unit to begin or go on with at once.
        practice: grade and seed of a round of practice to begin with at once.

    Raises:
        BenchError: there is no terminal, or it is too small, or the bench cannot be used.
    """
    check_launch_options(bench)
    if not in_browser():
        _check_terminal()
        for word in ("COLUMNS", "LINES"):  # of another size, perhaps: the terminal tells its own
            os.environ.pop(word, None)
    run_app(bench, first_tag, practice)


def _check_terminal() -> None:
    if not (sys.stdin.isatty() and sys.stdout.isatty()):
        raise InputError(
            "the terminal program needs a terminal; `benchtest demo --auto` works without one"
        )
    if sys.__stderr__ is None or not sys.__stderr__.isatty():
        raise InputError(
            "the terminal program draws on standard error; leave the redirection of it out"
        )
    size = os.get_terminal_size()
    if size.columns < MIN_COLUMNS or size.lines < MIN_LINES:
        raise BenchError(
            f"this terminal has {size.columns}×{size.lines} characters; "
            f"make it {MIN_COLUMNS}×{MIN_LINES} or larger"
        )
