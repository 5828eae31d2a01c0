"""Libraries of this Python and abilities of this terminal."""

from __future__ import annotations

import importlib
import os
import sqlite3
import sys
from dataclasses import dataclass
from importlib import metadata
from typing import Any

from packaging.requirements import Requirement

MODULES = {"freetype-py": "freetype", "pyserial": "serial", "textual-serve": "textual_serve"}
"""Import names that differ from the package names."""
MIN_SQLITE = (3, 37)
"""First version with STRICT tables. Source: SQLite release notes, 3.37.0."""


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


def versions() -> dict[str, Any]:
    """Return the versions that a bug report needs; loads no library."""
    import platform

    from benchtest import __version__
    from benchtest.records.database import SCHEMA_VERSION

    found = {one.name: _installed_version(one.name) for one in _requirements()}
    return {
        "benchtest": __version__,
        "records": SCHEMA_VERSION,
        "python": f"{platform.python_implementation()} {platform.python_version()}",
        "system": platform.platform(),
        "machine": platform.machine(),
        "libraries": {**found, "SQLite": sqlite3.sqlite_version},
    }


def libraries() -> list[Library]:
    """Return every library that this installation needs, SQLite last."""
    return [*(_library(one) for one in _requirements()), _sqlite()]


def _requirements() -> list[Requirement]:
    """Return the libraries of a plain installation on this system."""
    try:
        lines = metadata.requires("benchtest") or []
    except metadata.PackageNotFoundError:  # run from source, not installed
        lines = []
    wanted = [Requirement(line) for line in lines]
    return [one for one in wanted if one.marker is None or one.marker.evaluate({"extra": ""})]


def _installed_version(name: str) -> str | None:
    try:
        return metadata.version(name)
    except metadata.PackageNotFoundError:
        return None


def _library(requirement: Requirement) -> Library:
    name, wanted = requirement.name, str(requirement.specifier)
    version = _installed_version(name)
    if version is None:
        return Library(name, None, wanted, "is not installed")
    if not requirement.specifier.contains(version, prereleases=True):
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
