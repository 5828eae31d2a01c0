"""`benchtest practice`: rounds with a hidden fault, compared with the tool's own run."""

from __future__ import annotations

import argparse
from collections.abc import Iterator

from benchtest.cli.common import (
    Commands,
    add_drive_settings,
    bench_of,
    drive_settings,
    print_json,
    whole,
)
from benchtest.formatting import count_noun


def register(commands: Commands[argparse.ArgumentParser]) -> Iterator[argparse.ArgumentParser]:
    """Declare `practice` and its options."""
    parser = commands.add_parser(
        "practice",
        help="find hidden faults of increasing difficulty, and compare your readings",
        description="Hides a fault in a virtual Willow fan and opens it on the bench. When you "
        "have repaired it, your number of readings is compared with that of the tool. Grades go "
        "from 1 (a failed node) to 6 (two bad joints); without --grade you continue at the grade "
        "you have reached. Practice records are separate from your units: they are in `practice` "
        "in the bench folder.",
    )
    parser.add_argument("--grade", type=whole, default=None, metavar="N", help="1 to 6")
    parser.add_argument(
        "--seed", type=whole, default=None, help="number that selects the unit and its fault"
    )
    parser.add_argument(
        "--auto", action="store_true", help="let the tool find the fault, without a terminal"
    )
    parser.add_argument("--tally", action="store_true", help="only print your results so far")
    add_drive_settings(parser)
    parser.set_defaults(run=run)
    yield parser


def run(args: argparse.Namespace) -> int:
    """Open a practice round, run one automatically, or print the results so far."""
    from benchtest.errors import InputError
    from benchtest.session.practice.rounds import GRADES

    if args.grade is not None and not 1 <= args.grade <= len(GRADES):
        raise InputError(f"--grade {args.grade}: give 1 to {len(GRADES)}")
    if args.seed is not None and args.seed < 0:
        raise InputError(f"--seed {args.seed}: give 0 or more")
    if args.auto and args.tally:
        raise InputError("--auto and --tally: give only one of them")
    settings = drive_settings(args)
    if str(settings) and (args.auto or args.tally):
        raise InputError(f"{settings}: --auto and --tally drive no prop; leave these settings out")
    if args.tally:
        return _tally(args)
    if args.auto:
        return _auto(args)
    if args.json:
        raise InputError("--json: add --auto or --tally; the terminal program prints nothing")
    from benchtest.session.launch_options import LaunchOptions
    from benchtest.tui.launch import launch

    bench = LaunchOptions(bench_of(args), settings=settings)
    launch(bench, practice=(args.grade, args.seed))
    return 0


def _tally(args: argparse.Namespace) -> int:
    from dataclasses import asdict

    from benchtest.session.launch_options import LaunchOptions
    from benchtest.session.practice.rounds import (
        next_grade,
        open_practice,
        read_tallies,
        score_table,
    )

    with open_practice(LaunchOptions(bench_of(args))) as shelf:
        done = read_tallies(shelf)
    if args.json:
        rounds = [asdict(tally) | {"mastered": tally.mastered} for tally in done]
        print_json({"rounds": rounds, "next_grade": next_grade(done)})
    else:
        for line in score_table(done) if done else ["No practice round has been finished yet."]:
            print(line)
        print(f"Next: grade {next_grade(done)}.")
    return 0


def _auto(args: argparse.Namespace) -> int:
    from benchtest.prop.reader import read_design
    from benchtest.session.autopilot import demo_file
    from benchtest.session.practice.rounds import hide_faults, run_reference

    grade, seed = args.grade or 1, 1 if args.seed is None else args.seed
    with demo_file() as path:
        hidden = hide_faults(read_design(path), grade, seed)
    outcome = run_reference(hidden, seed)
    if args.json:
        print_json(
            {
                "grade": grade,
                "seed": seed,
                "hidden": list(hidden),
                "named": outcome.named,
                "readings": outcome.readings,
            }
        )
    else:
        faults = f"Hidden fault{'s' * (len(hidden) > 1)}: {' and '.join(hidden)}"
        print(
            f"{faults}; the tool repaired {', '.join(outcome.named)} after "
            f"{count_noun(outcome.readings, 'reading')}."
        )
    return 0
