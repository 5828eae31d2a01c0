"""`benchtest diagnose`: suspects from readings and marks, and the next reading."""

from __future__ import annotations

import argparse
import sys
from collections.abc import Iterator
from pathlib import Path
from typing import TYPE_CHECKING, TypeVar

from benchtest.cli.common import Commands, add_celsius, design_of, print_json, print_table
from benchtest.cli.seen_before import (
    add_seen_before,
    batch_advice,
    batch_json,
    batch_summary,
    engine_of,
    learn_from_units,
)
from benchtest.errors import InputError
from benchtest.formatting import deviation_word

if TYPE_CHECKING:
    from benchtest.diagnosis import Finding, JudgedReading, NextReading, Ohms, Suspect
    from benchtest.diagnosis.batch import BatchKnowledge
    from benchtest.evidence.csv_table import ParsedTable
    from benchtest.prop.design import Design

Row = TypeVar("Row")
BAR_CHARS = 10
"""Characters of a full probability bar."""
MAX_READINGS = 100
"""Most readings of one file: with more, the correlated errors take over a second to compute, and no
test of one unit needs them."""
MIN_REPAIR_PROBABILITY = 0.1
"""A repair is printed for suspects at least this probable."""


def register(commands: Commands[argparse.ArgumentParser]) -> Iterator[argparse.ArgumentParser]:
    """Declare `diagnose` and its options."""
    parser = commands.add_parser(
        "diagnose",
        help="suspects from readings and marks, and the next reading worth taking",
        description="Computes the probability of every fault from readings and marks, and prints "
        "the most informative next reading. Without files it plans the first reading.",
    )
    parser.add_argument(
        "prop", type=Path, metavar="PROP", nargs="?", help="prop file of the design (TOML)"
    )
    parser.add_argument(
        "--session",
        type=Path,
        metavar="FILE",
        help="instead of PROP: a file from `benchtest export`, which contains prop and evidence",
    )
    parser.add_argument("--unit", metavar="TAG", help="the unit, if that FILE has several")
    add_celsius(parser)
    parser.add_argument(
        "--readings", type=Path, metavar="FILE", help="readings (CSV: lit, probe, volts)"
    )
    parser.add_argument(
        "--marks", type=Path, metavar="FILE", help="marks (CSV: lit, strand, nodes, seen)"
    )
    parser.add_argument(
        "--meter",
        metavar="SPEC",
        help='the meter: accuracy, digits and counts (default: "0.5%%+3/6000")',
    )
    parser.add_argument(
        "--supply",
        action="append",
        default=[],
        metavar="FEED=VOLTS",
        help="measured volts of a supply without load, such as left=5.05; most useful with "
        "several supplies (repeatable)",
    )
    add_seen_before(parser)
    parser.set_defaults(run=run)
    yield parser


def run(args: argparse.Namespace) -> int:
    """Diagnose, and print the finding."""
    left_out: list[str] = []
    lines: tuple[int, ...] = ()
    learned = None
    if args.session:
        found, design = _of_session(args)
    else:
        found, design, learned, lines = _of_files(args, left_out)
    if args.json:
        from benchtest.wording import finding_json

        more = {} if learned is None else {"seen_before": batch_json(learned)}
        print_json({**finding_json(found, design), "left_out": left_out, **more})
    else:
        _show(found, design, lines)
        if learned is not None:
            print("\n".join([*batch_summary(learned), *batch_advice(learned, found)]))
    for line in left_out:
        print(f"{line} (left out)", file=sys.stderr)
    return InputError.exit_code if left_out else 0


def _of_files(
    args: argparse.Namespace, left_out: list[str]
) -> tuple[Finding, Design, BatchKnowledge | None, tuple[int, ...]]:
    """Return the finding, its design, figures of the batch, and the file line of each reading."""
    from benchtest.diagnosis import Engine
    from benchtest.evidence.marks import read_marks
    from benchtest.evidence.meter import DEFAULT_METER, Meter
    from benchtest.evidence.readings import read_readings

    if args.prop is None:
        raise InputError("diagnose: give a prop file, or --session FILE of exported records")
    if args.unit:
        raise InputError("diagnose --unit: only valid with --session FILE")
    design = design_of(args)
    supply_v = _supplies(args, design)
    meter = Meter.parse(args.meter) if args.meter else DEFAULT_METER
    readings, marks = [], []
    lines: tuple[int, ...] = ()
    if args.readings:
        parsed = read_readings(args.readings, design, meter)
        readings, lines = _valid_rows(parsed, left_out), parsed.lines
    if args.marks:
        marks = _valid_rows(read_marks(args.marks, design), left_out)
    if len(readings) > MAX_READINGS:
        raise InputError(
            f"{args.readings}: has {len(readings)} readings; the most is {MAX_READINGS}: keep "
            "those of the last session"
        )
    learned = learn_from_units(args, design) if args.seen_before else None
    if learned is None:
        engine = Engine(design.with_supply_volts(supply_v))
    else:
        engine = engine_of(design, learned, supply_v)
    finding = engine.diagnose(readings, marks, meter)
    return finding, design, learned, lines


def _supplies(args: argparse.Namespace, design: Design) -> dict[str, float]:
    """Return the measured volts of the supplies, by feed. [V]"""
    from benchtest.session.log.power_checks import parse_supplies

    try:
        return parse_supplies(design, args.supply)
    except InputError as fault:
        raise InputError(f"diagnose --supply: {fault}") from None


def _valid_rows(parsed: ParsedTable[Row], left_out: list[str]) -> list[Row]:
    """Return the valid rows of a file; add the faults of the others to `left_out`."""
    rows, faults = parsed.good_lines()
    left_out += [f"{parsed.file}: {fault}" for fault in faults]
    return rows


