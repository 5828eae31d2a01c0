"""Tab completion in bash, zsh and fish: commands, options, and names of this bench.

The shell runs `benchtest` at each Tab, so units, patterns and places are current. A command that
is run normally does not load the completion library.
"""

from __future__ import annotations

import argparse
from collections.abc import Callable, Iterable, Iterator
from typing import TYPE_CHECKING

from benchtest.cli.common import Commands, bench_of
from benchtest.errors import BenchError, InputError

if TYPE_CHECKING:
    from benchtest.prop.design import Design

SHELLS = ("bash", "zsh", "fish")
REQUEST = "_ARGCOMPLETE"
"""Environment variable that a shell sets to request completions."""


def register(commands: Commands[argparse.ArgumentParser]) -> Iterator[argparse.ArgumentParser]:
    """Declare `completion`."""
    parser = commands.add_parser(
        "completion",
        help="prints the setup for Tab completion in your shell",
        description="Prints the setup for completing commands, options and names with Tab. "
        'bash: put  eval "$(benchtest completion bash)"  into ~/.bashrc. zsh: the same with zsh, '
        "in ~/.zshrc after compinit. fish: benchtest completion fish > "
        "~/.config/fish/completions/benchtest.fish",
    )
    parser.add_argument("shell", metavar="SHELL", choices=SHELLS, help="bash, zsh or fish")
    parser.set_defaults(run=run)
    yield parser


def run(args: argparse.Namespace) -> int:
    """Print the setup lines."""
    from argcomplete.shell_integration import shellcode

    if args.json:
        raise InputError("completion: prints lines for a shell; leave out --json")
    print(shellcode(["benchtest"], shell=args.shell))
    return 0


def answer(parser: argparse.ArgumentParser) -> None:
    """Print the completions that a shell has requested, and exit."""
    import argcomplete
    from argcomplete.completers import DirectoriesCompleter, FilesCompleter

    files = {"prop": "toml", "new_prop": "toml", "readings": "csv", "marks": "csv"}
    completers: dict[str, Callable[..., Iterable[str]]] = {
        **{name: FilesCompleter([kind]) for name, kind in files.items()},
        "bench": DirectoriesCompleter(),
        "tag": _tags,
        "tags": _tags,
        "seen_before": _tags,
        "unit": _tags,
        "compared": _test_days,
        "design": _designs,
        "pattern": _patterns,
        "probe": _probes,
        "short": _probes,
        "joint": _joints,
        "fault": _joint_faults,
        "lit": _lit,
        "sheet": _sheets,
        "kind": _kinds,
        "colour": _colours,
        "to": _targets,
        "new_to": _targets,
        "new_readings_from": _sources,
        "source": _sources,
        "host": _addresses,
        "joins": lambda **_: ("both", "A", "B", "links", "none"),
        "data": lambda **_: ("zigzag", "from-A"),
    }
    for action in _actions(parser):
        if action.dest in completers:
            action.completer = completers[action.dest]  # type: ignore[attr-defined]
    argcomplete.autocomplete(parser, always_complete_options="long")


def _actions(parser: argparse.ArgumentParser) -> Iterator[argparse.Action]:
    for action in parser._actions:
        yield action
        if isinstance(action, argparse._SubParsersAction):
            for command in action.choices.values():
                yield from _actions(command)


def _tags(parsed_args: argparse.Namespace, **_: object) -> list[str]:
    from benchtest.records.backup import DATABASE_FILE
    from benchtest.records.shelf import Shelf

    folder = bench_of(parsed_args)
    if not (folder / DATABASE_FILE).exists():  # completion must not create a bench
        return []
    with Shelf(folder) as shelf:
        return [unit.tag for unit in shelf.units()]


def _test_days(parsed_args: argparse.Namespace, **_: object) -> list[str]:
    """Return the days on which the unit was tested."""
    from benchtest.records.shelf import Shelf
    from benchtest.session.report.unit_history import local_time

    if parsed_args.tag not in _tags(parsed_args):
        return []
    with Shelf(bench_of(parsed_args)) as shelf:
        rows = shelf.sessions(parsed_args.tag)
    return list(dict.fromkeys(local_time(row.started_at)[:10] for row in rows))


def _designs(parsed_args: argparse.Namespace, **_: object) -> list[str]:
    from benchtest.records.backup import DATABASE_FILE
    from benchtest.records.shelf import Shelf

    folder = bench_of(parsed_args)
    if not (folder / DATABASE_FILE).exists():
        return []
    with Shelf(folder) as shelf:
        return sorted({unit.design_name for unit in shelf.units()})


def _patterns(parsed_args: argparse.Namespace, **_: object) -> list[str]:
    from benchtest.pattern import load_patterns

    return list(load_patterns(bench_of(parsed_args) / "patterns"))


def _probes(parsed_args: argparse.Namespace, **_: object) -> list[str]:
    from benchtest.prop.notation import meter_places

    design = _design(parsed_args)
    return [] if design is None else [str(place) for place in meter_places(design)]


def _joints(parsed_args: argparse.Namespace, **_: object) -> list[str]:
    from benchtest.prop.joints import power_joints

    design = _design(parsed_args)
    names = [] if design is None else [joint.name for joint in power_joints(design)]
    return [f"{name}=" for name in [*names, "default"]] if names else []


def _joint_faults(parsed_args: argparse.Namespace, **_: object) -> list[str]:
    """Return faults of joints; those of nodes and strands would be too many."""
    from benchtest.prop.joints import data_joints, power_joints

    design = _design(parsed_args)
    if design is None:
        return []
    power, data = power_joints(design), data_joints(design)
    return [f"{joint.name}=" for joint in power] + [f"{joint.name}=open" for joint in data]


def _lit(parsed_args: argparse.Namespace, **_: object) -> list[str]:
    design = _design(parsed_args)
    numbers = range(1, 1 + (0 if design is None else len(design.strands)))
    return ["all", "none", *map(str, numbers)]


def _sheets(**_: object) -> list[str]:
    from benchtest.records.label import LABEL_SHEETS

    return list(LABEL_SHEETS)


def _design(parsed_args: argparse.Namespace) -> Design | None:
    """Return the design that was typed, None if it is missing or invalid."""
    from benchtest.prop.reader import read_design

    if parsed_args.prop is None:
        return None
    try:
        return read_design(parsed_args.prop)
    except BenchError:
        return None


def _kinds(**_: object) -> list[str]:
    from benchtest.prop.node_kinds import catalogue

    return list(catalogue())


def _colours(**_: object) -> list[str]:
    from benchtest.prop.lit_set import COLOUR_CHANNELS

    return list(COLOUR_CHANNELS)


def _targets(**_: object) -> list[str]:
    from benchtest.drive.serial_ports import serial_ports

    ports = [f"serial:{port.device}" for port in serial_ports()]
    return ["virtual", "e131", "e131:", "artnet:", "ddp:", *ports]


def _sources(**_: object) -> list[str]:
    from benchtest.drive.serial_ports import serial_ports
    from benchtest.drive.source_spec import KINDS

    ports = [port.device for port in serial_ports()]
    return [f"{kind}:{device}" for kind in KINDS for device in ports or [""]]


def _addresses(**_: object) -> list[str]:
    from benchtest.drive.interfaces import network_interfaces

    own = [
        address
        for network in network_interfaces()
        if network.is_up
        for address in network.addresses
    ]
    return [address for address in own if ":" not in address]
