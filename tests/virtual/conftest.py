"""Packets as another program builds them: the sacn library, which shares no code with ours."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import pytest
from sacn.messages.data_packet import DataPacket
from sacn.messages.sync_packet import SyncPacket

# the worked example of a valid version 4 UUID
CID = bytes.fromhex("00112233445546778899aabbccddeeff")

Packet = Callable[..., bytes]


def _data(slots: bytes = b"", cid: bytes = CID, **fields: Any) -> bytes:
    given = {"cid": tuple(cid), "sourceName": "benchtest", "universe": 1, **fields}
    packet = DataPacket(dmxData=tuple(slots), **given)
    return bytes(packet.getBytes())


def _sync(address: int, sequence: int, cid: bytes = CID) -> bytes:
    return bytes(SyncPacket(tuple(cid), address, sequence).getBytes())


@pytest.fixture(scope="session")
def data_packet() -> Packet:
    """Makes an E1.31 data packet; fields by their sacn names."""
    return _data


@pytest.fixture(scope="session")
def sync_packet() -> Packet:
    """Makes an E1.31 synchronization packet."""
    return _sync
