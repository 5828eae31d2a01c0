"""`benchtest shelf`: all units of the bench."""

from __future__ import annotations

import argparse
import sys
from collections.abc import Iterator
from typing import TYPE_CHECKING, Any

from benchtest.cli.common import Commands, bench_of, print_json, print_table, shown

if TYPE_CHECKING:
    from benchtest.records.models import SessionRow, Unit
    from benchtest.records.shelf import Shelf


def register(commands: Commands[argparse.ArgumentParser]) -> Iterator[argparse.ArgumentParser]:
    """Declare `shelf` and its options."""
    shelf = commands.add_parser(
        "shelf",
        help="lists every unit with its state and what is still to do",
        description="Lists every unit of this bench, and what is still to do before it may go "
        "outdoors.",
    )
    shelf.add_argument(
        "--restore",
        action="store_true",
        help="replace damaged records by the last intact copy; close other programs first",
    )
    shelf.add_argument(
        "--rename",
        nargs=2,
        metavar=("TAG", "NEW"),
        help="give a unit another tag; its record stays and is found under both tags",
    )
    shelf.add_argument(
        "--retire", metavar="TAG", help="take a unit off the shelf; its record stays"
    )
    shelf.add_argument("--bring-back", metavar="TAG", help="put a retired unit back on the shelf")
    shelf.set_defaults(run=run_shelf)
    yield shelf


def run_shelf(args: argparse.Namespace) -> int:
    """List the units."""
    from benchtest.records.shelf import Shelf
    from benchtest.session.session import shelf_rows

    if args.restore:
        return _restore(args)
    with Shelf(bench_of(args)) as shelf:
        _change(args, shelf)
        rows = sorted(shelf_rows(shelf), key=lambda row: row[0].retired)  # retired units last
        left_out = shelf.beyond_limits()
    if args.json:
        more = {"left_out": left_out} if left_out else {}
        print_json({"units": [_unit(*row) for row in rows], **more})
    elif rows:
        print_table(
            "Units on this bench",
            ["unit", "design", "stage", "last tested"],
            [_table_row(unit, row) for unit, row, _ in rows],
            "\n".join(_summary(unit, to_do) for unit, _, to_do in rows),
        )
    else:
        print(f"No units in {shown(bench_of(args))} yet.")
    for reason in left_out:
        print(f"Left out: {shown(reason)}.", file=sys.stderr)
    return 0


def _change(args: argparse.Namespace, shelf: Shelf) -> None:
    """Rename, retire or bring back the units of the options."""
    from benchtest.session.log.shelf_changes import rename_unit, retire_unit

    if args.rename is not None:
        rename_unit(shelf, *args.rename)
    if args.retire is not None:
        retire_unit(shelf, args.retire)
    if args.bring_back is not None:
        retire_unit(shelf, args.bring_back, retired=False)


def _restore(args: argparse.Namespace) -> int:
    from benchtest.records.restore import restore

    done = restore(bench_of(args))
    aside = None if done.aside is None else str(done.aside)
    if args.json:
        print_json(
            {"copy": str(done.copy.path), "events": done.copy.events,
             "saved_events": done.saved_events, "damaged": aside}
        )  # fmt: skip
        return 0
    print(f"Restored {done.copy}.")
    if aside is not None:
        if done.saved_events:
            print(f"{done.saved_events} later events were recovered too.")
        print(f"The damaged files are in {shown(aside)}.")
    return 0


def _unit(unit: Unit, row: SessionRow | None, to_do: list[str]) -> dict[str, Any]:
    return {
        "tag": unit.tag,
        "design": unit.design_name,
        "stage": unit.stage,
        "retired": unit.retired,
        "was": unit.was,
        "last_tested": None if row is None else row.started_at,
        "open": to_do,
        "says": _summary(unit, to_do),
    }


def _table_row(unit: Unit, row: SessionRow | None) -> tuple[str, ...]:
    tested = "never" if row is None else row.started_at[:10]
    return unit.tag, unit.design_name, "retired" if unit.retired else unit.stage, tested


def _summary(unit: Unit, to_do: list[str]) -> str:
    from benchtest.session.guidance.release import shelf_line

    name = unit.tag if unit.was is None else f"{unit.tag} (was {unit.was})"
    return f"{name}: retired" if unit.retired else shelf_line(name, unit.stage, to_do)
