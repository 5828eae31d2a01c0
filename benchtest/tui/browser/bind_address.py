"""Address to listen at: one of this machine, never one that is reachable from the internet."""

from __future__ import annotations

from collections.abc import Sequence
from ipaddress import AddressValueError, IPv4Address

from benchtest.drive.interfaces import NetworkInterface
from benchtest.errors import InputError

LOOPBACK = "127.0.0.1"


def address_for(host: str | None, lan: bool, known: Sequence[NetworkInterface]) -> IPv4Address:
    """Return the address to listen at: loopback by default.

    Args:
        host: requested address, None for the default.
        lan: True requests this machine's address on its local network.
        known: networks of this machine.

    Raises:
        InputError: the address is not suitable; the message contains those that are.
    """
    if host is None:
        return _on_local_network(known) if lan else IPv4Address(LOOPBACK)
    try:
        address = IPv4Address(LOOPBACK if host == "localhost" else host)
    except AddressValueError:
        raise InputError(f'--host "{host}": give an IPv4 address; {_instead(known)}') from None
    if address.is_unspecified:
        raise InputError(f"--host {host}: means every network at once; {_instead(known)}")
    if address.is_multicast or address == IPv4Address("255.255.255.255"):
        raise InputError(f"--host {host}: not the address of a machine; {_instead(known)}")
    if address.is_global:
        raise InputError(
            f"--host {host}: reachable from the internet, which is not safe; {_instead(known)}"
        )
    return address


def _on_local_network(known: Sequence[NetworkInterface]) -> IPv4Address:
    found = _local(known)
    if not found:
        raise InputError("--lan: this machine has no local network; connect it, or omit --lan")
    if len(found) > 1:
        raise InputError(f"--lan: this machine is on several networks; {_instead(known)}")
    return found[0][1]


def _local(known: Sequence[NetworkInterface]) -> list[tuple[str, IPv4Address]]:
    """Return the networks other than loopback, with this machine's addresses there."""
    return [
        (network.name, IPv4Address(text))
        for network in known
        if network.is_up and not network.is_loopback
        for text in network.addresses
        if ":" not in text and not IPv4Address(text).is_global
    ]


def _instead(known: Sequence[NetworkInterface]) -> str:
    found = _local(known)
    own = ", ".join(f"--host {address} ({name})" for name, address in found)
    return f"give {own}" if own else f"omit it for {LOOPBACK}, on this machine only"
