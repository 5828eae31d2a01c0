"""Targets of `--to`, and the driver for each. Imports little, for a quick start."""

from __future__ import annotations

import re
from collections.abc import Callable
from dataclasses import dataclass, field, replace
from ipaddress import IPv4Address
from typing import TYPE_CHECKING, Any, Literal

from benchtest.errors import DriveFault, InputError, did_you_mean
from benchtest.input_files import printable

if TYPE_CHECKING:
    from benchtest.drive.driver import Driver
    from benchtest.drive.e131.driver import SourceSettings
    from benchtest.drive.frame_clock import FrameClock
    from benchtest.prop.design import Design
    from benchtest.prop.outputs import OutputSetting

E131_PORT = 5568
"""ACN_SDT_MULTICAST_PORT. Source: ANSI E1.31-2018, clause 9.1.1."""
ARTNET_PORT = 6454
"""UDP port 0x1936. Source: Specification for the Art-Net 4 Ethernet Communication Protocol."""
DDP_PORT = 4048
"""Source: Distributed Display Protocol (DDP) Specification."""
_KINDS = ("e131", "artnet", "ddp", "serial", "virtual")
MIN_KEEP_ALIVE_S = 0.1
"""Shortest interval of frames while nothing changes. [s] Ours: a tenth of the load of moving light
is a lot for a network that is poor."""


def format_target(host: str | None, port: int) -> str:
    """Return an E1.31 address as `--to` takes it: `e131`, `e131:HOST` or `e131:HOST:PORT`."""
    return "e131" if host is None else _format_address("e131", host, port, E131_PORT)


def format_artnet(host: str, port: int) -> str:
    """Return an Art-Net address as `--to` takes it: `artnet:HOST` or `artnet:HOST:PORT`."""
    return _format_address("artnet", host, port, ARTNET_PORT)


def format_ddp(host: str, port: int) -> str:
    """Return a DDP address as `--to` takes it: `ddp:HOST` or `ddp:HOST:PORT`."""
    return _format_address("ddp", host, port, DDP_PORT)


def _format_address(kind: str, host: str, port: int, usual: int) -> str:
    text = f"[{host}]" if ":" in host else host
    return f"{kind}:{text}" + (f":{port}" if port != usual else "")


@dataclass(frozen=True, slots=True)
class DriveSettings:
    """Settings of how a unit is driven; None for the usual value of each."""

    output: OutputSetting | None = None
    """Place of the prop's channels; None for that of its file."""
    priority: int | None = None
    """E1.31 priority, 0 to 200; 100 is usual."""
    sync: bool | None = None
    """True to send synchronization packets on the prop's first universe."""
    fps: float | None = None
    """Frames per second while the light changes; 40 is usual. [1/s]"""
    interface: str | None = None
    """Address of this machine's network interface to send from."""
    keepalive: float | None = None
    """Interval of frames while nothing changes; 0.81 is usual. [s]"""

    def __str__(self) -> str:
        parts = [str(self.output)] if self.output is not None else []
        parts += [f"priority={self.priority}"] if self.priority is not None else []
        parts += ["sync=" + str(self.sync).lower()] if self.sync is not None else []
        parts += [f"fps={self.fps:g}"] if self.fps is not None else []
        parts += [f"interface={self.interface}"] if self.interface is not None else []
        parts += [f"keep-alive={self.keepalive:g}"] if self.keepalive is not None else []
        return ",".join(parts)

    def over(self, other: DriveSettings) -> DriveSettings:
        """Return these settings, and those of another where these have none."""
        mine = {key: value for key in _SETTINGS if (value := getattr(self, key)) is not None}
        return replace(other, **mine)


_SETTINGS = ("output", "priority", "sync", "fps", "interface", "keepalive")
_OUTPUT_WORDS = ("universe", "channel", "slots", "packed")
_SETTING_WORDS = (*_OUTPUT_WORDS, "priority", "sync", "fps", "interface", "keep-alive")
_SPLIT = re.compile(rf"\s+(?=(?:{'|'.join(_SETTING_WORDS)})(?:=|\b))")


