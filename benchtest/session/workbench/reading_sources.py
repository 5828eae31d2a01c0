"""Sources of readings: the virtual meter, the inputs of a bridge, a bench meter."""

from __future__ import annotations

import os
from collections.abc import Mapping, Sequence
from typing import TYPE_CHECKING, Protocol

from benchtest.drive.driver import Driver
from benchtest.drive.source_spec import SourceSpec, parse_pins
from benchtest.errors import InputError, NameFault
from benchtest.evidence.reading_source import ReadingSource, SourceReading
from benchtest.prop.design import Design, Probe
from benchtest.prop.notation import parse_probe
from benchtest.virtual.remote_prop import RemoteProp

if TYPE_CHECKING:
    from benchtest.drive.bridge.input_reader import BridgeReader
    from benchtest.drive.bridge.messages import Sample


class VirtualMeter:
    """The meter of a virtual prop."""

    name = "virtual meter"

    def __init__(self, prop: RemoteProp) -> None:
        self._prop = prop

    def can_read(self, probe: Probe) -> bool:
        return True

    def read(self, probe: Probe) -> SourceReading:
        return SourceReading(self._prop.measure(str(probe)))

    def sample(self, probe: Probe | None) -> SourceReading:
        if probe is None:
            raise InputError("no place is asked for")
        return self.read(probe)

    def poll(self) -> str | None:
        return None

    def close(self) -> None:
        """Do nothing: the meter ends with its prop."""


class BridgeInputs(Protocol):
    """Reader of the inputs of a bridge: its driver, or a reader without one."""

    def read(self, channel: int) -> Sample: ...


class BridgePins:
    """Analog inputs of a bridge, each wired to a probe."""

    def __init__(self, inputs: BridgeInputs, device: str, pins: Mapping[Probe, int]) -> None:
        self.name = f"bridge on {device}"
        self.pins = pins
        self._inputs = inputs

    def can_read(self, probe: Probe) -> bool:
        return probe in self.pins

    def read(self, probe: Probe) -> SourceReading:
        from benchtest.drive.bridge.input_reader import input_accuracy, sample_volts

        sample = self._inputs.read(self.pins[probe])
        volts = sample_volts(sample)
        assert sample.scale_nv is not None
        return SourceReading(volts, input_accuracy(sample.scale_nv))

    def sample(self, probe: Probe | None) -> SourceReading:
        if probe is None or probe not in self.pins:
            raise InputError(f"{self.name} is not at that place")
        return self.read(probe)

    def poll(self) -> str | None:
        """Return None: if the bridge also drives the prop, its driver reports faults."""
        return None

    def close(self) -> None:
        """Do nothing: a bridge that drives the prop is closed with it."""


class StandaloneBridgeInputs(BridgePins):
    """A bridge that is read and does not drive the prop."""

    def __init__(self, reader: BridgeReader, pins: Mapping[Probe, int]) -> None:
        super().__init__(reader, reader.device, pins)
        self._reader = reader

    def poll(self) -> str | None:
        return self._reader.poll()

    def close(self) -> None:
        self._reader.close()


def parse_bridge_pins(
    design: Design, texts: Sequence[str], *, fitting: bool = False
) -> dict[Probe, int]:
    """Return the input of each probe.

    Args:
        design: the prop.
        texts: inputs and places, such as `0=foot:4`.
        fitting: leave out places that this prop does not have: a shelf has units of many designs.

    Raises:
        InputError: not of that form, or two inputs at one probe.
        NameFault: the prop has no such place.
    """
    found: dict[Probe, int] = {}
    for pin, text in parse_pins(texts):
        try:
            probe = parse_probe(text, design)
        except NameFault as fault:
            if fitting:
                continue
            raise NameFault(f"--pin {pin}={text}: {fault}") from fault
        if probe in found:
            raise InputError(f"--pin {pin}={text}: input {found[probe]} is already there")
        found[probe] = pin
    return found


def check_source(spec: SourceSpec | None, pins: Sequence[str], to_serial: bool) -> None:
    """Check that a source and its pins go together.

    Raises:
        InputError: pins without a bridge, or a bridge without pins.
    """
    parse_pins(pins)
    bridge = spec.kind == "serial" if spec is not None else to_serial
    if pins and not bridge:
        raise InputError(
            "--pin is for the inputs of a bridge; name the bridge: --readings-from serial:DEVICE"
        )
    if spec is not None and spec.kind == "serial" and not pins:
        raise InputError(
            f"--readings-from {spec}: give the place of each input, such as --pin 0=foot:4"
        )


def source_for(
    spec: SourceSpec | None, pins: Sequence[str], design: Design, driver: Driver
) -> ReadingSource | None:
    """Return the source of readings of the command line; it opens its port when first read.

    Args:
        spec: the source; None for the bridge that drives the prop, if pins are given.
        pins: inputs of a bridge and their places, such as `0=foot:4`.
        design: the prop.
        driver: driver of the prop: a port can be opened only once.
    """
    if spec is not None and spec.kind == "scpi":
        from benchtest.drive.scpi.meter import ScpiMeter

        return ScpiMeter(spec.device, spec.line)
    if spec is not None and spec.kind == "handheld":
        from benchtest.drive.handheld.meter import HandheldMeter

        return HandheldMeter(spec.device)
    if not pins:
        return None
    from benchtest.drive.bridge.driver import BridgeDriver
    from benchtest.drive.bridge.input_reader import BridgeReader

    sits = parse_bridge_pins(design, pins, fitting=True)
    if isinstance(driver, BridgeDriver) and (spec is None or _same(spec.device, driver.device)):
        return BridgePins(driver, driver.device, sits)
    return None if spec is None else StandaloneBridgeInputs(BridgeReader(spec.device), sits)


def _same(one: str, other: str) -> bool:
    return os.path.realpath(one) == os.path.realpath(other)
