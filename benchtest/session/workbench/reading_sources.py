"""Sources of readings: the virtual meter, the inputs of a bridge, a bench meter."""

from __future__ import annotations

import math
import os
from collections.abc import Mapping, Sequence
from typing import TYPE_CHECKING, Protocol, runtime_checkable

from benchtest.drive.driver import Driver
from benchtest.drive.source_spec import MONITOR_CHANNEL, SourceSpec, input_name, parse_pins
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

    def read(self, channel: int, samples: int) -> Sample: ...


class BridgePins:
    """Inputs of a bridge and of its power monitors, each wired to a probe."""

    def __init__(self, inputs: BridgeInputs, device: str, pins: Mapping[Probe, int]) -> None:
        self.name = f"bridge on {device}"
        self.pins = pins
        self._inputs = inputs

    def can_read(self, probe: Probe) -> bool:
        return probe in self.pins

    def read(self, probe: Probe) -> SourceReading:
        return _read_input(self._inputs, self.pins[probe])

    def sample(self, probe: Probe | None) -> SourceReading:
        if probe is None or probe not in self.pins:
            raise InputError(f"{self.name} is not at that place")
        return self.read(probe)

    def poll(self) -> str | None:
        """Return None: if the bridge also drives the prop, its driver reports faults."""
        return None

    def close(self) -> None:
        """Do nothing: a bridge that drives the prop is closed with it."""


def _read_input(inputs: BridgeInputs, channel: int) -> SourceReading:
    """Read one input with its accuracy.

    Raises:
        DriveFault: the board or its monitor does not answer, or the input is beyond its range.
    """
    from benchtest.drive.bridge import input_reader

    is_monitor = channel >= MONITOR_CHANNEL
    sample = inputs.read(channel, input_reader.usual_samples(channel))
    if is_monitor and sample.over_range and not input_reader.is_bus_input(channel):
        end_v = math.copysign(input_reader.MONITOR_FULL_V, sample.counts)
        return SourceReading(end_v, input_reader.monitor_accuracy(channel), beyond=True)
    volts = input_reader.sample_volts(sample)
    if is_monitor:
        return SourceReading(volts, input_reader.monitor_accuracy(channel))
    assert sample.scale_nv is not None
    return SourceReading(volts, input_reader.input_accuracy(sample.scale_nv))


@runtime_checkable
class BridgeBoard(Protocol):
    """A bridge's keys and its buzzer."""

    def take_pressed(self) -> list[int]:
        """Return the keys that were pressed since the last call: 1 yes, 2 no, 3 back."""
        ...

    def sound(self) -> None:
        """Sound the buzzer, if there is one.

        Raises:
            DriveFault: the board is absent.
        """
        ...


class _ReaderBoard:
    """Keys and buzzer of a bridge that is read and does not drive the prop."""

    _reader: BridgeReader | None

    def take_pressed(self) -> list[int]:
        return [] if self._reader is None else self._reader.take_pressed()

    def sound(self) -> None:
        if self._reader is not None:
            self._reader.sound()


class MonitorProbe(_ReaderBoard):
    """Leads at the millivolts of a bridge's first power monitor: drops across joints and copper."""

    def __init__(self, inputs: BridgeInputs, device: str, reader: BridgeReader | None) -> None:
        self.name = f"bridge on {device}"
        self._inputs, self._reader = inputs, reader

    def can_read(self, probe: Probe) -> bool:
        """Return whether a probe is a drop on one rail; a rail's volts exceed the input."""
        return probe.red.rail == probe.black.rail

    def read(self, probe: Probe) -> SourceReading:
        return _read_input(self._inputs, MONITOR_CHANNEL)

    def sample(self, probe: Probe | None) -> SourceReading:
        return _read_input(self._inputs, MONITOR_CHANNEL)

    def poll(self) -> str | None:
        return None if self._reader is None else self._reader.poll()

    def close(self) -> None:
        if self._reader is not None:
            self._reader.close()


class StandaloneBridgeInputs(_ReaderBoard, BridgePins):
    """A bridge that is read and does not drive the prop."""

    def __init__(self, reader: BridgeReader, pins: Mapping[Probe, int]) -> None:
        super().__init__(reader, reader.device, pins)
        self._reader: BridgeReader = reader

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
        texts: inputs and places, such as `0=foot:4` or `m1=foot:4+>4A+`.
        fitting: leave out places that this prop does not have: a shelf has units of many designs.

    Raises:
        InputError: not of that form, or two inputs at one probe.
        NameFault: the prop has no such place.
    """
    found: dict[Probe, int] = {}
    for pin, text in parse_pins(texts):
        where = f"--pin {input_name(pin)}={text}"
        try:
            probe = parse_probe(text, design)
        except NameFault as fault:
            if fitting:
                continue
            raise NameFault(f"{where}: {fault}") from fault
        if probe in found:
            raise InputError(f"{where}: input {input_name(found[probe])} is already there")
        found[probe] = pin
    return found


def check_source(spec: SourceSpec | None, pins: Sequence[str], to_serial: bool) -> None:
    """Check that a source and its pins go together.

    Raises:
        InputError: pins without a bridge.
    """
    parse_pins(pins)
    bridge = spec.kind == "serial" if spec is not None else to_serial
    if pins and not bridge:
        raise InputError(
            "--pin is for the inputs of a bridge; name the bridge: --readings-from serial:DEVICE"
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
    if spec is None and not pins:
        return None
    from benchtest.drive.bridge.driver import BridgeDriver
    from benchtest.drive.bridge.input_reader import BridgeReader

    sits = parse_bridge_pins(design, pins, fitting=True)
    if isinstance(driver, BridgeDriver) and (spec is None or _same(spec.device, driver.device)):
        if pins:
            return BridgePins(driver, driver.device, sits)
        return MonitorProbe(driver, driver.device, None)
    if spec is None:
        return None
    reader = BridgeReader(spec.device, None if spec.line is None else spec.line.baud)
    if pins:
        return StandaloneBridgeInputs(reader, sits)
    return MonitorProbe(reader, spec.device, reader)


def _same(one: str, other: str) -> bool:
    return os.path.realpath(one) == os.path.realpath(other)
