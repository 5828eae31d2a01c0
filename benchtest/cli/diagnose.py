"""`benchtest diagnose`: which faults, and what would tell more."""

from __future__ import annotations

import argparse
import sys
from collections.abc import Iterator, Sequence
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

if TYPE_CHECKING:
    from benchtest.diagnosis import Finding, JudgedReading, NextReading, Ohms, Suspect
    from benchtest.diagnosis.batch.learn import Learned
    from benchtest.evidence.csv_table import ParsedTable
    from benchtest.prop.design import Design

Line = TypeVar("Line")
BAR = 10
"""Signs of a full bar."""
SHOWN, SHOWN_FEWEST = 0.05, 0.01
"""A person is shown suspects of this probability and more, or of the second where they stand out;
the rest are one line, and `--json` has all."""
STAND_OUT = 3.0
"""Times the next suspect's probability from which one stands out."""
MOST_READINGS = 100
"""More are no evening's work, and their shared errors no longer fit into a second."""
WORTH_DOING = 0.1
"""What to do is said for suspects of this probability and more."""


def register(commands: Commands[argparse.ArgumentParser]) -> Iterator[argparse.ArgumentParser]:
    """Declare `diagnose` and its options."""
    parser = commands.add_parser(
        "diagnose",
        help="suspects from readings and marks, and the next reading worth taking",
        description="Weighs every fault against what was measured and seen, and says which "
        "reading would tell most next. Without files it plans the first reading.",
    )
    parser.add_argument(
        "prop", type=Path, metavar="PROP", nargs="?", help="prop file of the design (TOML)"
    )
    parser.add_argument(
        "--session",
        type=Path,
        metavar="FILE",
        help="instead of PROP: a session that `benchtest export` wrote, with all that it holds",
    )
    parser.add_argument("--unit", metavar="TAG", help="the unit, where FILE has several")
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
        help="volts of a supply as measured before power, such as left=5.05; counts most where "
        "there are several (repeatable)",
    )
    add_seen_before(parser)
    parser.set_defaults(run=run)
    yield parser


def run(args: argparse.Namespace) -> int:
    """Weigh the evidence, and print what it says."""
    left_out: list[str] = []
    lines: tuple[int, ...] = ()
    learned = None
    if args.session:
        found, design = _of_session(args)
    else:
        found, design, learned, lines = _of_files(args, left_out)
    if args.json:
        more = {} if learned is None else {"seen_before": batch_json(learned)}
        print_json({**found.as_json(design), "left_out": left_out, **more})
    else:
        _show(found, design, lines)
        if learned is not None:
            print("\n".join([*batch_summary(learned), *batch_advice(learned, found)]))
    for line in left_out:
        print(f"{line} (left out)", file=sys.stderr)
    return InputError.exit_code if left_out else 0


def _of_files(
    args: argparse.Namespace, left_out: list[str]
) -> tuple[Finding, Design, Learned | None, tuple[int, ...]]:
    """Return the finding, its design, what earlier units taught, and the line of each reading."""
    from benchtest.diagnosis import Engine
    from benchtest.evidence.marks import read_marks
    from benchtest.evidence.meter import DEFAULT_METER, Meter
    from benchtest.evidence.readings import read_readings

    if args.prop is None:
        raise InputError("diagnose: give a prop file, or --session FILE of exported records")
    if args.unit:
        raise InputError("diagnose --unit: goes with --session FILE")
    design = design_of(args)
    supply_v = _supplies(args, design)
    meter = Meter.parse(args.meter) if args.meter else DEFAULT_METER
    readings, marks = [], []
    lines: tuple[int, ...] = ()
    if args.readings:
        parsed = read_readings(args.readings, design, meter)
        readings, lines = _good(parsed, left_out), parsed.lines
    if args.marks:
        marks = _good(read_marks(args.marks, design), left_out)
    if len(readings) > MOST_READINGS:
        raise InputError(
            f"{args.readings}: {len(readings)} readings; at most {MOST_READINGS} are weighed at "
            "once: keep those of the last session"
        )
    learned = learn_from_units(args, design) if args.seen_before else None
    if learned is None:
        engine = Engine(design.with_supply_volts(supply_v))
    else:
        engine = engine_of(design, learned, supply_v)
    finding = engine.diagnose(readings, marks, meter)
    return finding, design, learned, lines


def _supplies(args: argparse.Namespace, design: Design) -> dict[str, float]:
    """Volts that supplies were measured at."""
    from benchtest.session.log.measured_supplies import typed_supplies

    try:
        return typed_supplies(design, args.supply)
    except InputError as fault:
        raise InputError(f"diagnose --supply: {fault}") from None


def _good(parsed: ParsedTable[Line], left_out: list[str]) -> list[Line]:
    """The good lines of a file; the others are told of once the answer stands."""
    rows, faults = parsed.good_lines()
    left_out += [f"{parsed.file}: {fault}" for fault in faults]
    return rows


def _of_session(args: argparse.Namespace) -> tuple[Finding, Design]:
    """The finding of a session as it was: nothing of the command line may change it."""
    from benchtest.cli.export_import import read_export
    from benchtest.session.report.export_tables import exported_evidence

    files = args.prop or args.readings or args.marks or args.seen_before
    if files or args.meter or args.supply or args.celsius != 20.0:
        raise InputError(
            "diagnose --session: has its own prop, readings, marks, meter and supplies"
        )
    lines = read_export(args.session).split("\n")
    evidence = exported_evidence(lines, str(args.session), args.unit)
    return evidence.diagnose(), evidence.design