def parse_settings(text: str) -> DriveSettings:
    """Parse settings separated by commas or spaces, such as `universe=12,channel=340,sync`.

    Raises:
        InputError: a setting is unknown or invalid; contains every fault.

    >>> print(parse_settings("priority=150 universe=12"))
    universe=12,priority=150
    """
    output, found, faults = [], dict[str, Any](), []
    for word in text.replace(",", " ").split():
        key, equals, value = word.partition("=")
        name = key.replace("-", "")
        if key in _OUTPUT_WORDS:
            output.append(word)
        elif key not in _SETTING_WORDS:
            near = did_you_mean(key, _SETTING_WORDS) or f"; give {', '.join(_SETTING_WORDS)}"
            faults.append(f'"{printable(word)}" is not a setting{near}')
        elif name in found:
            faults.append(f"{key} is given twice")
        else:
            try:
                found[name] = _parse_setting(key, value if equals else "")
            except InputError as error:
                faults.append(str(error))
    if output:
        from benchtest.prop.outputs import parse_output_setting

        try:
            found["output"] = parse_output_setting(",".join(output))
        except InputError as error:
            faults += str(error).splitlines()
    if faults:
        raise InputError("\n".join(faults))
    return DriveSettings(**found)


def _parse_setting(key: str, value: str) -> object:
    if key == "sync":
        if value in ("", "true", "false"):
            return value != "false"
        raise InputError(f'sync "{printable(value)}": write sync, or sync=false')
    if key == "interface":
        return check_interface(value)
    checks: dict[str, Callable[[float], object]] = {"fps": check_fps, "keep-alive": check_keepalive}
    try:
        return check_priority(int(value)) if key == "priority" else checks[key](float(value))
    except ValueError:
        from benchtest.drive.driver import KEEP_ALIVE_INTERVAL_S, MAX_FRAMES_PER_S
        from benchtest.drive.e131.decode import MAX_PRIORITY

        bounds = {
            "priority": f"0 to {MAX_PRIORITY}",
            "fps": f"1 to {MAX_FRAMES_PER_S:g}",
            "keep-alive": f"{MIN_KEEP_ALIVE_S:g} to {KEEP_ALIVE_INTERVAL_S:g}",
        }[key]
        raise InputError(f'{key} "{printable(value)}": give a number {bounds}') from None


def check_priority(priority: int) -> int:
    """Return an E1.31 priority. Source: ANSI E1.31-2018, clause 6.2.3.

    Raises:
        InputError: it is out of range.
    """
    from benchtest.drive.e131.decode import MAX_PRIORITY

    if not 0 <= priority <= MAX_PRIORITY:
        raise InputError(f"priority {priority}: give 0 to {MAX_PRIORITY}")
    return priority


def check_fps(fps: float) -> float:
    """Return a number of frames per second.

    Raises:
        InputError: it is out of range.
    """
    from benchtest.drive.driver import MAX_FRAMES_PER_S

    if not 1.0 <= fps <= MAX_FRAMES_PER_S:
        raise InputError(f"fps {fps:g}: give 1 to {MAX_FRAMES_PER_S:g} frames per second")
    return fps


def check_keepalive(interval_s: float) -> float:
    """Return an interval of frames while nothing changes. [s]

    Raises:
        InputError: it is out of range.
    """
    from benchtest.drive.driver import KEEP_ALIVE_INTERVAL_S

    if not MIN_KEEP_ALIVE_S <= interval_s <= KEEP_ALIVE_INTERVAL_S:
        raise InputError(
            f"keep-alive {interval_s:g}: give {MIN_KEEP_ALIVE_S:g} to {KEEP_ALIVE_INTERVAL_S:g} "
            "seconds; with 0.5 a prop stays lit though three packets in a row are lost"
        )
    return interval_s


def check_interface(address: str) -> str:
    """Return the address of an interface.

    Raises:
        InputError: it is not an IPv4 address.
    """
    try:
        return str(IPv4Address(address))
    except ValueError:
        raise InputError(
            f'interface "{printable(address)}": give an IPv4 address of this machine; '
            "`benchtest doctor` lists them"
        ) from None


