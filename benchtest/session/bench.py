"""What the terminal program is started with. Loads little: the first screen waits for it."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field
from pathlib import Path

from benchtest.drive.base import parse_target
from benchtest.errors import InputError
from benchtest.evidence.meter import DEFAULT_METER, Meter


@dataclass(frozen=True)
class Bench:
    """What the terminal program was started with.

    Attributes:
        folder: keeps the records.
        to: where units are driven, as `--to` says it.
        prop_file: design of new units, where one was named.
        meter: what readings are taken with.
        hidden: faults of a virtual prop.
        seed: of a virtual prop's own figures.
    """

    folder: Path
    to: str = "virtual"
    prop_file: Path | None = None
    meter: Meter = DEFAULT_METER
    hidden: Sequence[str] = field(default_factory=tuple)
    seed: int | None = None


def check_bench(bench: Bench) -> None:
    """Check what can be checked before a screen opens.

    Raises:
        InputError: the target or the prop file is wrong.
    """
    parse_target(bench.to)
    if bench.prop_file is not None:
        from benchtest.prop.reader import read_design

        read_design(bench.prop_file)
    if bench.hidden and parse_target(bench.to).kind != "virtual":
        raise InputError("faults can be hidden only in a virtual prop; leave out --to")