def _show(found: Finding, design: Design, lines: tuple[int, ...]) -> None:
    if found.readings:
        print_table(
            f"{design.name}: readings",
            ["lit", "probe", ">read", ">expected", ">± 1 sd", ">off by"],
            [_reading(row, design) for row in found.readings],
        )
    shown, others = split_suspects(found.suspects)
    print_table(
        f"{design.name}: suspects",
        [">", "probability", "where", "what"],
        [_healthy(found), *(_suspect(suspect, design) for suspect in shown)],
    )
    print("\n".join([*_others(others), *_words(found, design, lines)]))


def split_suspects(
    suspects: Sequence[Suspect],
) -> tuple[Sequence[Suspect], Sequence[Suspect]]:
    """Return the suspects that a person is shown one by one, and those of one line together.

    Args:
        suspects: most probable first.
    """
    count = 0
    for suspect, following in zip(suspects, [*suspects[1:], None], strict=True):
        rest = 0.0 if following is None else following.probability
        stands_out = suspect.probability >= max(SHOWN_FEWEST, STAND_OUT * rest)
        if suspect.probability < SHOWN and not stands_out:
            break
        count += 1
    return suspects[:count], suspects[count:]


def _others(others: Sequence[Suspect]) -> Iterator[str]:
    """Yield the suspects that are hardly likely, in a line."""
    if not others:
        return
    kinds = {suspect.fault for suspect in others}
    name = "joints" if kinds <= {"resistive", "open", "data-open"} else "suspects"
    places = len({suspect.where for suspect in others})
    most = _percent(others[0].probability)
    together = _percent(min(1.0, sum(suspect.probability for suspect in others)))
    if places == 1:
        yield f"1 other {name[:-1]}, {together}."
    else:
        each = "each" if others[0].probability < 1.1 * others[-1].probability else "at most each"
        yield f"{places} other {name}, {most} {each}, {together} together."


def _reading(row: JudgedReading, design: Design) -> tuple[str, ...]:
    reading = row.reading
    return (
        reading.lit.text(design),
        str(reading.probe),
        f"{reading.value:.4f} {reading.unit}",
        f"{row.expected:.4f}",
        f"{row.sd:.4f}",
        f"{row.z:+.1f} sd",
    )


def _healthy(found: Finding) -> tuple[str, ...]:
    return _percent(found.healthy), _bar(found.healthy), "healthy", ""


def _suspect(suspect: Suspect, design: Design) -> tuple[str, ...]:
    what = suspect.fault + (f" {_ohms(suspect.ohms)}" if suspect.ohms else "")
    what += ", intermittent" if suspect.intermittent else ", growing" if suspect.growing else ""
    from benchtest.prop.located import located

    shown = _percent(suspect.probability), _bar(suspect.probability)
    return (*shown, located(design, suspect.where), what)


def _ohms(ohms: Ohms) -> str:
    return f"{ohms.best:.2g} Ω ({ohms.low:.2g} to {ohms.high:.2g})"


def _percent(probability: float) -> str:
    return f"{probability:.1%}" if 0.001 <= probability < 0.999 else f"{probability:.0%}"


def _bar(probability: float) -> str:
    """A bar of plain signs, so that any terminal and any eye can read it."""
    return "#" * round(probability * BAR) or "."


def _words(found: Finding, design: Design, lines: tuple[int, ...]) -> Iterator[str]:
    from benchtest.prop.located import located

    said: set[str] = set()
    for suspect in found.suspects:
        if suspect.probability >= WORTH_DOING and suspect.where not in said:
            said.add(suspect.where)
            yield from _suspect_words(suspect, design)
    for names in found.alike:
        places = ", ".join(located(design, name) for name in names)
        yield f"The evidence so far fits these equally well: {places}."
    if found.cleared_ohm is not None and found.looks_healthy:
        yield f"No joint above {found.cleared_ohm * 1e3:.0f} mΩ under this load, as far as seen."
    if found.strange is not None:
        # a file's reader looks for the line, and blank lines and faults shift it
        place = f"Line {lines[found.strange - 1]}" if lines else f"Reading {found.strange}"
        row = found.readings[found.strange - 1].reading
        shown = f"{row.probe}, {row.value:.4g} {row.unit}"
        yield f"{place} ({shown}) disagrees with all others: take it again."
    yield from found.doubts(design)
    if (look := found.look) is not None:
        level = "" if look.lit.level >= 1.0 else f" at {look.lit.level:.0%}"
        yield (
            f"Look first: light {look.lit.text(design)} in {look.lit.colour}{level} and mark what "
            f"is wrong (worth {look.expect_bits:.1f} bits)."
        )
    yield _next(found.next, design)


def _suspect_words(suspect: Suspect, design: Design) -> Iterator[str]:
    from benchtest.prop.located import located

    yield f"{located(design, suspect.where)}: {suspect.reason or suspect.repair + '.'}"
    if suspect.reason:
        yield f"{suspect.where}: {suspect.repair}."
    if (after := suspect.after) is not None:
        yield (
            f"{suspect.where}: once repaired, {after.probe} with {after.lit.text(design)} lit "
            f"reads {after.volts:.4f} V, give or take {2.0 * after.sd:.4f} V."
        )


def _next(ask: NextReading, design: Design) -> str:
    if ask.settled:
        return "Next: no further reading is worth taking."
    if ask.probe is None or ask.lit is None:
        return (
            "Next: not decided, and no reading would decide it. Look again, or repair and retest."
        )
    return (
        f"Next: light {ask.lit.text(design)} and read {ask.probe} "
        f"(expected to tell {ask.expect_bits:.1f} bits)."
    )