@dataclass(frozen=True, slots=True)
class Target:
    """Destination of frames, as `--to` names it, and how they are sent."""

    kind: Literal["e131", "artnet", "ddp", "serial", "virtual"]
    host: str | None = None
    """Name or address for unicast; None for multicast."""
    port: int = E131_PORT
    device: str | None = None
    baud: int | None = None
    """Rate of a bridge's line; None for the usual one."""
    settings: DriveSettings = field(default_factory=DriveSettings)

    def __str__(self) -> str:
        """Return the text that `parse_target` reads, which records keep."""
        if self.kind == "virtual":  # whose controller has the same settings
            return self.kind
        if self.kind == "serial":
            here = f"serial:{self.device}" + ("" if self.baud is None else f"@{self.baud}")
        elif self.kind == "artnet" and self.host is not None:
            here = format_artnet(self.host, self.port)
        elif self.kind == "ddp" and self.host is not None:
            here = format_ddp(self.host, self.port)
        else:
            here = format_target(self.host, self.port)
        return f"{here} {self.settings}".rstrip()

    @property
    def output(self) -> OutputSetting:
        from benchtest.prop.outputs import OutputSetting

        return self.settings.output or OutputSetting()

    @property
    def fps(self) -> float:
        """Frames per second while the light changes. [1/s]"""
        from benchtest.drive.driver import MAX_FRAMES_PER_S

        return self.settings.fps or MAX_FRAMES_PER_S

    @property
    def keep_alive_s(self) -> float:
        """Interval of frames while nothing changes. [s]"""
        from benchtest.drive.driver import KEEP_ALIVE_INTERVAL_S

        return self.settings.keepalive or KEEP_ALIVE_INTERVAL_S

    def at(self, address: str) -> Target:
        """Return the target of an address, driven with the same settings."""
        return replace(parse_target(address), settings=self.settings)

    def with_settings(self, settings: DriveSettings) -> Target:
        """Return the target with these settings, and its own where these have none."""
        return replace(self, settings=settings.over(self.settings))

    def source(self, design: Design, source: SourceSettings) -> SourceSettings:
        """Return our own source with the settings of the target.

        Args:
            design: the prop, at its output.
            source: the source without them.
        """
        from benchtest.drive.universe_layout import universe_numbers

        given = self.settings
        return replace(
            source,
            priority=source.priority if given.priority is None else given.priority,
            sync_address=universe_numbers(design)[0] if given.sync else source.sync_address,
            interface=given.interface or source.interface,
        )

    def check_settings(self) -> Target:
        """Return the target, whose settings all have a meaning there.

        Raises:
            InputError: some have none; contains every one.
        """
        reasons, address = _UNUSABLE.get(self.kind, {}), replace(self, settings=DriveSettings())
        faults = [
            f"{address}: {why}; leave {key} out" + (", or use e131" if self.host else "")
            for key, why in reasons.items()
            if getattr(self.settings, key) not in (None, False)
        ]
        if faults:
            raise InputError("\n".join(faults))
        return self


_UNUSABLE = {
    "artnet": {"priority": "Art-Net has no priority"},
    "ddp": {
        "priority": "DDP has no priority",
        "sync": "DDP needs no packets for that, since the last of a frame shows all of it",
    },
    "serial": {
        "output": "a bridge has no universes, and its first node is that of its data line",
        "priority": "a bridge has one source only, and so no priority",
        "sync": "a bridge drives one data line, which needs no synchronization",
        "interface": "a bridge is on USB, not on a network",
    },
}
"""Settings without a meaning at a kind of target, with the reason."""
_PORTS = {"e131": E131_PORT, "artnet": ARTNET_PORT, "ddp": DDP_PORT}
_HOST = re.compile(
    r"^(?:\[(?P<six>[0-9A-Fa-f:.]+(?:%[\w.-]+)?)\]|(?P<host>[A-Za-z0-9._-]+))(?::(?P<port>\d{1,5}))?$",
    re.ASCII,
)


