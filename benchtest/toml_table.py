"""Tables of a TOML file, read key by key; faults are collected and reading continues."""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping, Sequence
from typing import Any, TypeVar

from benchtest.errors import InputError, did_you_mean
from benchtest.input_files import printable

_Value = TypeVar("_Value")

_MAX_UNKNOWN_KEYS = 20
"""Unknown keys of one table that are listed one by one."""
_MAX_SHOWN_BITS = 1000
"""Size of the largest whole number that is printed: Python refuses to print far larger ones."""


class TomlTable:
    """One table with its path in the file, and the list that its faults are added to.

    Every reader of a key returns None where the key is missing or invalid, and adds to `faults`,
    so that one pass finds every fault of a file.

    Attributes:
        path: keys that lead to the table, such as `strand[2]`; empty for the whole file.
        faults: `path.key: what is wrong; what would be right`, shared by all tables of a file.
    """

    def __init__(self, table: Any, path: str, faults: list[str]) -> None:
        self.path = path
        self.faults = faults
        self._table: Mapping[str, Any] = table if isinstance(table, dict) else {}
        if not isinstance(table, dict):
            self.faults.append(f"{path}: is {describe_value(table)}; write a table of keys")

    def fault(self, key: str, words: str) -> None:
        """Add a fault of a key: what is wrong, and what would be right."""
        self.faults.append(f"{self._path_of(key)}: {words}")

    def _path_of(self, key: str) -> str:
        return f"{self.path}.{key}" if self.path and key else self.path or key

    def has(self, key: str) -> bool:
        return key in self._table

    def get(self, key: str, needed: str = "") -> Any:
        """Return the raw value of a key, None where it is missing.

        Args:
            key: the key.
            needed: what to write; with it a missing key is a fault.
        """
        if key not in self._table and needed:
            self.fault(key, f"is missing; {needed}")
        return self._table.get(key)

    def number(
        self,
        key: str,
        *,
        minimum: float,
        maximum: float,
        default: float | None = None,
        exclusive: bool = False,
    ) -> float | None:
        """Read a number.

        Args:
            key: the key.
            minimum: least value.
            maximum: greatest value, included.
            default: value of a missing key; without it a missing key is a fault.
            exclusive: True where the minimum itself is invalid.
        """
        value = self.get(key, "" if default is not None else f"give a number up to {maximum:g}")
        if value is None:
            return default
        bounds = f"give a number {'above' if exclusive else 'from'} {minimum:g} to {maximum:g}"
        if isinstance(value, bool) or not isinstance(value, int | float):
            self.fault(key, f"is {describe_value(value)}; {bounds}")
            return None
        if value != value or value in (math.inf, -math.inf):
            self.fault(key, f"is not a finite number; {bounds}")
            return None
        if not minimum <= value <= maximum or (exclusive and value == minimum):
            self.fault(key, f"is {describe_value(value)}; {bounds}")
            return None
        return float(value)

    def whole(
        self, key: str, *, minimum: int, maximum: int, default: int | None = None
    ) -> int | None:
        """Read a whole number from `minimum` to `maximum`."""
        needed = "" if default is not None else f"give a whole number from {minimum}"
        value = self.get(key, needed)
        if value is None:
            return default
        is_whole = isinstance(value, int) and not isinstance(value, bool)
        if not is_whole or not minimum <= value <= maximum:
            bounds = f"give a whole number from {minimum} to {maximum}"
            self.fault(key, f"is {describe_value(value)}; {bounds}")
            return None
        return int(value)

    def text(self, key: str, *, needed: str = "", longest: int = 80) -> str | None:
        """Read a line of text without control characters, spaces at its ends removed."""
        value = self.get(key, needed)
        if value is None:
            return None
        if not isinstance(value, str):
            self.fault(key, f'is {describe_value(value)}; write text in quotes: "…"')
            return None
        if not value.strip() or len(value) > longest or not value.isprintable():
            length = f"write 1 to {longest} printable characters"
            self.fault(key, f"is {describe_value(value)}; {length}")
            return None
        return value.strip()

    def flag(self, key: str, default: bool) -> bool:
        value = self.get(key)
        if value is None:
            return default
        if not isinstance(value, bool):
            self.fault(key, f"is {describe_value(value)}; write true or false")
            return default
        return value

    def parsed(
        self, key: str, parse: Callable[[str], _Value], *, needed: str = "", longest: int = 80
    ) -> _Value | None:
        """Read text and return the value that `parse` makes of it.

        An `InputError` of `parse` becomes a fault of the key.
        """
        text = self.text(key, needed=needed, longest=longest)
        if text is None:
            return None
        try:
            return parse(text)
        except InputError as error:
            self.fault(key, str(error))
            return None

    def table(self, key: str) -> TomlTable | None:
        """Return the table under a key, None where there is no such key."""
        if not self.has(key):
            return None
        return TomlTable(self.get(key), self._path_of(key), self.faults)

    def tables(self, key: str, *, maximum: int) -> list[TomlTable]:
        """Return the tables of `[[key]]`, numbered from 1; none where there is no such key."""
        value = self.get(key)
        if value is None:
            return []
        if not isinstance(value, list):
            self.fault(key, f"is {describe_value(value)}; write one table [[{key}]] for each")
            return []
        if len(value) > maximum:
            self.fault(key, f"has {len(value)} tables; give at most {maximum}")
        path = self._path_of(key)
        return [
            TomlTable(table, f"{path}[{number}]", self.faults)
            for number, table in enumerate(value[:maximum], 1)
        ]

    def reject_other_keys(self, known: Sequence[str]) -> None:
        """Add a fault for every key that is not known, with a hint for a misspelled one."""
        unknown = [key for key in self._table if key not in known]
        for key in unknown[:_MAX_UNKNOWN_KEYS]:
            hint = did_you_mean(key, known) or f"; known keys are {', '.join(known)}"
            self.fault(printable(key), f"is not a known key{hint}")
        if len(unknown) > _MAX_UNKNOWN_KEYS:
            self.fault("", f"{len(unknown) - _MAX_UNKNOWN_KEYS} more keys here are unknown")


def describe_value(value: Any) -> str:
    """Return an untrusted value for a message: short, printable, as TOML writes it."""
    if isinstance(value, bool):
        return "true" if value else "false"
    if isinstance(value, dict):
        return "a table"
    if isinstance(value, list):
        return "a list"
    if isinstance(value, str):
        return f'"{printable(value)}"'
    if value is None:
        return "missing"
    if isinstance(value, int) and value.bit_length() > _MAX_SHOWN_BITS:
        return "far too large" if value > 0 else "far too small"
    return f"{value:g}" if isinstance(value, float) else str(value)[:40]
