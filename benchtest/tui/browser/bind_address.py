"""Where the bench is shown: an address of this machine, never one that the internet reaches."""

from __future__ import annotations

from collections.abc import Sequence
from ipaddress import AddressValueError, IPv4Address

from benchtest.drive.interfaces import NetworkInterface
from benchtest.errors import InputError

LOOPBACK = "127.0.0.1"


def address_for(host: str | None, lan: bool, known: Sequence[NetworkInterface]) -> IPv4Address:
    """The address to listen at: loopback, unless another is asked for.

    Args:
        host: the address asked for.
        lan: this machine's address on its local network is asked for.
        known: this machine's networks.

    Raises:
        InputError: it is no address that the bench should be shown at, and which would be.
    """
    if host is None:
        return _on_local_network(known) if lan else IPv4Address(LOOPBACK)
    try:
        address = IPv4Address(LOOPBACK if host == "localhost" else host)
    except AddressValueError:
        raise InputError(f'--host "{host}": give an IPv4 address; {_instead(known)}') from None
    if address.is_unspecified:
        raise InputError(f"--host {host}: that is every network at once; {_instead(known)}")
    if address.is_multicast or address == IPv4Address("255.255.255.255"):
        raise InputError(f"--host {host}: no machine has that address; {_instead(known)}")
    if address.is_global:
        raise InputError(
            f"--host {host}: the internet reaches that address, and the bench is not made for it; "
            f"{_instead(known)}"
        )
    return address


def _on_local_network(known: Sequence[NetworkInterface]) -> IPv4Address:
    found = _local(known)
    if not found:
        raise InputError("--lan: this machine is on no local network; connect it, or leave --lan")
    if len(found) > 1:
        raise InputError(f"--lan: this machine is on several networks; {_instead(known)}")
    return found[0][1]


def _local(known: Sequence[NetworkInterface]) -> list[tuple[str, IPv4Address]]:
    """Networks other than loopback, and this machine's addresses there."""
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
    return f"give {own}" if own else f"leave it out for {LOOPBACK}, on this machine alone"
