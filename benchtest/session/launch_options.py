"""Options that the terminal program is started with. Imports little, for a quick start."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field
from pathlib import Path

from benchtest.drive.target import DriveSettings, parse_target
from benchtest.errors import InputError
from benchtest.evidence.meter import DEFAULT_METER, Meter


@dataclass(frozen=True)
class LaunchOptions:
    """Options of the terminal program.

    Attributes:
        folder: folder of the records.
        to: target of all units, as written for `--to`; None to ask for each unit.
        prop_file: prop file of new units; None without one.
        meter: meter of typed readings.
        hidden: faults of a virtual prop.
        seed: seed of a virtual prop's tolerances.
        readings_from: bench meter or bridge that is read by one key; None to type readings.
        pins: inputs of a bridge and their places, such as `0=foot:4`.
        resume: id of a session to resume at once if it is unfinished; None for none.
        go_on_to: target that this session was driven at; None if the record has it.
        enough: evidence from which a sign-off is offered, such as `99%` or `100mOhm`; None for
            that of the prop file.
        points: True if nodes show where the leads go before each reading.
        hands_free: True if readings of a meter that reads by itself are kept without a key.
        speaks: True if each question is spoken.
        settings: settings of all targets, before those that a target has itself.
    """

    folder: Path
    to: str | None = None
    prop_file: Path | None = None
    meter: Meter = DEFAULT_METER
    hidden: Sequence[str] = field(default_factory=tuple)
    seed: int | None = None
    readings_from: str | None = None
    pins: Sequence[str] = field(default_factory=tuple)
    resume: str | None = None
    go_on_to: str | None = None
    points: bool = True
    hands_free: bool = True
    speaks: bool = False
    enough: str | None = None
    settings: DriveSettings = field(default_factory=DriveSettings)


def check_launch_options(bench: LaunchOptions) -> None:
    """Check the options before a screen opens.

    Raises:
        InputError: the target, the source of readings or the prop file is wrong.
    """
    target = parse_target(bench.to or "virtual").with_settings(bench.settings).check_settings()
    if bench.readings_from is not None or bench.pins:
        from benchtest.drive.source_spec import parse_source
        from benchtest.session.workbench.reading_sources import check_source

        spec = None if bench.readings_from is None else parse_source(bench.readings_from)
        check_source(spec, bench.pins, target.kind == "serial")
    if bench.enough is not None:
        from benchtest.prop.enough import parse_enough

        parse_enough(bench.enough)
    if bench.prop_file is not None:
        from benchtest.prop.reader import read_design

        design = read_design(bench.prop_file)
        if bench.settings.output is not None:
            bench.settings.output.moved(design)
        if bench.pins:
            from benchtest.session.workbench.reading_sources import parse_bridge_pins

            parse_bridge_pins(design, bench.pins)
    if bench.hidden and target.kind != "virtual":
        raise InputError("faults can be hidden only in a virtual prop; leave out --to")
