"""`benchtest report` and `benchtest label`: records and labels to print."""

from __future__ import annotations

import argparse
import re
import sys
from collections.abc import Iterator
from pathlib import Path
from typing import TYPE_CHECKING

from benchtest.cli.atomic_write import write_atomic
from benchtest.cli.common import Commands, bench_of, print_json, shown, whole
from benchtest.errors import InputError

if TYPE_CHECKING:
    from benchtest.records.label import LabelContent
    from benchtest.records.models import SessionRow
    from benchtest.records.shelf import Shelf

STDOUT = Path("-")


def register(commands: Commands[argparse.ArgumentParser]) -> Iterator[argparse.ArgumentParser]:
    """Declare `report` and `label` and their options."""
    report = commands.add_parser(
        "report",
        help="writes a unit's test record, or all units of a design, as an HTML page",
        description="Writes the record of a unit's last test as one self-contained HTML page, "
        "ready to print; with --design a page that compares all units of that design.",
    )
    report.add_argument(
        "tag",
        metavar="TAG",
        nargs="?",
        help="the unit, such as WF-03, or the text of its label's QR code",
    )
    report.add_argument("--design", metavar="NAME", help="all units of this design instead")
    report.add_argument(
        "-o",
        "--output",
        type=Path,
        metavar="FILE",
        help="file to write, - for standard output (default: TAG.html here)",
    )
    report.set_defaults(run=run_report)
    yield report
    yield _register_label(commands)


def _register_label(commands: Commands[argparse.ArgumentParser]) -> argparse.ArgumentParser:
    label = commands.add_parser(
        "label",
        help="writes labels for units: tag, result, date and QR code",
        description="Writes labels with tag, design, stage, date, result and a QR code with unit "
        "and record. Without --sheet each label is its own page, for a roll.",
    )
    label.add_argument("tags", metavar="TAG", nargs="*", help="the units, such as WF-03 WF-04")
    label.add_argument("--design", metavar="NAME", help="all tested units of this design")
    size = label.add_mutually_exclusive_group()
    size.add_argument(
        "--size",
        metavar="WxH",
        default="62x29",
        help="width x height in millimetres: 62x29, 50x25, 57x32, 89x36, 100x50 or any other "
        "(default: 62x29)",
    )
    size.add_argument("--sheet", metavar="NAME", help="sheet of labels: a4-21, a4-24, letter-30")
    label.add_argument(
        "--skip",
        type=whole,
        default=0,
        metavar="N",
        help="leave the first N places empty, for a sheet that is partly used",
    )
    label.add_argument(
        "-o",
        "--output",
        type=Path,
        metavar="FILE",
        help=".pdf or .svg (default: TAG-label.pdf here, labels.pdf for several)",
    )
    label.set_defaults(run=run_label)
    return label


def run_report(args: argparse.Namespace) -> int:
    """Write the page, and print its file name."""
    if (args.tag is None) == (args.design is None):
        raise InputError(
            "report: give one unit, such as WF-03, or a design with --design NAME; "
            "`benchtest shelf` lists both"
        )
    return _batch(args) if args.tag is None else _unit(args)


def _unit(args: argparse.Namespace) -> int:
    from benchtest.comparison.unit_report import unit_report_content
    from benchtest.records.label import parse_code
    from benchtest.records.report import render_report
    from benchtest.records.shelf import Shelf
    from benchtest.session.session import Session

    tag, record = parse_code(args.tag)
    with Shelf(bench_of(args)) as shelf:
        row = _session(shelf, tag, record)
        content = unit_report_content(Session.resume(shelf, row.id))
    answer: dict[str, object] = {"tag": tag, "session": row.id}
    answer |= {"verdict": content.verdict, "open": list(content.waits_for)}
    return _answer(args, render_report(content), f"{tag}.html", answer)


def _batch(args: argparse.Namespace) -> int:
    from benchtest.comparison.batch_report import batch_content, render_batch
    from benchtest.records.shelf import Shelf
    from benchtest.session.session import utc_now

    with Shelf(bench_of(args)) as shelf:
        content = batch_content(shelf, args.design, utc_now())
    page = render_batch(content)
    tags = [unit.tag for unit in content.units]
    answer = {"design": args.design, "units": tags, "outliers": content.odd_tags}
    return _answer(args, page, f"{_file_name(args.design)}.html", answer)


