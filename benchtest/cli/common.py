"""What several commands share: options, and the two ways to answer."""

from __future__ import annotations

import argparse
import json
import sys
from collections.abc import Iterable, Mapping, Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any

from benchtest.errors import InputError
from benchtest.formatting import float_from_text

if TYPE_CHECKING:
    from rich.console import Console

    from benchtest.prop.design import Design, Probe
    from benchtest.prop.lit_set import LitSet

COLDEST, WARMEST = -40.0, 120.0
"""Temperatures of copper that a prop may have. [°C]"""

LONGEST_PATH = 4096
"""Signs of a path that are shown: what Linux takes."""

LEAST_COLUMNS = 60
"""In which every table still shows its figures whole."""

Commands = argparse._SubParsersAction
"""What `add_subparsers` gives; argparse has no public name for it."""


def add_prop(parser: argparse.ArgumentParser) -> None:
    """The prop file, first word of most commands."""
    parser.add_argument("prop", type=Path, metavar="PROP", help="prop file of the design (TOML)")


def add_circuit(parser: argparse.ArgumentParser) -> None:
    """A prop in some state, and what is read of it: all that says what a circuit is asked."""
    add_prop(parser)
    add_celsius(parser)
    _add_lit(parser)
    _add_probes(parser)
    _add_joints(parser)
    _add_shorts(parser)


def _add_lit(parser: argparse.ArgumentParser) -> None:
    """Which strands are lit, how bright and in which colour."""
    parser.add_argument(
        "--lit",
        default="all",
        help='lit strands: "all", "none", or numbers and ranges such as "1 3 5-8" (default: all)',
    )
    parser.add_argument(
        "--level", type=number, default=1.0, metavar="X", help="level, 0 to 1 (default: 1)"
    )
    parser.add_argument(
        "--colour", default="white", metavar="NAME", help="white, red, green … (default: white)"
    )


def _add_probes(parser: argparse.ArgumentParser) -> None:
    """What is read."""
    parser.add_argument(
        "--probe",
        action="append",
        default=[],
        help="what is read: 4A, foot:4, 4.17, or red>black such as 'foot:4+>4A+' (repeatable; "
        "default: every strand end)",
    )


def _add_joints(parser: argparse.ArgumentParser) -> None:
    """Resistance of joints."""
    parser.add_argument(
        "--joint",
        action="append",
        default=[],
        metavar="JOINT=OHMS",
        help='resistance of a joint, such as 4A+=0.8 or 4A+=open; "default" is every joint that '
        "is not named (repeatable)",
    )


def _add_shorts(parser: argparse.ArgumentParser) -> None:
    """Points that touch and should not."""
    parser.add_argument(
        "--short",
        action="append",
        default=[],
        metavar="PROBE[=OHMS]",
        help="points that touch and should not: 4A joins its rails, 'foot:4+>foot:5-' two pads; "
        "without ohms they touch well (repeatable)",
    )


def add_celsius(parser: argparse.ArgumentParser) -> None:
    """How warm the copper is."""
    parser.add_argument(
        "--celsius",
        type=number,
        default=20.0,
        metavar="T",
        help="temperature of wire and board copper, -40 to 120 (default: 20)",
    )


def number(text: str) -> float:
    """A number of the command line; argparse names the option when it is none."""
    try:
        return float_from_text(text)
    except ValueError:
        pointed = text.replace(",", ".")
        hint = f'; with a point it is "{pointed}"' if _is_number(pointed) else ""
        raise argparse.ArgumentTypeError(f'"{text}" is no number{hint}') from None


def _is_number(text: str) -> bool:
    try:
        float_from_text(text)
    except ValueError:
        return False
    return True


def whole(text: str) -> int:
    """A whole number of the command line; argparse names the option when it is none."""
    try:
        return int(text.replace("_", " "))  # as in `float_from_text`
    except ValueError:
        raise argparse.ArgumentTypeError(f'"{text}" is no whole number') from None


def folder(text: str) -> Path:
    """A folder of the command line; few shells make a home of the `~` in `--bench=~/bench`."""
    if not text:
        raise argparse.ArgumentTypeError("is empty; give a folder")
    try:
        path = Path(text).expanduser()
        path.exists()
    except (OSError, RuntimeError) as error:
        why = getattr(error, "strerror", None) or error
        raise argparse.ArgumentTypeError(f'"{text[:40]}" is no folder: {why}') from None
    return path


