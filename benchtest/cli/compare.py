"""`benchtest compare`: joints of one unit from test to test, or of all units of a design."""

from __future__ import annotations

import argparse
from collections.abc import Iterator, Sequence
from typing import TYPE_CHECKING

from benchtest.cli.common import Commands, bench_of, print_json, print_table
from benchtest.errors import InputError

if TYPE_CHECKING:
    from benchtest.comparison.report import BatchComparison, JointRow, UnitComparison


def register(commands: Commands[argparse.ArgumentParser]) -> Iterator[argparse.ArgumentParser]:
    """Declare `compare` and its options."""
    parser = commands.add_parser(
        "compare",
        help="changes of a unit's joints from test to test; outliers among units of a design",
        description="Compares the tests of a unit joint by joint: resistances with their "
        "uncertainty, and changes beyond noise. With --design it compares the last tests of all "
        "units of that design.",
    )
    parser.add_argument("tag", metavar="TAG", nargs="?", help="the unit, such as WF-03")
    parser.add_argument(
        "compared",
        metavar="SESSION",
        nargs="*",
        help="tests to compare, each by its date (2026-11-25) or the first letters of its record "
        "(default: all)",
    )
    parser.add_argument("--design", metavar="NAME", help="all units of this design instead")
    parser.add_argument(
        "--all-joints", action="store_true", help="list every joint, not only notable ones"
    )
    parser.set_defaults(run=run)
    yield parser


def run(args: argparse.Namespace) -> int:
    """Compare, and print the result."""
    from benchtest.comparison.gather import (
        compare_batch,
        compare_unit,
        gather_tests,
        gather_units,
    )
    from benchtest.records.shelf import Shelf

    if (args.tag is None) == (args.design is None):
        raise InputError(
            "compare: give one unit, such as WF-03, or a design with --design NAME; "
            "`benchtest shelf` lists both"
        )
    if len(args.compared) == 1:
        raise InputError("compare: give two tests or more, or none to compare all")
    found: UnitComparison | BatchComparison
    with Shelf(bench_of(args)) as shelf:
        if args.tag is None:
            gathered = gather_units(shelf, args.design)
        else:
            gathered = gather_tests(shelf, args.tag, args.compared)
    found = compare_batch(gathered) if args.tag is None else compare_unit(gathered)
    if args.json:
        print_json(found.as_json())
    else:
        _show(found, args)
    return 0


def _show(found: UnitComparison | BatchComparison, args: argparse.Namespace) -> None:
    from rich.text import Text

    from benchtest.cli.common import console

    rows = found.joints if args.all_joints else found.worth_showing
    title = f"{args.tag}: {found.design_name}" if args.tag else f"{found.design_name}: all units"
    if rows:
        print_table(f"{title}, joints", ["joint", *found.heads], map(_table_row, rows))
    else:
        console().print(Text(f"{title}: {', '.join(found.heads)}", style="bold"))
    for line in found.sentences:
        console().print(Text(line))
    for reason in found.left_out:
        console().print(Text(f"Left out: {reason}."))
    print(NOTE)


NOTE = (
    "Ranges are 90 % likely, from readings, tolerances and meter. They are electrical: also look\n"
    "at each joint, flex it, and read it once more when warm."
)


def _table_row(row: JointRow) -> Sequence[str]:
    return row.where, *(band.short for band in row.bands)
