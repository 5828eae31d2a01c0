"""Options that several commands have, and output as JSON or as tables."""

from __future__ import annotations

import argparse
import json
import sys
from collections.abc import Callable, Iterable, Mapping, Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any

from benchtest.errors import InputError
from benchtest.formatting import float_from_text

if TYPE_CHECKING:
    from rich.console import Console

    from benchtest.drive.target import DriveSettings
    from benchtest.prop.design import Design, Probe
    from benchtest.prop.lit_set import LitSet
    from benchtest.prop.outputs import OutputSetting

MIN_CELSIUS, MAX_CELSIUS = -40.0, 120.0
"""Range of copper temperatures. [°C]"""

MAX_PATH_CHARS = 4096
"""Characters shown of a path: the longest path on Linux."""

MIN_COLUMNS = 60
"""Narrowest width at which no table cuts off a figure."""

Commands = argparse._SubParsersAction
"""Type that `add_subparsers` returns; argparse has no public name for it."""


def add_prop(parser: argparse.ArgumentParser) -> None:
    """Add the prop file, the first argument of most commands."""
    parser.add_argument("prop", type=Path, metavar="PROP", help="prop file of the design (TOML)")


def add_circuit(parser: argparse.ArgumentParser) -> None:
    """Add all options that define a circuit, its state and the probes to read."""
    add_prop(parser)
    add_celsius(parser)
    _add_lit(parser)
    _add_probes(parser)
    _add_joints(parser)
    _add_shorts(parser)


def _add_lit(parser: argparse.ArgumentParser) -> None:
    """Add lit strands, level and colour."""
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
    """Add the probes to read."""
    parser.add_argument(
        "--probe",
        action="append",
        default=[],
        help="where to read: 4A, foot:4, 4.17, or red>black such as 'foot:4+>4A+' (repeatable; "
        "default: every strand end)",
    )


def _add_joints(parser: argparse.ArgumentParser) -> None:
    """Add resistances of joints."""
    parser.add_argument(
        "--joint",
        action="append",
        default=[],
        metavar="JOINT=OHMS",
        help='resistance of a joint, such as 4A+=0.8 or 4A+=open; "default" stands for every '
        "other joint (repeatable)",
    )


def _add_shorts(parser: argparse.ArgumentParser) -> None:
    """Add short circuits."""
    parser.add_argument(
        "--short",
        action="append",
        default=[],
        metavar="PROBE[=OHMS]",
        help="short circuit: 4A between its rails, 'foot:4+>foot:5-' between two pads; 0 ohms "
        "unless given (repeatable)",
    )


def add_celsius(parser: argparse.ArgumentParser) -> None:
    """Add the temperature of the copper."""
    parser.add_argument(
        "--celsius",
        type=number,
        default=20.0,
        metavar="T",
        help="temperature of wire and board copper, -40 to 120 (default: 20)",
    )


OUTPUT_HELP = (
    "universe and channel where the prop is plugged in now, instead of those of its file: "
    "universe=12,channel=340 (also slots=510, packed=true)"
)


def add_output(parser: argparse.ArgumentParser, help_text: str) -> None:
    """Add the place of the prop's channels."""
    parser.add_argument("--output", metavar="PLACE", help=help_text)


def add_drive_settings(
    parser: argparse.ArgumentParser | argparse._ArgumentGroup, prefix: str = ""
) -> None:
    """Add the options of how a prop is driven.

    Args:
        parser: the parser, or a group of its options.
        prefix: prefix of their `dest`; an option that is not given then keeps its earlier value.
    """
    default = argparse.SUPPRESS if prefix else None
    options: tuple[tuple[str, str, Callable[[str], Any], str], ...] = (
        ("output", "PLACE", str, OUTPUT_HELP),
        ("priority", "N", whole, "E1.31 priority, 0 to 200 (default: 100)"),
        ("fps", "N", number, "frames per second while the light changes, 1 to 40 (default: 40)"),
        ("interface", "ADDRESS", str, "address of this machine's network interface to send from"),
        (
            "keep-alive",
            "S",
            number,
            "seconds between frames while nothing changes, for a network that loses packets: with "
            "0.5 the prop stays lit though three in a row are lost (default: 0.81)",
        ),
    )
    for name, metavar, read, text in options:
        parser.add_argument(
            f"--{name}",
            dest=prefix + name.replace("-", ""),
            type=read,
            default=default,
            metavar=metavar,
            help=text,
        )
    parser.add_argument(
        "--sync",
        dest=f"{prefix}sync",
        action="store_true",
        default=default,
        help="update all universes at the same instant, by E1.31 synchronization packets on the "
        "prop's first universe; only for controllers that support them",
    )


def drive_settings(args: argparse.Namespace, prefix: str = "") -> DriveSettings:
    """Return the settings of the options of `add_drive_settings`.

    Raises:
        InputError: one is invalid; contains the option and every fault of it.
    """
    from benchtest.drive.target import (
        DriveSettings,
        check_fps,
        check_interface,
        check_keepalive,
        check_priority,
    )

    def output(text: str) -> OutputSetting:
        from benchtest.prop.outputs import parse_output_setting

        return parse_output_setting(text)

    faults: list[str] = []

    def given(name: str, check: Callable[[Any], Any]) -> Any:
        value = getattr(args, prefix + name)
        try:
            return None if value is None else check(value)
        except InputError as error:
            faults.append(str(error) if name == "output" else f"--{error}")
            return None

    settings = DriveSettings(
        given("output", output),
        given("priority", check_priority),
        getattr(args, f"{prefix}sync") or None,
        given("fps", check_fps),
        given("interface", check_interface),
        given("keepalive", check_keepalive),
    )
    if faults:
        raise InputError("\n".join(faults))
    return settings