def shown(path: Path | str) -> str:
    """A path, or words with one in it, without the signs that a terminal obeys.

    >>> shown("fan" + chr(27) + "[2J.html")
    'fan?[2J.html'
    """
    from benchtest.input_files import printable

    return printable(str(path), LONGEST_PATH)


def bench_of(args: argparse.Namespace) -> Path:
    """The folder that keeps records: the one asked for, else the platform's user data folder."""
    if args.bench is not None:
        return Path(args.bench)
    from benchtest.records.shelf import default_folder

    return default_folder()


def design_of(args: argparse.Namespace) -> Design:
    """The design that the command line names.

    Raises:
        InputError: the file is not there, or is no prop file; or no copper is that warm.
    """
    from benchtest.prop.reader import read_design

    design = read_design(args.prop)
    celsius = getattr(args, "celsius", 20.0)
    if not COLDEST <= celsius <= WARMEST:
        raise InputError(f"--celsius {celsius:g}: give {COLDEST:g} to {WARMEST:g}")
    return design if celsius == 20.0 else design.at_celsius(celsius)


def lit_of(args: argparse.Namespace, design: Design) -> LitSet:
    """The lit strands that the command line names.

    Raises:
        InputError: the prop has no such strand, colour or level.
    """
    from benchtest.prop.lit_set import parse_lit_set

    return parse_lit_set(args.lit, design, args.level, args.colour)


def probes_of(args: argparse.Namespace, design: Design) -> list[Probe]:
    """The probes that the command line names, none for every strand end.

    Raises:
        NameFault: the prop has no such point.
    """
    from benchtest.prop.notation import parse_probe

    return [parse_probe(text, design) for text in args.probe]


def joints_of(args: argparse.Namespace) -> dict[str, float]:
    """Resistances that the command line gives, `math.inf` for an open joint. [Ω]

    Raises:
        InputError: one is not of the form JOINT=OHMS.
    """
    return dict(_joint(text) for text in args.joint)


def _joint(text: str) -> tuple[str, float]:
    name, equals, ohms = text.partition("=")
    if not (name and equals and ohms):
        raise InputError(f'--joint "{text}": write a joint and its ohms, such as 4A+=0.8')
    if ohms == "open":
        return name, float("inf")
    try:
        return name, float_from_text(ohms)
    except ValueError:
        raise InputError(
            f'--joint "{text}": "{ohms}" is no resistance; give ohms, such as 4A+=0.8, or "open"'
        ) from None


def shorts_of(args: argparse.Namespace, design: Design) -> dict[Probe, float]:
    """Resistance between points that the command line says touch. [Ω]

    Raises:
        NameFault: the prop has no such point.
        InputError: one is not of the form PROBE or PROBE=OHMS.
    """
    from benchtest.prop.notation import parse_probe

    found = {}
    for text in args.short:
        probe, equals, ohms = text.partition("=")
        try:
            found[parse_probe(probe, design)] = float_from_text(ohms) if equals else 0.0
        except ValueError:
            raise InputError(
                f'--short "{text}": "{ohms}" is no resistance; give ohms, such as 4A=0.05, or '
                "nothing where they touch well"
            ) from None
    return found


def print_json(answer: Mapping[str, Any]) -> None:
    """The one JSON object of `--json`."""
    sys.stdout.write(json.dumps(answer, allow_nan=False) + "\n")


def console(least_columns: int = LEAST_COLUMNS) -> Console:
    """Where tables for people go.

    In fewer columns figures would be cut short, and with `COLUMNS=0` in the environment nothing
    would come out at all; a narrow terminal breaks lines by itself.
    """
    from rich.console import Console

    out = Console(highlight=False)
    if out.width < least_columns:
        out.width = least_columns
    return out


def print_table(
    title: str, columns: Sequence[str], rows: Iterable[Sequence[str]], note: str = ""
) -> None:
    """A table for people. Columns that begin with `>` hold figures and stand to the right."""
    from rich import box
    from rich.table import Table
    from rich.text import Text

    table = Table(box=box.SIMPLE, pad_edge=False)
    for column in columns:
        figures = column.startswith(">")
        table.add_column(
            Text(column.removeprefix(">")),
            justify="right" if figures else "left",
            no_wrap=figures,
        )
    for row in rows:
        table.add_row(*(Text(cell) for cell in row))
    out = console()
    out.print(Text(title, style="bold"), table)
    if note:
        out.print(Text(note))
