"""Libraries of this Python and abilities of this terminal."""

from __future__ import annotations

import importlib
import os
import re
import sqlite3
import sys
from dataclasses import dataclass
from importlib import metadata

MODULES = {"pyserial": "serial", "textual-serve": "textual_serve"}
"""Import names that differ from the package names."""
MIN_SQLITE = (3, 37)
"""First version with STRICT tables. Source: SQLite release notes, 3.37.0."""

_WANTED = re.compile(r"^([A-Za-z0-9._-]+)\s*([^;]*)(;.*)?$")
_BOUND = re.compile(r"(>=|<)\s*([\d.]+)")


@dataclass(frozen=True, slots=True)
class Library:
    """A library that benchtest needs."""

    name: str
    version: str | None
    """Installed version, None if missing."""
    wanted: str
    """Version bounds, such as `>=1.11,<2`."""
    trouble: str | None
    """Reason why it cannot be used, None if it can."""


@dataclass(frozen=True, slots=True)
class Terminal:
    """The terminal at standard input and output."""

    is_terminal: bool
    columns: int
    lines: int
    colours: str | None
    """`truecolor`, `256`, `standard`, or None."""
    unicode: bool
    encoding: str


def libraries() -> list[Library]:
    """Return every library that this installation needs, SQLite last."""
    try:
        lines = metadata.requires("benchtest") or []
    except metadata.PackageNotFoundError:  # run from source, not installed
        lines = []
    return [*(_library(line) for line in lines if "extra" not in line), _sqlite()]


def _library(line: str) -> Library:
    parts = _WANTED.match(line)
    assert parts, line
    name, wanted = parts[1], parts[2].strip()
    try:
        version = metadata.version(name)
    except metadata.PackageNotFoundError:
        return Library(name, None, wanted, "is not installed")
    if not suits(version, wanted):
        return Library(name, version, wanted, f"is {version}; needs {wanted}")
    try:
        importlib.import_module(MODULES.get(name, name))
    except Exception as error:
        return Library(name, version, wanted, f"cannot be loaded: {error}")
    return Library(name, version, wanted, None)


def _sqlite() -> Library:
    wanted = f">={'.'.join(map(str, MIN_SQLITE))}"
    version = sqlite3.sqlite_version
    good = sqlite3.sqlite_version_info >= MIN_SQLITE
    trouble = None if good else f"is {version}; needs {wanted}: use a newer Python"
    return Library("SQLite", version, wanted, trouble)


def suits(version: str, wanted: str) -> bool:
    """Return True if a version is within bounds such as `>=1.11,<2`.

    >>> suits("1.11.0", ">=1.11,<2"), suits("2.0", ">=1.11,<2"), suits("1.9", ">=1.11")
    (True, False, False)
    """
    return all(
        (_numbers(version) >= _numbers(bound)) == (operator == ">=")
        for operator, bound in _BOUND.findall(wanted)
    )


def _numbers(version: str) -> tuple[int, ...]:
    """Return the numbers of a version without trailing zeros: 8.0 gives 8."""
    found = re.match(r"\d+(\.\d+)*", version)
    numbers = [int(part) for part in found[0].split(".")] if found else []
    while numbers and numbers[-1] == 0:
        numbers.pop()
    return tuple(numbers)


def terminal() -> Terminal:
    """Return the abilities of this terminal."""
    from rich.console import Console

    from benchtest.tui.glyphs import UNICODE, glyphs_for_terminal

    is_terminal = sys.stdin.isatty() and sys.stdout.isatty()
    size = os.get_terminal_size() if is_terminal else os.terminal_size((0, 0))
    colours = Console().color_system if is_terminal and "NO_COLOR" not in os.environ else None
    return Terminal(
        is_terminal,
        size.columns,
        size.lines,
        colours,
        glyphs_for_terminal() is UNICODE,
        str(getattr(sys.stdout, "encoding", "")),
    )
