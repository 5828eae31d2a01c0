"""`benchtest export` and `benchtest import`: records as JSON lines, from bench to bench."""

from __future__ import annotations

import argparse
import sys
from collections.abc import Iterator
from pathlib import Path

from benchtest.cli.atomic_write import write_atomic
from benchtest.cli.common import Commands, bench_of, print_json, shown
from benchtest.errors import InputError
from benchtest.formatting import count_noun

STDIO = Path("-")
"""File name that stands for standard input or output."""
MAX_OCTETS = 200_000_000
"""Largest file to import, some ten thousand sessions, so that it fits a small machine's memory."""


def register(commands: Commands[argparse.ArgumentParser]) -> Iterator[argparse.ArgumentParser]:
    """Declare `export` and `import` and their options."""
    exporting = commands.add_parser(
        "export",
        help="writes the bench's records as JSON lines",
        description="Writes the bench's records as JSON lines, one session per line, then the "
        "units without sessions; or the last readings or marks of one unit as a table.",
    )
    exporting.add_argument(
        "-o", "--output", type=Path, metavar="FILE", help="file (default: standard output)"
    )
    exporting.add_argument("--unit", metavar="TAG", help="one unit only (default: all)")
    exporting.add_argument(
        "--csv",
        choices=("readings", "marks"),
        help="table of a unit's last test, for a spreadsheet or for `benchtest diagnose`",
    )
    exporting.add_argument(
        "--schema", action="store_true", help="print the JSON schema of a line, not the records"
    )
    exporting.set_defaults(run=run_export)
    yield exporting
    importing = commands.add_parser(
        "import",
        help="adds exported records; existing records stay unchanged",
        description="Adds records that `benchtest export` wrote. Importing a file again changes "
        "nothing; an invalid file changes nothing either.",
    )
    importing.add_argument("file", type=Path, metavar="FILE", help="- for standard input")
    importing.add_argument(
        "--leave-differing",
        action="store_true",
        help="skip sessions that were continued on both benches, and add the others",
    )
    importing.set_defaults(run=run_import)
    yield importing


def run_export(args: argparse.Namespace) -> int:
    """Write the lines, a table or the schema."""
    to_stdout = args.output in (None, STDIO)
    if args.json and to_stdout:
        raise InputError("export --json: give -o FILE for the records; stdout is for the JSON")
    text, counts = _exported(args)
    if to_stdout:
        sys.stdout.buffer.write(text.encode())  # binary, so that line ends stay unchanged
        return 0
    write_atomic(args.output, text.encode())
    if args.json:
        print_json({"file": str(args.output), **counts})
    else:
        listed = " and ".join(f"{count} {what.replace('_', ' ')}" for what, count in counts.items())
        print(f"Wrote {listed} to {shown(args.output)}.")
    return 0


def _exported(args: argparse.Namespace) -> tuple[str, dict[str, int]]:
    """Return the text to write, and the number of items of each kind."""
    from benchtest.records.json_lines import export_lines, schema_text
    from benchtest.records.shelf import Shelf

    if args.schema:
        return schema_text(), {"schemas": 1}
    if args.csv and not args.unit:
        raise InputError(f"export --csv {args.csv}: give the unit with --unit, such as WF-03")
    with Shelf(bench_of(args)) as shelf:
        if args.csv:
            from benchtest.session.report.export_tables import (
                last_evidence,
                marks_table,
                readings_table,
            )

            table = {"readings": readings_table, "marks": marks_table}[args.csv]
            text = table(last_evidence(shelf, args.unit))
            return text, {args.csv: text.count("\n") - 1}
        lines = list(export_lines(shelf, args.unit))
        sessions = len(shelf.sessions(args.unit))
        left_out = shelf.beyond_limits()
    for reason in left_out:
        print(f"Left out: {shown(reason)}.", file=sys.stderr)
    counts = {"sessions": sessions, "untested_units": len(lines) - sessions}
    return "".join(f"{line}\n" for line in lines), counts


def run_import(args: argparse.Namespace) -> int:
    """Import the lines, and print the number of new records."""
    from benchtest.records.json_lines import import_lines
    from benchtest.records.shelf import Shelf

    text = read_export(args.file)
    with Shelf(bench_of(args)) as shelf:
        taken = import_lines(shelf, text.split("\n"), str(args.file), args.leave_differing)
    if args.json:
        print_json(
            {
                "sessions": taken.sessions,
                "new_sessions": taken.new_sessions,
                "new_events": taken.new_events,
                "new_units": taken.new_units,
                "left": list(taken.left_out),
            }
        )
    else:
        print(
            f"Read {count_noun(taken.sessions, 'session')}: {taken.new_sessions} new, "
            f"with {count_noun(taken.new_events, 'new event')}; "
            f"{count_noun(taken.new_units, 'unit')} {'was' if taken.new_units == 1 else 'were'} "
            "not here before."
        )
        for reason in taken.left_out:
            print(f"Left out: {reason}.")
    return 0


def read_export(path: Path) -> str:
    """Return the text of an exported file; `-` is standard input.

    Raises:
        InputError: it cannot be read, or is not text.
    """
    try:
        with sys.stdin.buffer if path == STDIO else path.open("rb") as file:
            octets = file.read(MAX_OCTETS + 1)
        if len(octets) > MAX_OCTETS:
            raise InputError(f"{path}: larger than 200 MB; export its units one by one (--unit)")
        return octets.decode("utf-8-sig")  # editors and spreadsheets may add a byte order mark
    except IsADirectoryError:
        raise InputError(f"{path}: is a folder; give the exported file in it") from None
    except OSError as error:
        raise InputError(f"{path}: cannot be read: {error.strerror}") from None
    except UnicodeDecodeError:
        raise InputError(
            f"{path}: is not UTF-8 text; give a file that `benchtest export` wrote"
        ) from None
