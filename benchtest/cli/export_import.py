"""`benchtest export` and `benchtest import`: records from bench to bench."""

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
MOST_OCTETS = 200_000_000
"""Some ten thousand sessions. Larger files would not fit into a small machine's memory."""


def register(commands: Commands[argparse.ArgumentParser]) -> Iterator[argparse.ArgumentParser]:
    """Declare `export` and `import` and their options."""
    leaving = commands.add_parser(
        "export",
        help="the bench's records as JSON lines",
        description="Writes the bench's records as JSON lines, one session a line, then the units "
        "that have none; or the last readings or marks of one unit as a table.",
    )
    leaving.add_argument("-o", "--output", type=Path, metavar="FILE", help="default: standard out")
    leaving.add_argument("--unit", metavar="TAG", help="one unit alone (default: all)")
    leaving.add_argument(
        "--csv",
        choices=("readings", "marks"),
        help="of a unit's last test, as a table for spreadsheets and for `benchtest diagnose`",
    )
    leaving.add_argument(
        "--schema", action="store_true", help="the JSON schema of a line, instead of records"
    )
    leaving.set_defaults(run=run_export)
    yield leaving
    coming = commands.add_parser(
        "import",
        help="takes in exported records; what is here already stays as it is",
        description="Takes in records that `benchtest export` wrote. Taking the same file twice "
        "changes nothing; a file with a fault changes nothing either.",
    )
    coming.add_argument("file", type=Path, metavar="FILE", help="- for standard input")
    coming.add_argument(
        "--leave-differing",
        action="store_true",
        help="leave out sessions that were gone on with here and there, and take the others",
    )
    coming.set_defaults(run=run_import)
    yield coming


def run_export(args: argparse.Namespace) -> int:
    """Write the lines, a table or the schema."""
    to_stdout = args.output in (None, STDIO)
    if args.json and to_stdout:
        raise InputError("export --json: give -o FILE for the records; the answer goes to stdout")
    text, counts = _exported(args)
    if to_stdout:
        sys.stdout.buffer.write(text.encode())  # as it is: no line end is turned into another
        return 0
    write_atomic(args.output, text.encode())
    if args.json:
        print_json({"file": str(args.output), **counts})
    else:
        words = " and ".join(f"{count} {what.replace('_', ' ')}" for what, count in counts.items())
        print(f"Wrote {words} to {shown(args.output)}.")
    return 0


def _exported(args: argparse.Namespace) -> tuple[str, dict[str, int]]:
    """What is written, and how many of what it is."""
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
    for words in left_out:
        print(f"Left out: {shown(words)}.", file=sys.stderr)
    counts = {"sessions": sessions, "untested_units": len(lines) - sessions}
    return "".join(f"{line}\n" for line in lines), counts


def run_import(args: argparse.Namespace) -> int:
    """Take in the lines, and say what was new."""
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
        for why in taken.left_out:
            print(f"Left out: {why}.")
    return 0


def read_export(path: Path) -> str:
    """Text of an exported file; `-` is standard input.

    Raises:
        InputError: it cannot be read, or is no text.
    """
    try:
        with sys.stdin.buffer if path == STDIO else path.open("rb") as file:
            octets = file.read(MOST_OCTETS + 1)
        if len(octets) > MOST_OCTETS:
            raise InputError(f"{path}: larger than 200 MB; export its units one by one (--unit)")
        return octets.decode("utf-8-sig")  # an editor or a spreadsheet may have put a mark in front
    except IsADirectoryError:
        raise InputError(f"{path}: is a folder; give the exported file in it") from None
    except OSError as error:
        raise InputError(f"{path}: cannot be read: {error.strerror}") from None
    except UnicodeDecodeError:
        raise InputError(
            f"{path}: is no UTF-8 text, so no exported records; give a file that "
            "`benchtest export` wrote"
        ) from None
