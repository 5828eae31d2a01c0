"""Figures of a bench: printed for a person, and with `--json` gathered into one object."""

from __future__ import annotations

import contextlib
import json
import os
import sys
from collections.abc import Callable
from typing import Any

NOTED: list[dict[str, Any]] = []
ALSO: dict[str, Any] = {}
"""Further results of a bench, next to its figures, for tests that need them."""
AS_JSON = "BENCH_JSON"


def note(
    what: str,
    value: float | str,
    unit: str = "",
    *,
    most: float | None = None,
    least: float | None = None,
    **parts: float,
) -> None:
    """Keep a figure.

    Args:
        what: what was measured, in a few words.
        value: how much, or words.
        unit: of the value.
        most: its budget, where it must not be above.
        least: its budget, where it must not be below.
        parts: numbers that a sentence of the documents wants by themselves (`passages.py`).
    """
    figure = {"what": what, "value": _kept(value), "unit": unit, "most": most, "least": least}
    NOTED.append(figure | ({"parts": {k: _kept(v) for k, v in parts.items()}} if parts else {}))


def _kept(value: float | str) -> float | str:
    return float(f"{value:.4g}") if isinstance(value, float) else value


def run(main: Callable[[], int | None]) -> None:
    """Run a bench; with `--json` what it prints goes to standard error and its figures out."""
    if "--json" in sys.argv:
        sys.argv.remove("--json")
        os.environ[AS_JSON] = "1"  # for a bench that starts itself again
    if AS_JSON not in os.environ:
        sys.exit(main() or 0)
    with contextlib.redirect_stdout(sys.stderr):
        code = main() or 0
    print(json.dumps({"figures": NOTED, **ALSO}))
    sys.exit(code)
