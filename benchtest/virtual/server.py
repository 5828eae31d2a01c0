"""The virtual prop on real sockets: E1.31 in over UDP, meter and observer over TCP.

The control protocol is one JSON object a line, on loopback only: `{"measure": "4A"}` for volts,
`{"amps": "main"}` for amperes, `{"look": true}` for the nodes' appearance, `{"fault": "4A+=open"}`
to inject a fault, `{"repair": "4A+"}` to repair, `{"state": true}` for counters, `{"stop": true}`.
"""

from __future__ import annotations

import asyncio
import contextlib
import json
import threading
import time
from dataclasses import asdict, dataclass
from typing import Any

from benchtest.drive.universe_layout import frame_from_slots, universe_numbers
from benchtest.errors import BenchError, DriveFault, InputError
from benchtest.prop.design import Design
from benchtest.prop.notation import parse_probe
from benchtest.virtual.e131_receiver import E131Receiver
from benchtest.virtual.injected_faults import parse_fault
from benchtest.virtual.observer import observe
from benchtest.virtual.remote_prop import LOOPBACK
from benchtest.virtual.udp_receiver import NetworkImpairment, UdpReceiver
from benchtest.virtual.virtual_prop import VirtualProp, frame_checksum

_TICK_INTERVAL_S = 0.05
_GATHER_S = 0.005
"""Time over which packets are gathered before the circuit is solved, once for all of them. [s]"""
_MAX_LINE_OCTETS = 4096
_CLOSE_TIMEOUT_S = 1.0


@dataclass(frozen=True, slots=True)
class ListenAddress:
    """Addresses of a running virtual prop."""

    host: str
    port: int
    control_port: int


class VirtualPropServer:
    """One virtual prop, its receiver and its control channel."""

    def __init__(
        self,
        prop: VirtualProp,
        impairment: NetworkImpairment | None = None,
        controller: Design | None = None,
    ) -> None:
        """Prepare the prop's controller; nothing is opened yet.

        Args:
            prop: the virtual prop.
            impairment: loss and delay of packets; None for a perfect network.
            controller: the design with the outputs that the controller is set to; None for those of
                the prop's own file.
        """
        self.prop = prop
        self._controller = controller or prop.design
        self._impairment = None if impairment is None or impairment.is_perfect else impairment
        self.receiver = E131Receiver.for_universes(universe_numbers(self._controller))
        self.done = asyncio.Event()
        self._lock = threading.Lock()  # guards the receiver, which the UDP thread calls
        self._due = False
        self._callers: dict[asyncio.Task[None], asyncio.StreamWriter] = {}

    async def listen(self, host: str, port: int, control_port: int) -> ListenAddress:
        """Open both sockets.

        Raises:
            DriveFault: a port is in use, or the address is not this machine's.
        """
        loop = asyncio.get_running_loop()
        self._loop = loop
        self._udp = UdpReceiver(host, port, self.receive)
        try:
            self._tcp = await asyncio.start_server(
                self._serve, LOOPBACK, control_port, limit=_MAX_LINE_OCTETS
            )
        except OSError as error:
            self._udp.close()
            raise DriveFault(
                f"cannot listen on {LOOPBACK}:{control_port}: {error.strerror or error}; "
                "give another --control-port"
            ) from error
        self._udp.start()
        return ListenAddress(host, self._udp.port, self._tcp.sockets[0].getsockname()[1])

    def receive(self, octets: bytes) -> None:
        """Process one packet; called in the UDP thread."""
        if self._impairment is None:
            self._take(octets)
        elif (carried := self._impairment.apply(octets)) is not None:
            self._loop.call_soon_threadsafe(
                self._loop.call_later, carried[0], self._take, carried[1]
            )

    def _take(self, octets: bytes) -> None:
        with self._lock:
            changed = self.receiver.receive(octets, time.monotonic()) and not self._due
            self._due |= changed
        if changed:
            self._loop.call_soon_threadsafe(self._loop.call_later, _GATHER_S, self.show)

    def show(self) -> None:
        """Pass the receiver's slots to the prop if they have changed."""
        with self._lock:
            if not self._due:
                return
            self._due = False
            slots = self.receiver.slots()
        self.prop.receive(frame_from_slots(self._controller, slots))

    async def run(self) -> None:
        """Run until stopped by control, by a signal, or by the end of the parent process."""
        while not self.done.is_set():
            with self._lock:
                self._due |= self.receiver.expire_sources(time.monotonic())
            self.show()
            with contextlib.suppress(TimeoutError):
                await asyncio.wait_for(self.done.wait(), _TICK_INTERVAL_S)
        await self._hang_up()

    async def _hang_up(self) -> None:
        """Close the sockets and every client's connection; cancelled tasks would report errors."""
        await asyncio.to_thread(self._udp.close)
        self._tcp.close()
        for writer in self._callers.values():
            writer.close()
        if self._callers:
            await asyncio.wait(self._callers, timeout=_CLOSE_TIMEOUT_S)

    async def _serve(self, reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        task = asyncio.current_task()
        assert task is not None
        self._callers[task] = writer
        try:
            while line := await reader.readline():
                writer.write(json.dumps(self.answer(line)).encode() + b"\n")
                await writer.drain()
        except (ConnectionError, ValueError, asyncio.LimitOverrunError):
            pass  # a client that disconnects or floods is only dropped
        finally:
            writer.close()
            del self._callers[task]

    def answer(self, line: bytes) -> dict[str, Any]:
        """Answer one control line; an error is returned under `error`."""
        try:
            asked = json.loads(line)
            if not isinstance(asked, dict) or len(asked) != 1:
                raise InputError('write one JSON object with one key, such as {"measure": "4A"}')
            return self._answer(asked)
        except (json.JSONDecodeError, UnicodeDecodeError, RecursionError):
            return {"error": "not JSON"}
        except BenchError as error:
            return {"error": str(error)}

    def _answer(self, asked: dict[str, Any]) -> dict[str, Any]:
        prop = self.prop
        self.show()
        match asked:
            case {"measure": str(text)}:
                return {"volts": prop.measure(parse_probe(text, prop.design))}
            case {"amps": str(name)}:
                if name not in {feed.name for feed in prop.design.feeds}:
                    there = ", ".join(feed.name for feed in prop.design.feeds)
                    raise InputError(
                        f'"{name[:40]}" is not a feed of {prop.design.name}; give {there}'
                    )
                return {"amps": prop.amps(name)}
            case {"look": _}:
                return {"sights": [asdict(sight) for sight in observe(prop)]}
            case {"fault": str(text)}:
                prop.inject_fault(fault := parse_fault(text, prop.design))
                return {"fault": str(fault)}
            case {"repair": str(where)}:
                return {"was_wrong": prop.repair(where)}
            case {"state": _}:
                return self.state()
            case {"stop": _}:
                self.done.set()
                return {"stopped": True}
        raise InputError("give measure, amps, look, fault, repair, state or stop")

    def state(self) -> dict[str, Any]:
        """Return the values of a status line."""
        node, volts = self.prop.solution.lowest_node
        with self._lock:
            packets, sources = dict(self.receiver.packet_counts), self.receiver.sources()
        return {
            "packets": packets,
            "sources": [{"name": name, "priority": priority} for name, priority in sources],
            "lowest_node": {"node": str(node), "volts": volts},
            "feeds": self.prop.solution.feed_a,
            "nodes_lit": int(self.prop.latched().any(axis=1).sum()),
            "frame": frame_checksum(self.prop.sent_frame()),
        }
