"""CSV files with a header: rows as values, and every fault with its line."""

from __future__ import annotations

import csv
import io
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass
from typing import Generic, TypeVar

from benchtest.errors import BenchError, FileFaults, InputError, did_you_mean
from benchtest.input_files import printable, truncate_faults

_Row = TypeVar("_Row")

MAX_CSV_BYTES = 10_000_000
"""Size of the largest file that is read. [bytes]"""
_MAX_CSV_ROWS = 20_000
"""Rows of the largest file that is read; no unit has so many readings."""


@dataclass(frozen=True)
class ParsedTable(Generic[_Row]):
    """Valid rows of a file, and the faults of its other lines."""

    file: str
    rows: tuple[_Row, ...]
    faults: tuple[str, ...]
    unsafe: tuple[str, ...] = ()
    """Contradictions between valid rows, of which any may be wrong."""
    lines: tuple[int, ...] = ()
    """Line of the file that each row is in."""

    def good_lines(self) -> tuple[list[_Row], tuple[str, ...]]:
        """Return the valid rows, and the faults of lines that may be left out.

        Raises:
            FileFaults: more faults than valid rows, or rows that contradict each other.
        """
        if self.unsafe or len(self.faults) > len(self.rows):
            raise FileFaults(self.file, truncate_faults([*self.faults, *self.unsafe]))
        return list(self.rows), self.faults


def parse_csv(
    text: str,
    file: str,
    needed: Sequence[str],
    optional: Sequence[str],
    parse_row: Callable[[dict[str, str]], _Row],
) -> ParsedTable[_Row]:
    """Read every row of a CSV text; an invalid row is a fault, and reading continues.

    Args:
        text: content of the file.
        file: its name, for the faults.
        needed: columns that must be present, in any order.
        optional: columns that may be present.
        parse_row: returns the value of one row from its cells by column, or raises `BenchError`.
    """
    lines = enumerate(io.StringIO(text, newline=""), 1)
    try:
        header = [cell.strip().lower() for cell in _cells(next(lines, (1, ""))[1])]
    except InputError as error:
        return ParsedTable(file, (), (f"line 1: {error}",))
    if faults := _header_faults(header, needed, optional):
        return ParsedTable(file, (), tuple(faults))
    return _rows(file, header, lines, parse_row)


def _cells(line: str) -> list[str]:
    """Return the cells of one line; a cell may not continue on the next line.

    Raises:
        InputError: a quote is not closed, or the line is not CSV.
    """
    row = line.rstrip("\r\n")
    reader = csv.reader([f"{row}\n", "\n"], skipinitialspace=True)
    try:
        cells = next(reader)
    except csv.Error as error:
        raise InputError(f"{error}; save the file as plain CSV") from None
    if reader.line_num > 1:  # it read the next line: a quote was open at the end of this one
        raise InputError(f"a quote is not closed: {printable(row)}; close it, or remove it")
    return cells


def _rows(
    file: str,
    header: list[str],
    lines: Iterator[tuple[int, str]],
    parse_row: Callable[[dict[str, str]], _Row],
) -> ParsedTable[_Row]:
    rows: list[_Row] = []
    numbers: list[int] = []
    faults: list[str] = []
    for number, line in lines:
        if len(rows) + len(faults) >= _MAX_CSV_ROWS and line.strip(" ,\t\r\n"):
            return ParsedTable(
                file, (), (f"line {number}: more than {_MAX_CSV_ROWS} rows; split the file",)
            )
        try:
            cells = _cells(line)
            if not any(cell.strip() for cell in cells):
                continue
            if len(cells) > len(header):
                raise InputError(
                    f"has {len(cells)} cells, the header {len(header)}; "
                    "write numbers with a decimal point, not a comma"
                )
            padded = cells + [""] * (len(header) - len(cells))
            named = zip(header, padded, strict=True)
            rows.append(parse_row({name: cell.strip() for name, cell in named}))
            numbers.append(number)
        except BenchError as error:
            faults.append(f"line {number}: {error}")
    return ParsedTable(file, tuple(rows), tuple(faults), lines=tuple(numbers))


def _header_faults(header: list[str], needed: Sequence[str], optional: Sequence[str]) -> list[str]:
    known = [*needed, *optional]
    if not any(header):
        return [f"is empty; write a first line: {','.join(needed)}"]
    if len(header) == 1 and header[0].count(";") + header[0].count("\t") >= len(needed) - 1 > 0:
        return ["line 1: separate columns by commas, and write decimals with a point"]
    missing = [name for name in needed if name not in header]
    faults = [f"line 1: column {name} is missing; write {','.join(needed)}" for name in missing]
    for name in header:
        if name not in known:
            hint = did_you_mean(name, known) or f"; known columns are {', '.join(known)}"
            faults.append(f'line 1: column "{printable(name)}" is unknown{hint}')
    if len(set(header)) < len(header):
        faults.append("line 1: two columns have the same name")
    return faults
