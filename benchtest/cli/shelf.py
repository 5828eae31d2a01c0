"""`benchtest shelf`: what the bench keeps."""

from __future__ import annotations

import argparse
import sys
from collections.abc import Iterator
from typing import TYPE_CHECKING, Any

from benchtest.cli.common import Commands, bench_of, print_json, print_table, shown

if TYPE_CHECKING:
    from benchtest.records.kept import SessionRow, Unit


def register(commands: Commands[argparse.ArgumentParser]) -> Iterator[argparse.ArgumentParser]:
    """Declare `shelf` and its options."""
    shelf = commands.add_parser(
        "shelf",
        help="every unit with its state and what is still open",
        description="Lists every unit that this bench knows, and what keeps it from going "
        "outdoors.",
    )
    shelf.add_argument(
        "--restore",
        action="store_true",
        help="put the last whole copy of damaged records back; close other programs first",
    )
    shelf.set_defaults(run=run_shelf)
    yield shelf


def run_shelf(args: argparse.Namespace) -> int:
    """List the units."""
    from benchtest.records.shelf import Shelf
    from benchtest.session.live import shelf_rows

    if args.restore:
        return _restore(args)
    with Shelf(bench_of(args)) as shelf:
        rows = shelf_rows(shelf)
        left_out = shelf.beyond_limits()
    if args.json:
        more = {"left_out": left_out} if left_out else {}
        print_json({"units": [_unit(*row) for row in rows], **more})
    elif rows:
        print_table(
            "Units on this bench",
            ["unit", "design", "stage", "last tested"],
            [_line(unit, row) for unit, row, _ in rows],
            "\n".join(_words(unit, waits) for unit, _, waits in rows),
        )
    else:
        print(f"No units in {shown(bench_of(args))} yet.")
    for words in left_out:
        print(f"Left out: {shown(words)}.", file=sys.stderr)
    return 0


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
    print(f"Put back {done.copy}.")
    if aside is not None:
        if done.saved_events:
            print(f"{done.saved_events} later events could still be read, and are back too.")
        print(f"The damaged files are in {shown(aside)}.")
    return 0


def _unit(unit: Unit, row: SessionRow | None, waits: list[str]) -> dict[str, Any]:
    return {
        "tag": unit.tag,
        "design": unit.design_name,
        "stage": unit.stage,
        "last_tested": None if row is None else row.started_at,
        "open": waits,
        "says": _words(unit, waits),
    }


def _line(unit: Unit, row: SessionRow | None) -> tuple[str, ...]:
    tested = "never" if row is None else row.started_at[:10]
    return unit.tag, unit.design_name, unit.stage, tested


def _words(unit: Unit, waits: list[str]) -> str:
    from benchtest.session.guidance import shelf_words

    return shelf_words(unit.tag, unit.stage, waits)
