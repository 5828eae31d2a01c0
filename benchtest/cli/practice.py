"""`benchtest practice`: find hidden faults, and see how many readings the tool itself needs."""

from __future__ import annotations

import argparse
from collections.abc import Iterator

from benchtest.cli.common import Commands, bench_of, print_json, whole
from benchtest.formatting import count_noun


def register(commands: Commands[argparse.ArgumentParser]) -> Iterator[argparse.ArgumentParser]:
    """Declare `practice` and its options."""
    parser = commands.add_parser(
        "practice",
        help="find hidden faults of growing difficulty, and count readings beside the tool's own",
        description="Hides a fault in a virtual Willow fan and opens it on the bench. Once you "
        "have mended it, your readings stand beside those that the tool itself takes. Grades go "
        "from 1 (a node that fails) to 6 (two joints at once); without --grade it goes on where "
        "you stopped. The tally is kept apart from your units, in `practice` in the bench folder.",
    )
    parser.add_argument("--grade", type=whole, default=None, metavar="N", help="1 to 6")
    parser.add_argument("--seed", type=whole, default=None, help="which unit and which fault")
    parser.add_argument("--auto", action="store_true", help="the tool's own go, without a terminal")
    parser.add_argument("--tally", action="store_true", help="only print how you stand")
    parser.set_defaults(run=run)
    yield parser


def run(args: argparse.Namespace) -> int:
    """Practise, let the tool do it, or print the tally."""
    from benchtest.errors import InputError
    from benchtest.session.practice.rounds import GRADES

    if args.grade is not None and not 1 <= args.grade <= len(GRADES):
        raise InputError(f"--grade {args.grade}: give 1 to {len(GRADES)}")
    if args.seed is not None and args.seed < 0:
        raise InputError(f"--seed {args.seed}: give 0 or more")
    if args.auto and args.tally:
        raise InputError("--auto and --tally: give one of the two")
    if args.tally:
        return _tally(args)
    if args.auto:
        return _auto(args)
    if args.json:
        raise InputError("--json goes with --auto or --tally: the terminal program prints nothing")
    from benchtest.session.launch_options import Bench
    from benchtest.tui.launch import launch

    launch(Bench(bench_of(args)), practice=(args.grade, args.seed))
    return 0


def _tally(args: argparse.Namespace) -> int:
    from dataclasses import asdict

    from benchtest.session.launch_options import Bench
    from benchtest.session.practice.rounds import next_grade, open_practice, table, tallies

    with open_practice(Bench(bench_of(args))) as shelf:
        done = tallies(shelf)
    if args.json:
        rounds = [asdict(tally) | {"mastered": tally.mastered} for tally in done]
        print_json({"rounds": rounds, "next_grade": next_grade(done)})
    else:
        for line in table(done) if done else ["No round of practice is finished yet."]:
            print(line)
        print(f"Next is grade {next_grade(done)}.")
    return 0


def _auto(args: argparse.Namespace) -> int:
    from benchtest.prop.reader import read_design
    from benchtest.session.autopilot import demo_file
    from benchtest.session.practice.rounds import hide, run_reference

    grade, seed = args.grade or 1, 1 if args.seed is None else args.seed
    with demo_file() as path:
        hidden = hide(read_design(path), grade, seed)
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
        print(f"Hidden was {' and '.join(hidden)}; the tool repaired {', '.join(outcome.named)} "
              f"after {count_noun(outcome.readings, 'reading')}.")  # fmt: skip
    return 0
