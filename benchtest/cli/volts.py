"""`benchtest volts`: volts from a bench meter or a bridge's inputs, and input calibration."""

from __future__ import annotations

import argparse
import contextlib
from collections.abc import Iterator
from typing import TYPE_CHECKING, Any

from benchtest.cli.common import Commands, number, print_json

if TYPE_CHECKING:
    from benchtest.drive.bridge.input_reader import BridgeReader
    from benchtest.drive.bridge.messages import Sample
    from benchtest.drive.source_spec import SourceSpec


def register(commands: Commands[argparse.ArgumentParser]) -> Iterator[argparse.ArgumentParser]:
    """Declare `volts` and its options."""
    parser = commands.add_parser(
        "volts",
        help="reads a meter, or the inputs of a USB bridge; calibrates an input",
        description="Reads volts once: from a bench meter with SCPI over a serial port or the "
        "network, from a hand-held meter with a data cable, or from the analog inputs of a USB "
        "bridge. With --calibrate it sends the bridge the true volts at one input; the board "
        "stores the calibration permanently (hw_notes/bridge.md).",
    )
    parser.add_argument(
        "--from",
        dest="source",
        required=True,
        metavar="SOURCE",
        help="scpi:DEVICE (scpi:DEVICE@9600,7E1,dtr) or scpi:HOST:5025 for a bench meter, "
        "handheld:DEVICE for a hand-held one, serial:DEVICE for a bridge; scpi, handheld or serial "
        "alone lists the ports",
    )
    parser.add_argument(
        "--pin",
        metavar="N",
        help="input of a bridge: an analog input from 0, or m0 and v0 for the millivolts and volts "
        "of its first power monitor (default: all)",
    )
    parser.add_argument(
        "--calibrate",
        type=number,
        metavar="VOLTS",
        help="true volts at that input, by a meter you trust, in the upper three quarters of its "
        "range; 0 zeroes the millivolts of a power monitor whose leads are held together",
    )
    parser.set_defaults(run=run)
    yield parser


def run(args: argparse.Namespace) -> int:
    """Read once, or calibrate."""
    from benchtest.drive.source_spec import parse_input, parse_source
    from benchtest.errors import InputError

    spec = parse_source(args.source, "--from")
    if spec.kind != "serial":
        if args.pin is not None or args.calibrate is not None:
            raise InputError(f"--from {spec}: --pin and --calibrate are for a bridge's inputs")
        return _bench_meter(spec, args) if spec.kind == "scpi" else _handheld_meter(spec, args)
    if args.pin is not None and parse_input(args.pin) is None:
        raise InputError(f"--pin {args.pin}: give an input from 0, or m0 to m15 and v0 to v15")
    if args.calibrate is not None:
        if args.pin is None:
            raise InputError("--calibrate: add the input with the voltage, such as --pin 0")
        is_zero = args.calibrate == 0.0 and args.pin.lower().startswith("m")
        if not (0.0 < args.calibrate <= 1000.0 or is_zero):
            raise InputError(f"--calibrate {args.calibrate:g}: give volts above 0")
    return _bridge(spec, args)


def _handheld_meter(spec: SourceSpec, args: argparse.Namespace) -> int:
    from benchtest.drive.handheld.meter import HandheldMeter

    with contextlib.closing(HandheldMeter(spec.device)) as meter:
        volts = meter.measure()
    if args.json:
        print_json({"from": str(spec), "meter": {"family": meter.family}, "volts": volts})
    else:
        print(f"{volts:.6g} V  {meter.family}")
    return 0


def _bench_meter(spec: SourceSpec, args: argparse.Namespace) -> int:
    from benchtest.drive.scpi.meter import ScpiMeter

    with contextlib.closing(ScpiMeter(spec.device, spec.line)) as meter:
        volts = meter.measure()
        assert meter.identity is not None
        identity = meter.identity
    if args.json:
        named = {"maker": identity.maker, "model": identity.model, "serial": identity.serial}
        print_json(
            {"from": str(spec), "meter": named | {"version": identity.version}, "volts": volts}
        )
    else:
        print(f"{volts:.6g} V  {identity.maker} {identity.model}".rstrip())
    return 0


def _bridge(spec: SourceSpec, args: argparse.Namespace) -> int:
    from benchtest.drive.bridge.input_reader import BridgeReader, usual_samples
    from benchtest.drive.source_spec import parse_input

    chosen = None if args.pin is None else parse_input(args.pin)
    baud = None if spec.line is None else spec.line.baud
    with contextlib.closing(BridgeReader(spec.device, baud)) as bridge:
        if args.calibrate is not None and chosen is not None:
            samples = [bridge.calibrate(chosen, args.calibrate)]
        else:
            pins = _pins(bridge) if chosen is None else [chosen]
            samples = [bridge.read(pin, usual_samples(pin)) for pin in pins]
    rows = [_row(sample) for sample in samples]
    if args.json:
        print_json({"from": str(spec), "pins": rows})
        return 0
    for row in rows:
        print(_text(row) + (", calibrated" if args.calibrate is not None else ""))
    return 0


def _pins(bridge: BridgeReader) -> list[int]:
    """Return the analog inputs of a bridge, and both inputs of each of its power monitors."""
    from benchtest.drive.source_spec import MONITOR_CHANNEL

    pins = list(range(bridge.inputs()))
    for monitor in bridge.monitors():
        pins += [MONITOR_CHANNEL + 2 * monitor, MONITOR_CHANNEL + 2 * monitor + 1]
    return pins


def _row(sample: Sample) -> dict[str, Any]:
    """Return one input as JSON; no volts if it is not calibrated or over range."""
    from benchtest.drive.source_spec import MONITOR_CHANNEL, input_name

    volts = None if sample.over_range or sample.volts is None else round(sample.volts, 7)
    is_monitor = sample.channel >= MONITOR_CHANNEL
    return {
        "pin": input_name(sample.channel) if is_monitor else sample.channel,
        "volts": volts,
        "counts": round(sample.counts, 2),
        "count_v": None if sample.scale_nv is None else sample.scale_nv * 1e-9,
        "over_range": sample.over_range,
    }


def _text(row: dict[str, Any]) -> str:
    counts = f"input {row['pin']}  {row['counts']:7.2f} counts"
    is_millivolts = str(row["pin"]).startswith("m")
    if row["over_range"] and is_millivolts:
        from benchtest.drive.bridge.input_reader import MONITOR_FULL_V

        sign = "more than" if row["counts"] > 0 else "below -"
        return f"{counts}  {sign} {MONITOR_FULL_V * 1e3:.1f} mV"
    if row["over_range"]:
        return f"{counts}  over range: use the divider for a higher voltage"
    if row["volts"] is None:
        return f"{counts}  not calibrated: --calibrate VOLTS --pin {row['pin']}"
    if is_millivolts:
        return f"{counts}  {row['volts'] * 1e3:.4f} mV"
    return f"{counts}  {row['volts']:.3f} V"
