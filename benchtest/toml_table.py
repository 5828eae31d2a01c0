"""One table of a TOML file, read key by key; what is wrong is noted and reading goes on."""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping, Sequence
from typing import Any, TypeVar

from benchtest.errors import InputError, did_you_mean
from benchtest.input_files import printable

Value = TypeVar("Value")

MOST_UNKNOWN = 20
"""Unknown keys of one table that are told one by one."""
MOST_BITS = 1000
"""Python takes long to write a larger whole number, or refuses to."""


class TomlTable:
    """A table with the words that lead to it, and the list that its faults go into.

    Every reader of a key returns None where the key is missing or wrong, and says so in `faults`,
    so that one pass finds every fault of a file.
    """

    def __init__(self, table: Any, where: str, faults: list[str]) -> None:
        self.where = where
        self.faults = faults
        self.used: set[str] = set()
        self.table: Mapping[str, Any] = table if isinstance(table, dict) else {}
        if not isinstance(table, dict):
            self.faults.append(f"{where}: is {describe_value(table)}; write a table of keys")

    def fault(self, key: str, words: str) -> None:
        """Note what is wrong with a key, and what would be right."""
        path = f"{self.where}.{key}" if self.where and key else self.where or key
        self.faults.append(f"{path}: {words}")

    def has(self, key: str) -> bool:
        return key in self.table

    def get(self, key: str, needed: str = "") -> Any:
        """The raw value; `needed` says what to write where it is missing."""
        self.used.add(key)
        if key not in self.table and needed:
            self.fault(key, f"is missing; {needed}")
        return self.table.get(key)

    def number(
        self,
        key: str,
        *,
        least: float,
        most: float,
        default: float | None = None,
        zero: bool = True,
    ) -> float | None:
        """A number from `least` to `most`; `zero=False` keeps out the lower end itself."""
        value = self.get(key, "" if default is not None else f"give a number up to {most:g}")
        if value is None:
            return default
        bounds = f"give a number {'from' if zero else 'above'} {least:g} to {most:g}"
        if isinstance(value, bool) or not isinstance(value, int | float):
            self.fault(key, f"is {describe_value(value)}; {bounds}")
            return None
        if value != value or value in (math.inf, -math.inf):
            self.fault(key, f"is no number; {bounds}")
            return None
        if not (least <= value <= most and (zero or value > least)):
            self.fault(key, f"is {describe_value(value)}; {bounds}")
            return None
        return float(value)

    def whole(self, key: str, *, least: int, most: int, default: int | None = None) -> int | None:
        """A whole number from `least` to `most`."""
        value = self.get(key, "" if default is not None else f"give a whole number from {least}")
        if value is None:
            return default
        if isinstance(value, bool) or not isinstance(value, int) or not least <= value <= most:
            self.fault(
                key, f"is {describe_value(value)}; give a whole number from {least} to {most}"
            )
            return None
        return value

    def text(self, key: str, *, needed: str = "", longest: int = 80) -> str | None:
        """A line of text without control characters."""
        value = self.get(key, needed)
        if value is None:
            return None
        if not isinstance(value, str):
            self.fault(key, f'is {describe_value(value)}; write text in quotes: "…"')
            return None
        if not value.strip() or len(value) > longest or not value.isprintable():
            self.fault(
                key, f"is {describe_value(value)}; write 1 to {longest} printable characters"
            )
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
        self, key: str, parse: Callable[[str], Value], *, needed: str = "", longest: int = 80
    ) -> Value | None:
        """Text that `parse` makes a value of; its error becomes the key's fault."""
        text = self.text(key, needed=needed, longest=longest)
        if text is None:
            return None
        try:
            return parse(text)
        except InputError as error:
            self.fault(key, str(error))
            return None

    def items(self, key: str, *, most: int, words: str) -> list[Any] | None:
        """A list of at most so many things."""
        value = self.get(key)
        if not isinstance(value, list) or len(value) > most:
            self.fault(key, f"is {describe_value(value)}; {words}")
            return None
        return value

    def sheets(self, key: str, *, most: int) -> list[TomlTable]:
        """The tables of `[[key]]`, numbered from 1."""
        value = self.get(key)
        if value is None:
            return []
        if not isinstance(value, list):
            self.fault(key, f"is {describe_value(value)}; write one table [[{key}]] for each")
            return []
        if len(value) > most:
            self.fault(key, f"has {len(value)} tables; at most {most} make sense")
        path = f"{self.where}.{key}" if self.where else key
        return [
            TomlTable(table, f"{path}[{number}]", self.faults)
            for number, table in enumerate(value[:most], 1)
        ]

    def sheet(self, key: str) -> TomlTable | None:
        """The table under a key, or None where there is none."""
        if not self.has(key):
            return None
        path = f"{self.where}.{key}" if self.where else key
        return TomlTable(self.get(key), path, self.faults)

    def no_other_keys(self, known: Sequence[str]) -> None:
        """Note every key that is not known, with a suggestion for a near miss."""
        unknown = [key for key in self.table if key not in known]
        for key in unknown[:MOST_UNKNOWN]:
            hint = did_you_mean(key, known) or f"; known are {', '.join(known)}"
            self.fault(printable(key), f"is no key of a prop file{hint}")
        if len(unknown) > MOST_UNKNOWN:
            self.fault("", f"{len(unknown) - MOST_UNKNOWN} more keys are unknown here")


def describe_value(value: Any) -> str:
    """A foreign value for a message: short, printable, in the words of TOML."""
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
    if isinstance(value, int) and value.bit_length() > MOST_BITS:
        return "far too large" if value > 0 else "far too small"
    return f"{value:g}" if isinstance(value, float) else str(value)[:40]