def moved_design(design: Design, args: argparse.Namespace) -> Design:
    """Return the design at the output that the command line names.

    Raises:
        InputError: the output is invalid, or the prop does not fit there.
    """
    if args.output is None:
        return design
    from benchtest.prop.outputs import parse_output_setting

    return parse_output_setting(args.output).moved(design)


def number(text: str) -> float:
    """Parse a number of the command line; argparse adds the name of the option to an error."""
    try:
        return float_from_text(text)
    except ValueError:
        pointed = text.replace(",", ".")
        hint = f'; write it with a point: "{pointed}"' if _is_number(pointed) else ""
        raise argparse.ArgumentTypeError(f'"{text}" is not a number{hint}') from None


def _is_number(text: str) -> bool:
    try:
        float_from_text(text)
    except ValueError:
        return False
    return True


def whole(text: str) -> int:
    """Parse a whole number of the command line; argparse adds the option's name to an error."""
    try:
        return int(text.replace("_", " "))  # as in `float_from_text`
    except ValueError:
        raise argparse.ArgumentTypeError(f'"{text}" is not a whole number') from None


def folder(text: str) -> Path:
    """Parse a folder of the command line; few shells expand the `~` in `--bench=~/bench`."""
    if not text:
        raise argparse.ArgumentTypeError("is empty; give a folder")
    try:
        path = Path(text).expanduser()
        path.exists()
    except (OSError, RuntimeError) as error:
        why = getattr(error, "strerror", None) or error
        raise argparse.ArgumentTypeError(f'"{text[:40]}" is not a folder: {why}') from None
    return path


def shown(path: Path | str) -> str:
    """Return a path, or text with a path in it, with control characters replaced.

    >>> shown("fan" + chr(27) + "[2J.html")
    'fan?[2J.html'
    """
    from benchtest.input_files import printable

    return printable(str(path), MAX_PATH_CHARS)


def bench_of(args: argparse.Namespace) -> Path:
    """Return the bench folder: that of `--bench`, else one in the platform's user data folder."""
    if args.bench is not None:
        return Path(args.bench)
    from benchtest.records.shelf import default_folder

    return default_folder()


def design_of(args: argparse.Namespace) -> Design:
    """Read the design that the command line names.

    Raises:
        InputError: the file is missing or is not a prop file, or the temperature is out of range.
    """
    from benchtest.prop.reader import read_design

    design = read_design(args.prop)
    celsius = getattr(args, "celsius", 20.0)
    if not MIN_CELSIUS <= celsius <= MAX_CELSIUS:
        raise InputError(f"--celsius {celsius:g}: give {MIN_CELSIUS:g} to {MAX_CELSIUS:g}")
    return design if celsius == 20.0 else design.at_celsius(celsius)


def lit_of(args: argparse.Namespace, design: Design) -> LitSet:
    """Return the lit strands that the command line names.

    Raises:
        InputError: the prop has no such strand, colour or level.
    """
    from benchtest.prop.lit_set import parse_lit_set

    return parse_lit_set(args.lit, design, args.level, args.colour)


def probes_of(args: argparse.Namespace, design: Design) -> list[Probe]:
    """Return the probes that the command line names; an empty list means every strand end.

    Raises:
        NameFault: the prop has no such point.
    """
    from benchtest.prop.notation import parse_probe

    return [parse_probe(text, design) for text in args.probe]


def joints_of(args: argparse.Namespace) -> dict[str, float]:
    """Return joint resistances of the command line, `math.inf` for an open joint. [Ω]

    Raises:
        InputError: an entry does not have the form JOINT=OHMS.
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
            f'--joint "{text}": "{ohms}" is not a resistance; give ohms, such as 4A+=0.8, or "open"'
        ) from None


def shorts_of(args: argparse.Namespace, design: Design) -> dict[Probe, float]:
    """Return resistances of the short circuits that the command line names. [Ω]

    Raises:
        NameFault: the prop has no such point.
        InputError: an entry does not have the form PROBE or PROBE=OHMS.
    """
    from benchtest.prop.notation import parse_probe

    found = {}
    for text in args.short:
        probe, equals, ohms = text.partition("=")
        try:
            found[parse_probe(probe, design)] = float_from_text(ohms) if equals else 0.0
        except ValueError:
            raise InputError(
                f'--short "{text}": "{ohms}" is not a resistance; give ohms, such as 4A=0.05, or '
                "the probe alone for 0 ohms"
            ) from None
    return found


def print_json(answer: Mapping[str, Any]) -> None:
    """Print the one JSON object of `--json`."""
    sys.stdout.write(json.dumps(answer, allow_nan=False) + "\n")


def console(min_columns: int = MIN_COLUMNS) -> Console:
    """Return a console for tables, at least `min_columns` wide.

    In fewer columns figures would be cut off, and with `COLUMNS=0` in the environment nothing
    would be printed; a narrow terminal wraps lines by itself.
    """
    from rich.console import Console

    out = Console(highlight=False)
    if out.width < min_columns:
        out.width = min_columns
    return out


def print_table(
    title: str, columns: Sequence[str], rows: Iterable[Sequence[str]], note: str = ""
) -> None:
    """Print a table. A column whose title begins with `>` holds figures and is right-aligned."""
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
