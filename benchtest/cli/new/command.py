"""`benchtest new`: questions about a prop, and its prop file from the answers."""

from __future__ import annotations

import argparse
import os
from collections.abc import Iterator
from pathlib import Path
from typing import TYPE_CHECKING

from benchtest.cli.common import Commands, bench_of, print_json, shown
from benchtest.errors import BenchError, InputError

if TYPE_CHECKING:
    from benchtest.cli.new.prompt import Prompt

OPTIONS = (
    ("--name", "TEXT", "name of the design"),
    ("--kind", "KIND", "kind of node, such as ws2811-5v"),
    ("--colour-order", "LETTERS", "order of the colours in the data (default: the kind's)"),
    ("--strands", "N", "number of strands"),
    ("--nodes", "N", 'nodes per strand; one number per strand if they differ: "24 18 18 24"'),
    ("--pitch-mm", "MM", "distance from node to node"),
    ("--lead-mm", "MM", 'wire from joint to outermost node; "80 40" is at A and at B'),
    ("--wire", "WIRE", 'wire of the strands, such as "22 AWG", "0.5 mm2" or "22 AWG CCA"'),
    ("--data", "PATH", 'zigzag, from-A, or the ends where data enters: "1A 2B 5A"'),
    ("--joins", "WHAT", "both, A, B (buses at those ends), links, or none"),
    ("--feeds", "N", "number of feeds, if --feed is not given"),
    ("--universe", "N", "first E1.31 universe"),
    ("--channel", "N", "its first channel"),
    ("--slots", "N", "slots used of each universe, 1 to 512 (default: those of whole nodes)"),
    ("--packed", "YES", "yes: a node may span two universes (default: no)"),
    ("--ports", "FILE", "CSV table of the outputs, as `check --write-ports` writes it"),
    ("--units", "TAGS", "units to put on the shelf: WF-01..WF-07, or WF-01 WF-04"),
)  # fmt: skip
PARTS = (
    (
        "--bus",
        '"foot, A, 2 oz x 8 mm, 40 mm": name, ends, copper or wire, spacing; then "ring", and '
        '"plugs 12 mohm" if not soldered',
    ),
    (
        "--link",
        '"1B~2B, 50 mm, 20 AWG", or "data, 50 mm" for every hop of the data path; then "plugs", '
        'and "return only" if + is not joined',
    ),
    (
        "--feed",
        '"main, foot:6, 5 V, 14 AWG, 1000 mm, fuse 20 A, supply 20 A"; then "holder 6 mohm" for '
        'the fuse with its holder, and "plugs"',
    ),
)


def register(commands: Commands[argparse.ArgumentParser]) -> Iterator[argparse.ArgumentParser]:
    """Declare `new` and its options."""
    parser = commands.add_parser(
        "new",
        help="asks about your prop and writes its prop file",
        description="Asks about your prop, one question at a time, and writes a commented prop "
        "file. Enter accepts the default, ? explains. Questions answered by an option are not "
        "asked; --yes accepts the default for all others.",
    )
    parser.add_argument("file", type=Path, metavar="FILE", help="prop file to write (TOML)")
    for option, metavar, text in OPTIONS:
        parser.add_argument(option, metavar=metavar, help=text)
    for option, text in PARTS:
        parser.add_argument(option, action="append", metavar="PARTS", help=f"{text} (repeatable)")
    parser.add_argument("--yes", action="store_true", help="accept all defaults, ask nothing")
    parser.add_argument("--replace", action="store_true", help="overwrite an existing file")
    parser.set_defaults(run=run)
    yield parser


def run(args: argparse.Namespace) -> int:
    """Ask, write the file, and put its units on the shelf."""
    from benchtest.cli.atomic_write import write_atomic
    from benchtest.cli.new.defaults import default_name
    from benchtest.cli.new.prompt import Prompt
    from benchtest.cli.new.questions import ask_design
    from benchtest.prop.reader import parse_design
    from benchtest.prop.writer import write_design

    prompt = Prompt(use_defaults=args.yes)
    replace = _may_replace(args, prompt)
    if args.units:
        _tags(args, prompt)  # an invalid tag is reported before twenty questions are asked
    design = ask_design(prompt, args, default_name(args.file.stem))
    tags = _tags(args, prompt)
    text = write_design(design)
    parse_design(text, str(args.file))  # contradictions are reported before the file is written
    write_atomic(args.file, text.encode(), replace=replace)
    if tags:
        _add_units(args, tags, design.name, text)
    if args.json:
        print_json({"file": str(args.file), "prop": design.name, "units": tags})
    else:
        _print_result(args, tags)
    return 0


def _may_replace(args: argparse.Namespace, prompt: Prompt) -> bool:
    """Return True if an existing file may be replaced; the first question of all.

    Raises:
        InputError: the file cannot be written, or an existing one must stay.
    """
    from benchtest.cli.new.answer_parsers import yes_or_no
    from benchtest.cli.new.prompt import Question

    path: Path = args.file
    try:
        is_folder = path.is_dir()
    except OSError as error:
        raise InputError(f"{path}: cannot be written: {error.strerror}") from None
    if is_folder:
        raise InputError(f"{path}: is a folder; give a file in it, such as {path / 'fan.toml'}")
    if not path.absolute().parent.is_dir():
        raise InputError(f"{path}: folder {path.parent} does not exist; create it first")
    if not os.path.lexists(path) or args.replace:
        return bool(args.replace)
    if not args.yes:
        text = f"{path} exists already. Overwrite it"
        if prompt.ask(Question("--replace", text, "no", yes_or_no)):
            return True
    raise InputError(f"{path}: exists already and was not changed; add --replace to overwrite it")


def _tags(args: argparse.Namespace, prompt: Prompt) -> list[str]:
    from benchtest.cli.new.answer_parsers import NONE, unit_tags
    from benchtest.cli.new.prompt import Question

    # if all other answers came from options, a missing --units means no units
    given = args.units if args.units or prompt.has_asked else NONE
    return prompt.ask(
        Question(
            "--units",
            "Units to put on the shelf now (WF-01..WF-07, or none)",
            NONE,
            unit_tags,
            "A unit is one built copy, identified by its tag.",
        ),
        given,
    )


def _add_units(args: argparse.Namespace, tags: list[str], name: str, text: str) -> None:
    from benchtest.records.shelf import Shelf

    try:
        with Shelf(bench_of(args)) as shelf:
            shelf.add_units(tags, name, text)
    except BenchError as error:
        raise type(error)(
            f"{args.file} was written, but its units are not on the shelf: {error}"
        ) from error


def _print_result(args: argparse.Namespace, tags: list[str]) -> None:
    print(f"Wrote {shown(args.file)}.")
    if tags:
        print(f"On the shelf: {', '.join(tags)}.")
    print(f"Next: benchtest check {shown(args.file)}")