def _answer(args: argparse.Namespace, page: str, default: str, answer: dict[str, object]) -> int:
    if args.output == STDOUT and not args.json:
        sys.stdout.buffer.write(page.encode())  # the page declares UTF-8; the terminal may differ
        return 0
    path = args.output if args.output not in (None, STDOUT) else Path(default)
    write_atomic(path, page.encode())
    if args.json:
        print_json({**answer, "file": str(path)})
    else:
        print(f"Wrote {shown(path)}.")
    return 0


def _session(shelf: Shelf, tag: str, record: str | None) -> SessionRow:
    """Return the session of a record, or the unit's last test without a record."""
    from benchtest.session.session import last_test

    shelf.unit(tag)
    if record is not None:
        for row in shelf.sessions(tag):
            if row.id == record:
                return row
        raise InputError(
            f"unit {tag}: record {record[:40]} is not on this bench; import it, or give only the "
            "tag for the last one"
        )
    tested = last_test(shelf, tag)
    if tested is None:
        raise InputError(f"unit {tag}: has no test to report yet; test it first")
    return tested[0]


def run_label(args: argparse.Namespace) -> int:
    """Write the labels, and print the file name."""
    from benchtest.records.shelf import Shelf

    if not args.tags and args.design is None:
        raise InputError("label: give units, such as WF-03 WF-04, or a design with --design NAME")
    if args.skip < 0 or (args.skip and args.sheet is None):
        raise InputError(f"--skip {args.skip}: give 0 or more, together with --sheet")
    with Shelf(bench_of(args)) as shelf:
        labels = _labels(shelf, args)
    default = f"{labels[0].tag}-label.pdf" if len(labels) == 1 else "labels.pdf"
    path = args.output or Path(default)
    write_atomic(path, _drawn(args, labels, path))
    if args.json:
        print_json({"tags": [label.tag for label in labels], "file": str(path)})
    else:
        print(f"Wrote {len(labels)} {'label' if len(labels) == 1 else 'labels'} to {shown(path)}.")
    return 0


def _labels(shelf: Shelf, args: argparse.Namespace) -> list[LabelContent]:
    from benchtest.session.report.report_content import label_content
    from benchtest.session.report.unit_history import units_of
    from benchtest.session.session import last_test

    tags = list(args.tags)
    if args.design is not None:
        units = units_of(shelf, args.design)
        tags += [unit.tag for unit in units if last_test(shelf, unit.tag) is not None]
    return [label_content(shelf, tag) for tag in dict.fromkeys(tags)]


def _drawn(args: argparse.Namespace, labels: list[LabelContent], path: Path) -> bytes:
    from benchtest.records import label as paper

    kind = path.suffix.lower()
    if kind not in (".pdf", ".svg"):
        raise InputError(f"{path}: labels are written as .pdf or .svg; use one of these endings")
    if args.sheet is not None:
        sheet = paper.find_sheet(args.sheet)
        if args.skip >= sheet.count:
            raise InputError(f"--skip {args.skip}: a sheet has {sheet.count} labels")
        if kind == ".svg":
            return paper.sheet_svg(labels, sheet, args.skip).encode()
        return paper.sheet_pdf(labels, sheet, args.skip)
    size = paper.parse_size(args.size)
    if kind == ".pdf":
        return paper.labels_pdf(labels, size)
    if len(labels) > 1:
        raise InputError(
            f"{path}: an SVG file has one label or one sheet; write a .pdf, or add --sheet"
        )
    return paper.label_svg(labels[0], size).encode()


MAX_STEM_CHARS = 60
"""Characters of a file name without its ending: at four octets each, within the 255 of Linux."""


def _file_name(design_name: str) -> str:
    """Return the stem of a file name for a design.

    >>> _file_name("Willow fan / 2")
    'willow-fan-2'
    """
    stem = re.sub(r"[^\w.-]+", "-", design_name.lower())[:MAX_STEM_CHARS]
    return stem.strip("-.") or "design"
