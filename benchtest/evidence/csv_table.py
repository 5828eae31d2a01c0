"""Rows of a CSV file with a header, every fault with its line."""

from __future__ import annotations

import csv
import io
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass
from typing import Generic, TypeVar

from benchtest.errors import BenchError, FileFaults, InputError, did_you_mean
from benchtest.input_files import printable, truncate_faults

Row = TypeVar("Row")

MAX_CSV_BYTES = 10_000_000
"""A file larger than this is no list of readings."""
MAX_CSV_ROWS = 20_000
"""Rows that are read; nobody takes so many readings of one unit."""


@dataclass(frozen=True)
class ParsedTable(Generic[Row]):
    """The good lines of a file, and what is wrong with the others."""

    file: str
    rows: tuple[Row, ...]
    faults: tuple[str, ...]
    unsafe: tuple[str, ...] = ()
    """What is wrong with the good lines together: none of them can be relied on."""
    lines: tuple[int, ...] = ()
    """Line of the file that each row stands in."""

    def good_lines(self) -> tuple[list[Row], tuple[str, ...]]:
        """The rows, and what was wrong with lines that can be left out.

        Raises:
            FileFaults: nothing good is left, more is wrong than right, or lines contradict.
        """
        if self.unsafe or len(self.faults) > len(self.rows):
            raise FileFaults(self.file, truncate_faults([*self.faults, *self.unsafe]))
        return list(self.rows), self.faults


def parse_csv(
    text: str,
    file: str,
    needed: Sequence[str],
    optional: Sequence[str],
    parse_row: Callable[[dict[str, str]], Row],
) -> ParsedTable[Row]:
    """Read every row, and go on after a bad one.

    Args:
        text: the file.
        file: its name, for the faults.
        needed: columns that must be there, in any order.
        optional: columns that may be there.
        parse_row: makes a value of one row's cells; raises one of our errors if it cannot.
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
    """Return the cells of one line; no cell of ours goes on in the next one.

    Raises:
        InputError: a quote in it is not closed, or it is not CSV.
    """
    row = line.rstrip("\r\n")
    reader = csv.reader([f"{row}\n", "\n"], skipinitialspace=True)
    try:
        cells = next(reader)
    except csv.Error as error:
        raise InputError(f"{error}; save the file as plain CSV") from None
    if reader.line_num > 1:  # it went on reading: a quote was open at the end of the line
        raise InputError(f"a quote is not closed: {printable(row)}; close it, or leave quotes out")
    return cells


def _rows(
    file: str,
    header: list[str],
    lines: Iterator[tuple[int, str]],
    parse_row: Callable[[dict[str, str]], Row],
) -> ParsedTable[Row]:
    rows: list[Row] = []
    numbers: list[int] = []
    faults: list[str] = []
    for number, line in lines:
        if len(rows) + len(faults) >= MAX_CSV_ROWS and line.strip(" ,\t\r\n"):
            return ParsedTable(file, (), (f"line {number}: more than {MAX_CSV_ROWS} rows",))
        try:
            cells = _cells(line)
            if not any(cell.strip() for cell in cells):
                continue
            if len(cells) > len(header):
                raise InputError(
                    f"has {len(cells)} cells, the header {len(header)}; "
                    "a number with a decimal comma is written with a point"
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
        return [f"is empty; its first line is: {','.join(needed)}"]
    if len(header) == 1 and header[0].count(";") + header[0].count("\t") >= len(needed) - 1 > 0:
        return ["line 1: columns are parted by commas, and decimals written with a point"]
    missing = [name for name in needed if name not in header]
    faults = [f"line 1: column {name} is missing; write {','.join(needed)}" for name in missing]
    for name in header:
        if name not in known:
            hint = did_you_mean(name, known) or f"; known are {', '.join(known)}"
            faults.append(f'line 1: column "{printable(name)}" is unknown{hint}')
    if len(set(header)) < len(header):
        faults.append("line 1: a column is named twice")
    return faults
