"""`benchtest demo`: a complete test of a virtual prop with a hidden fault."""

from __future__ import annotations

import argparse
from collections.abc import Iterator

from benchtest.cli.common import (
    Commands,
    add_drive_settings,
    bench_of,
    drive_settings,
    print_json,
    shown,
    whole,
)

FOLDER = "demo"
"""Folder in the bench folder that keeps the demo's records."""


def register(commands: Commands[argparse.ArgumentParser]) -> Iterator[argparse.ArgumentParser]:
    """Declare `demo` and its options."""
    parser = commands.add_parser(
        "demo",
        help="a complete test of a virtual prop with a hidden fault; needs no hardware",
        description="Tests a virtual Willow fan with a hidden fault: in the terminal program, or "
        "with --auto by itself, with real packets on loopback. No hardware is needed.",
    )
    parser.add_argument("--auto", action="store_true", help="run by itself and print each step")
    parser.add_argument(
        "--seed",
        type=whole,
        default=None,
        help="number that selects the unit and its fault (default: 1 with --auto, else random)",
    )
    add_drive_settings(parser)
    parser.set_defaults(run=run)
    yield parser


def run(args: argparse.Namespace) -> int:
    """Run the demo; with --auto return 0 only if the fault found is the hidden one."""
    from benchtest.errors import InputError

    if args.seed is not None and args.seed < 0:
        raise InputError(f"--seed {args.seed}: give 0 or more")
    if args.json and not args.auto:
        raise InputError("--json: add --auto; the terminal program prints nothing")
    return _auto(args) if args.auto else _screen(args)


def _auto(args: argparse.Namespace) -> int:
    from benchtest.session.autopilot import run_demo

    folder = bench_of(args) / FOLDER
    seed = 1 if args.seed is None else args.seed
    report = (lambda line: None) if args.json else _print_now
    outcome = run_demo(folder, seed, report, drive_settings(args))
    named = outcome.named[-1] if outcome.named else None
    if args.json:
        print_json(
            {
                "unit": outcome.tag,
                "seed": seed,
                "hidden": outcome.hidden,
                "named": named,
                "found": outcome.found,
                "readings": outcome.readings,
                "person": {
                    "keys": outcome.person.keys,
                    "looks": outcome.person.looks,
                    "readings": outcome.person.readings,
                    "lead_moves": outcome.person.lead_moves,
                    "seconds": round(outcome.person.seconds, 1),
                },
                "bench": str(folder),
            }
        )
    else:
        verdict = "found" if outcome.found else "NOT found"
        print(f"Hidden fault: {outcome.hidden}; finding: {named}; {verdict}.")
        person = outcome.person
        print(
            f"By hand: {person.keys} keys, {person.looks} looks, {person.readings} readings, "
            f"{person.lead_moves} lead moves; about {person.seconds:.0f} s, repairs included."
        )
        print(f"Record: benchtest --bench {shown(folder)} report {outcome.tag}")
    return 0 if outcome.found else 1


def _print_now(line: str) -> None:
    print(line, flush=True)


def _screen(args: argparse.Namespace) -> int:
    from benchtest.session.autopilot import demo_file, hide_fault
    from benchtest.session.launch_options import LaunchOptions
    from benchtest.tui.launch import launch

    folder = bench_of(args) / FOLDER
    with demo_file() as path:
        from benchtest.prop.reader import read_design

        seed = _random_seed() if args.seed is None else args.seed
        hidden = hide_fault(read_design(path), seed)
        bench = LaunchOptions(
            folder,
            "virtual",
            path,
            hidden=(hidden,),
            seed=seed,
            settings=drive_settings(args),
        )
        launch(bench, f"WF-{seed:02}")
    print(f"Hidden fault: {hidden}.")
    return 0


def _random_seed() -> int:
    """Return a seed that the user does not know yet."""
    import secrets

    return 10 + secrets.randbelow(90)