def parse_target(text: str) -> Target:
    """Parse `e131`, `e131:HOST[:PORT]`, `artnet:HOST`, `ddp:HOST`, `serial:DEVICE` or `virtual`.

    A rate of the line may follow a device, as in `serial:/dev/ttyUSB0@115200`. Settings may follow
    after a space, as `parse_settings` reads them.

    Raises:
        InputError: the text has no such form; for `serial` alone the message lists the ports.

    >>> print(parse_target("e131:192.0.2.7 universe=12 channel=340"))
    e131:192.0.2.7 universe=12,channel=340
    """
    place, *settings = _SPLIT.split(text.strip(), maxsplit=1)
    if settings:
        return replace(parse_target(place), settings=parse_settings(settings[0]))
    text = place
    kind, colon, rest = text.partition(":")
    if kind == "virtual" and not colon:
        return Target("virtual")
    if kind == "serial" and rest:
        from benchtest.drive.source_spec import split_bridge

        device, baud = split_bridge(rest, "--to")
        return Target("serial", device=device, baud=baud)
    if kind == "serial":
        from benchtest.drive.serial_ports import describe_ports

        raise InputError(f"--to {text}: no port given; write serial:DEVICE; {describe_ports()}")
    if kind == "e131" and not colon:
        return Target("e131")
    if kind == "artnet" and not rest:
        raise InputError(
            f'--to "{text[:60]}": write artnet:HOST; benchtest drive --controllers finds them'
        )
    if kind == "ddp" and not rest:
        raise InputError(f'--to "{text[:60]}": write ddp:HOST, the address of the controller')
    if kind in _PORTS and (found := _HOST.match(rest)):
        port = int(found["port"]) if found["port"] else _PORTS[kind]
        if 1 <= port <= 65535:
            return Target(kind, found["six"] or found["host"], port)  # type: ignore[arg-type]
    if kind in _PORTS and rest.count(":") > 1:
        raise InputError(
            f'--to "{text[:60]}": write {kind}:HOST with an IPv6 address in brackets, as in [::1]'
        )
    raise InputError(
        f'--to "{text[:60]}": write e131 (multicast), e131:HOST, artnet:HOST, ddp:HOST, '
        f"serial:DEVICE or virtual{did_you_mean(kind, _KINDS)}"
    )


def clock_for(
    target: Target, design: Design, driver: Driver, *, attended: bool = True
) -> FrameClock:
    """Return a frame clock with the pace of a target; nothing is started yet.

    Args:
        target: what is driven, with its settings.
        design: the prop.
        driver: of the target.
        attended: see `FrameClock`.
    """
    from benchtest.drive.frame_clock import FrameClock

    return FrameClock(
        driver,
        design.node_count,
        design.node.channels,
        target.fps,
        attended=attended,
        keep_alive_s=target.keep_alive_s,
    )


def driver_for(target: Target, design: Design, source: SourceSettings) -> Driver:
    """Return the driver that reaches a target, not yet opened.

    Args:
        target: where frames go, and how they are sent.
        design: the prop, with the outputs of its file.
        source: our own source.

    Raises:
        DriveFault: no driver reaches a virtual prop by name alone.
        InputError: the prop does not fit the output, the target has one data line or no such
            setting, or the source's name or priority is outside the standard's limits.
    """
    given, host = target.check_settings().settings, target.host
    placed = str(given.output or "")
    if target.device is None and given.output:
        design = given.output.moved(design)
    if target.kind == "e131":
        from benchtest.drive.e131.driver import E131Driver

        sender = target.source(design, source)
        return E131Driver(design, sender, host, target.port, placed)
    if target.kind == "artnet":
        from benchtest.drive.artnet.driver import ArtNetDriver

        assert host is not None
        return ArtNetDriver(
            design,
            host,
            target.port,
            sync=bool(given.sync),
            interface=given.interface,
            placed=placed,
        )
    if target.kind == "ddp":
        from benchtest.drive.ddp.driver import DdpDriver

        assert host is not None
        return DdpDriver(design, host, target.port, interface=given.interface, placed=placed)
    if target.device is not None:
        if len(design.outputs) > 1:
            raise InputError(
                f"{target}: {design.name} has {len(design.outputs)} outputs, a bridge drives one "
                "data line; give the prop file one output, or use e131"
            )
        from benchtest.drive.bridge.driver import BridgeDriver  # pyserial only where it is needed

        return BridgeDriver(design, target.device, target.baud)
    raise DriveFault("virtual: start a simulation and give its address, as `benchtest demo` does")