def _of_session(args: argparse.Namespace) -> tuple[Finding, Design]:
    """Return the finding of an exported session; no other option may change it."""
    from benchtest.cli.export_import import read_export
    from benchtest.session.report.export_tables import exported_evidence

    files = args.prop or args.readings or args.marks or args.seen_before
    if files or args.meter or args.supply or args.celsius != 20.0:
        raise InputError(
            "diagnose --session: the file contains prop, readings, marks, meter and supplies; "
            "leave out the other options"
        )
    lines = read_export(args.session).split("\n")
    evidence = exported_evidence(lines, str(args.session), args.unit)
    return evidence.diagnose(), evidence.design


def _show(found: Finding, design: Design, lines: tuple[int, ...]) -> None:
    if found.readings:
        print_table(
            f"{design.name}: readings",
            ["lit", "probe", ">read", ">good unit", ">give or take", ""],
            [_reading(row, design) for row in found.readings],
        )
    from benchtest.wording import NOT_EXCLUSIVE, other_suspects_text, split_suspects

    shown, others = split_suspects(found.suspects)
    print_table(
        f"{design.name}: suspects",
        [">", "probability", "where", "what"],
        [_healthy(found), *(_suspect(suspect, design) for suspect in shown)],
    )
    rest = [f"{other_suspects_text(others)}."] if others else []
    if len(found.suspects) > 1:
        rest.append(NOT_EXCLUSIVE)
    print("\n".join([*rest, *_sentences(found, design, lines)]))


def _reading(row: JudgedReading, design: Design) -> tuple[str, ...]:
    reading = row.reading
    return (
        reading.lit.text(design),
        str(reading.probe),
        f"{reading.value:.4f} {reading.unit}",
        f"{row.expected:.4f}",
        f"{row.sd:.4f}",
        deviation_word(row.z),
    )


def _healthy(found: Finding) -> tuple[str, ...]:
    return _percent(found.healthy), _bar(found.healthy), "healthy", ""


def _suspect(suspect: Suspect, design: Design) -> tuple[str, ...]:
    what = suspect.fault + (f" {_ohms(suspect.ohms)}" if suspect.ohms else "")
    what += ", intermittent" if suspect.intermittent else ", growing" if suspect.growing else ""
    shown = _percent(suspect.probability), _bar(suspect.probability)
    return (*shown, _located(suspect.where, design), what)


def _located(where: str, design: Design) -> str:
    """Return the location of a suspect with its place on the prop in words."""
    from benchtest.prop.notation import describe_location, parse_location

    return describe_location(parse_location(where, design), design)


def _ohms(ohms: Ohms) -> str:
    return f"{ohms.best:.2g} Ω ({ohms.low:.2g} to {ohms.high:.2g})"


def _percent(probability: float) -> str:
    return f"{probability:.1%}" if 0.001 <= probability < 0.999 else f"{probability:.0%}"


def _bar(probability: float) -> str:
    """Return a bar of ASCII characters."""
    return "#" * round(probability * BAR_CHARS) or "."


def _sentences(found: Finding, design: Design, lines: tuple[int, ...]) -> Iterator[str]:
    from benchtest.wording import doubt_texts

    done: set[str] = set()
    for suspect in found.suspects:
        if suspect.probability >= MIN_REPAIR_PROBABILITY and suspect.where not in done:
            done.add(suspect.where)
            yield from _repair_sentences(suspect, design)
    for names in found.alike:
        places = ", ".join(_located(name, design) for name in names)
        yield f"The evidence so far fits these equally well: {places}."
    if found.cleared_ohm is not None and found.looks_healthy:
        yield (
            f"The readings exclude joints above {found.cleared_ohm * 1e3:.0f} mΩ under this load."
        )
    if found.strange is not None:
        # the line number in the file: blank lines and invalid lines count too
        place = f"Line {lines[found.strange - 1]}" if lines else f"Reading {found.strange}"
        row = found.readings[found.strange - 1].reading
        shown = f"{row.probe}, {row.value:.4g} {row.unit}"
        yield f"{place} ({shown}) disagrees with all others. Take it again."
    yield from doubt_texts(found, design)
    if (look := found.look) is not None:
        level = "" if look.lit.level >= 1.0 else f" at {look.lit.level:.0%}"
        yield (
            f"Look first: light {look.lit.text(design)} in {look.lit.colour}{level} and mark what "
            f"is wrong (expected information: {look.expect_bits:.1f} bits)."
        )
    yield _next(found.next, design)


def _repair_sentences(suspect: Suspect, design: Design) -> Iterator[str]:
    from benchtest.wording import reason_text, repair_text

    reason, repair = reason_text(suspect, design), f"{repair_text(suspect, design)}."
    yield f"{_located(suspect.where, design)}: {reason or repair}"
    if reason:
        yield f"{suspect.where}: {repair}"
    if (after := suspect.after) is not None:
        yield (
            f"{suspect.where}: after the repair, expect {after.volts:.4f} ± {2.0 * after.sd:.4f} V "
            f"at {after.probe} with {after.lit.text(design)} lit."
        )


def _next(ask: NextReading, design: Design) -> str:
    if ask.settled:
        return "Next: no further reading would help."
    if ask.probe is None or ask.lit is None:
        return (
            "Next: undecided, and no further reading would help. Look again, or repair and retest."
        )
    return (
        f"Next: light {ask.lit.text(design)} and read {ask.probe} "
        f"(expected information: {ask.expect_bits:.1f} bits)."
    )
