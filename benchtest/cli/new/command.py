"""`benchtest new`: asks what a prop is made of, and writes its prop file."""

from __future__ import annotations

import argparse
import os
from collections.abc import Iterator
from pathlib import Path
from typing import TYPE_CHECKING

from benchtest.cli.common import Commands, bench_of, print_json, shown
from benchtest.errors import BenchError, InputError

if TYPE_CHECKING:
    from benchtest.cli.new.prompt import Dialogue

OPTIONS = (
    ("--name", "TEXT", "name of the design"),
    ("--kind", "KIND", "kind of node, such as ws2811-5v"),
    ("--colour-order", "LETTERS", "order of the colours on its wire (default: the kind's)"),
    ("--strands", "N", "how many strands"),
    ("--nodes", "N", 'nodes in each strand; one for each where they differ: "24 18 18 24"'),
    ("--pitch-mm", "MM", "node to node"),
    ("--lead-mm", "MM", 'joint to outermost node; "80 40" is at A and at B'),
    ("--wire", "WIRE", 'wire of the strands, such as "22 AWG", "0.5 mm2" or "22 AWG CCA"'),
    ("--data", "PATH", 'zigzag, from-A, or where data enters: "1A 2B 5A"'),
    ("--joins", "WHAT", "both, A, B (buses at those ends), links, or none"),
    ("--feeds", "N", "how many feeds, where --feed does not say"),
    ("--universe", "N", "first E1.31 universe"),
    ("--channel", "N", "its first channel"),
    ("--units", "TAGS", "units to put on the shelf: WF-01..WF-07, or WF-01 WF-04"),
)  # fmt: skip
PARTS = (
    (
        "--bus",
        '"foot, A, 2 oz x 8 mm, 40 mm": name, ends, copper or wire, spacing; then "ring", and '
        '"plugs 12 mohm" in place of solder',
    ),
    (
        "--link",
        '"1B~2B, 50 mm, 20 AWG", or "data, 50 mm" for every hop of the data; then "plugs", and '
        '"return only" where + stays apart',
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
        help="asks what a prop is made of, and writes its prop file",
        description="Asks in plain words what a prop is made of and writes a prop file with "
        "comments. Enter takes the usual answer, ? says more. What an option says is not asked; "
        "--yes takes the usual answer to the rest.",
    )
    parser.add_argument("file", type=Path, metavar="FILE", help="prop file to write (TOML)")
    for option, what, words in OPTIONS:
        parser.add_argument(option, metavar=what, help=words)
    for option, words in PARTS:
        parser.add_argument(option, action="append", metavar="PARTS", help=f"{words} (repeatable)")
    parser.add_argument("--yes", action="store_true", help="ask nothing: the usual answers")
    parser.add_argument("--replace", action="store_true", help="write over a file that is there")
    parser.set_defaults(run=run)
    yield parser


def run(args: argparse.Namespace) -> int:
    """Ask, write the file, and put its units on the shelf."""
    from benchtest.cli.atomic_write import write_atomic
    from benchtest.cli.new.defaults import default_name
    from benchtest.cli.new.prompt import Dialogue
    from benchtest.cli.new.questions import interview
    from benchtest.prop.reader import parse_design
    from benchtest.prop.writer import write_design

    dialogue = Dialogue(use_defaults=args.yes)
    replace = _may_write(args, dialogue)
    if args.units:
        _tags(args, dialogue)  # nobody should answer twenty questions to learn that a tag is wrong
    design = interview(dialogue, args, default_name(args.file.stem))
    tags = _tags(args, dialogue)
    text = write_design(design)
    parse_design(text, str(args.file))  # what does not fit together is said before it is written
    write_atomic(args.file, text.encode(), replace=replace)
    if tags:
        _shelve(args, tags, design.name, text)
    if args.json:
        print_json({"file": str(args.file), "prop": design.name, "units": tags})
    else:
        _say(args, tags)
    return 0


def _may_write(args: argparse.Namespace, dialogue: Dialogue) -> bool:
    """Whether a file that is there may be written over; asked before all else.

    Raises:
        InputError: the file cannot be there, or must stay as it is.
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
        raise InputError(f"{path}: there is no folder {path.parent}; make it first")
    if not os.path.lexists(path) or args.replace:
        return bool(args.replace)
    if not args.yes:
        words = f"{path} is there already. Write over it"
        if dialogue.ask(Question("--replace", words, "no", yes_or_no)):
            return True
    raise InputError(f"{path}: is there already and stays as it is; --replace writes over it")


def _tags(args: argparse.Namespace, dialogue: Dialogue) -> list[str]:
    from benchtest.cli.new.answer_parsers import NONE, unit_tags
    from benchtest.cli.new.prompt import Question

    # who gave every other answer by option asks for no units by leaving this one out
    given = args.units if args.units or dialogue.has_asked else NONE
    return dialogue.ask(
        Question(
            "--units",
            "Units to put on the shelf now (WF-01..WF-07, or none)",
            NONE,
            unit_tags,
            "A unit is one built copy, known by its tag.",
        ),
        given,
    )


def _shelve(args: argparse.Namespace, tags: list[str], name: str, text: str) -> None:
    from benchtest.records.shelf import Shelf

    try:
        with Shelf(bench_of(args)) as shelf:
            shelf.add_units(tags, name, text)
    except BenchError as error:
        raise type(error)(
            f"{args.file} is written, but its units are not on the shelf: {error}"
        ) from error


def _say(args: argparse.Namespace, tags: list[str]) -> None:
    print(f"Wrote {shown(args.file)}.")
    if tags:
        print(f"On the shelf: {', '.join(tags)}.")
    print(f"Next: benchtest check {shown(args.file)}")
