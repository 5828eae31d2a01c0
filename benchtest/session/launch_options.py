"""What the terminal program is started with. Loads little: the first screen waits for it."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field
from pathlib import Path

from benchtest.drive.target import parse_target
from benchtest.errors import InputError
from benchtest.evidence.meter import DEFAULT_METER, Meter


@dataclass(frozen=True)
class Bench:
    """What the terminal program was started with.

    Attributes:
        folder: keeps the records.
        to: where units are driven, as `--to` says it; None where that is asked of each unit.
        prop_file: design of new units, where one was named.
        meter: what readings are taken with.
        hidden: faults of a virtual prop.
        seed: of a virtual prop's own figures.
        readings_from: bench meter or bridge that readings are taken from; None to type them.
        pins: which of a bridge's inputs sits where, `0=foot:4`.
        go_on: session to go on with at once, where it is still open.
        go_on_to: target that this session was driven at; None where the record says it.
    """

    folder: Path
    to: str | None = None
    prop_file: Path | None = None
    meter: Meter = DEFAULT_METER
    hidden: Sequence[str] = field(default_factory=tuple)
    seed: int | None = None
    readings_from: str | None = None
    pins: Sequence[str] = field(default_factory=tuple)
    go_on: str | None = None
    go_on_to: str | None = None


def check_launch_options(bench: Bench) -> None:
    """Check what can be checked before a screen opens.

    Raises:
        InputError: the target, the source of readings or the prop file is wrong.
    """
    target = parse_target(bench.to or "virtual")
    if bench.readings_from is not None or bench.pins:
        from benchtest.drive.source_spec import parse_source
        from benchtest.session.workbench.reading_sources import check_source

        spec = None if bench.readings_from is None else parse_source(bench.readings_from)
        check_source(spec, bench.pins, target.kind == "serial")
    if bench.prop_file is not None:
        from benchtest.prop.reader import read_design

        design = read_design(bench.prop_file)
        if bench.pins:
            from benchtest.session.workbench.reading_sources import pins_of

            pins_of(design, bench.pins)
    if bench.hidden and target.kind != "virtual":
        raise InputError("faults can be hidden only in a virtual prop; leave out --to")
