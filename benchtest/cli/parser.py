"""The command-line parser: all commands and their common options."""

from __future__ import annotations

import argparse
import importlib
from collections.abc import Iterable, Iterator, Sequence
from typing import Any, NoReturn

from benchtest import __version__
from benchtest.cli import root
from benchtest.cli.common import folder, print_json
from benchtest.errors import InputError, did_you_mean

COMMANDS = {
    "demo": "demo",
    "practice": "practice",
    "new": "new.command",
    "check": "check",
    "predict": "predict",
    "drive": "drive",
    "bridge": "bridge",
    "volts": "volts",
    "diagnose": "diagnose",
    "shelf": "shelf",
    "report": "report",
    "label": "report",
    "compare": "compare",
    "export": "export_import",
    "import": "export_import",
    "simulate": "simulate",
    "netlist": "netlist",
    "serve": "serve",
    "doctor": "doctor",
    "completion": "completion",
}
"""Commands and the modules that declare them, in the order of `--help`, which is the order of work
on a prop."""


class UsageFault(InputError):
    """An invalid command line; the message contains the correction."""


class Parser(argparse.ArgumentParser):
    """Argument parser that raises `UsageFault` and suggests the nearest valid choice."""

    def __init__(self, **options: Any) -> None:
        options.setdefault("allow_abbrev", False)
        super().__init__(**options)

    def error(self, message: str) -> NoReturn:
        raise UsageFault(f"{self.prog}: {message}\nHelp: {self.prog} --help")

    def _check_value(self, action: argparse.Action, value: Any) -> None:
        if action.choices is None or value in action.choices:
            return
        known = [str(choice) for choice in action.choices]
        hint = f"{did_you_mean(str(value), known)} (choose from {', '.join(known)})"
        if isinstance(action, argparse._SubParsersAction):
            raise argparse.ArgumentError(None, f'no command is called "{value}"{hint}')
        raise argparse.ArgumentError(action, f'"{value}" is not valid{hint}')


def build_parser(names: Iterable[str] = COMMANDS) -> Parser:
    """Return the parser of the command line.

    Args:
        names: commands that it has, besides those declared with them.
    """
    parser = Parser(
        prog="benchtest",
        description="Tests an LED prop on the bench: light it, measure it, find the bad joint, "
        "keep the record. Without a command it opens the terminal program.",
    )
    root.add_options(parser)
    _add_common(parser)
    parser.set_defaults(json=False, bench=None, command=None)
    commands = parser.add_subparsers(
        dest="command", metavar="COMMAND", title="commands", required=False
    )
    for name in dict.fromkeys(COMMANDS[name] for name in names):
        module = importlib.import_module(f"benchtest.cli.{name}")
        for command in module.register(commands):
            _add_common(command)
    return parser


def _add_common(parser: argparse.ArgumentParser) -> None:
    common = parser.add_argument_group("common")
    common.add_argument(
        "--json",
        action="store_true",
        default=argparse.SUPPRESS,
        help="print one JSON object on standard output and nothing else there",
    )
    common.add_argument(
        "--bench",
        type=folder,
        metavar="DIR",
        default=argparse.SUPPRESS,
        help="folder of the bench records (default: in your user data folder)",
    )
    common.add_argument(
        "--version",
        action="version",
        version=f"benchtest {__version__}",
        help="print the version and exit; with --json all versions that a bug report needs",
    )


def parse(argv: Sequence[str]) -> argparse.Namespace:
    """Parse a command line.

    First only the commands that it names are declared: all together take a fifth of a short
    command's time. Help and messages need all of them.

    Raises:
        UsageFault: it is invalid.
        SystemExit: help or the version was requested and has been printed.
    """
    named = [name for name in COMMANDS if name in argv]
    if named or not {"-h", "--help"} & set(argv):
        try:
            return _parse(build_parser(named), argv)
        except UsageFault:
            pass
    return _parse(build_parser(), argv)


def _parse(parser: Parser, argv: Sequence[str]) -> argparse.Namespace:
    if {"--version", "--json"} <= set(argv):  # --version alone prints before --json is read
        print_versions()
        raise SystemExit(0)
    args, extra = parser.parse_known_args(list(argv))
    if extra:
        command = _command_parser(parser, args.command)
        near = did_you_mean(extra[0].partition("=")[0], _options(command))
        command.error(f'unknown argument "{extra[0]}"{near}')
    return args


def print_versions() -> None:
    """Print all versions that a bug report needs, as JSON."""
    from benchtest.cli.environment import versions

    print_json(versions())


def _command_parser(parser: Parser, name: str | None) -> Parser:
    for action in parser._actions:
        if isinstance(action, argparse._SubParsersAction):
            found = action.choices.get(name or "")
            return found if isinstance(found, Parser) else parser
    return parser


def _options(parser: argparse.ArgumentParser) -> Iterator[str]:
    for action in parser._actions:
        yield from action.option_strings
