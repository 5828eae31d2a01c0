"""Network interfaces of this machine and the route of multicast. Sends nothing."""

from __future__ import annotations

import socket
from collections.abc import Sequence
from dataclasses import dataclass

import psutil

from benchtest.drive.e131.encode import multicast_group
from benchtest.drive.target import E131_PORT


@dataclass(frozen=True, slots=True)
class NetworkInterface:
    """One network interface."""

    name: str
    addresses: tuple[str, ...]
    """IPv4 addresses first, then IPv6."""
    is_up: bool
    supports_multicast: bool
    is_loopback: bool


@dataclass(frozen=True, slots=True)
class MulticastRoute:
    """The way multicast would leave this machine."""

    address: str | None
    """Source address of the packets; None without a route."""
    network: str | None
    trouble: str | None
    """Reason that multicast reaches no receiver, and the remedy; None if it goes out."""


def network_interfaces() -> list[NetworkInterface]:
    """Return every network interface, loopback last."""
    states, addresses = psutil.net_if_stats(), psutil.net_if_addrs()
    found = []
    for name, state in states.items():
        own = addresses.get(name, [])
        texts = [
            row.address.partition("%")[0]
            for family in (socket.AF_INET, socket.AF_INET6)
            for row in own
            if row.family == family
        ]
        # without flags from the system, multicast is assumed to work
        flags = set(state.flags.split(",")) if state.flags else {"multicast"}
        loopback = "loopback" in flags or any(text.startswith("127.") for text in texts)
        found.append(
            NetworkInterface(name, tuple(texts), state.isup, "multicast" in flags, loopback)
        )
    return sorted(found, key=lambda network: (network.is_loopback, network.name))


def broadcast_routes() -> list[tuple[str, str]]:
    """Return an own IPv4 address and the broadcast address of each network that has both."""
    states, found = psutil.net_if_stats(), dict[str, str]()
    for name, rows in psutil.net_if_addrs().items():
        for row in rows:
            # the system gives an address without a broadcast address itself in its place
            is_usable = row.family == socket.AF_INET and row.broadcast not in (None, row.address)
            if is_usable and name in states and states[name].isup:
                found.setdefault(str(row.broadcast), row.address)
    return [(own, broadcast) for broadcast, own in found.items()]


def multicast_route(known: Sequence[NetworkInterface]) -> MulticastRoute:
    """Return the interface that multicast would leave by, according to the system's routes.

    Args:
        known: the network interfaces of this machine.
    """
    with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as probe:
        try:
            # asks the system for a route and sends nothing; all groups have the same route
            probe.connect((multicast_group(1), E131_PORT))
        except OSError as error:
            return MulticastRoute(None, None, f"no route for it ({error.strerror}); {_ADVICE}")
        address = str(probe.getsockname()[0])
    if address == "0.0.0.0":
        return MulticastRoute(
            None, None, f"its route leads to a network without an address; {_ADVICE}"
        )
    network = next((network for network in known if address in network.addresses), None)
    return MulticastRoute(address, network.name if network else None, _trouble(network))


_ADVICE = "connect the controllers' network, or drive one controller by address: e131:HOST"


def _trouble(network: NetworkInterface | None) -> str | None:
    if network is None:
        return None
    if network.is_loopback:
        return f"it stays on this machine; {_ADVICE}"
    if not network.is_up:
        return f"network {network.name} is down; {_ADVICE}"
    if not network.supports_multicast:
        return f"network {network.name} does not support multicast; drive by address: e131:HOST"
    return None
