"""Other sources, from packets built by the sacn library."""

from __future__ import annotations

from collections.abc import Callable
from uuid import UUID

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from sacn.messages.universe_discovery import UniverseDiscoveryPacket

from benchtest.drive.e131.other_sources import OtherSource, OtherSources, describe_universes

Packet = Callable[..., bytes]

OWN = UUID("00112233-4455-4677-8899-aabbccddeeff")
PIER, BOAT = bytes(range(16)), bytes(range(16, 32))
OWN_PORT = 40_000


def _others(priority: int = 100) -> OtherSources:
    return OtherSources([1, 2, 3], OWN, priority)


def _hear(others: OtherSources, octets: bytes, at_s: float = 0.0, port: int = 5568) -> None:
    others.receive(octets, ("192.0.2.9", port), {OWN_PORT}, at_s)


# ANSI E1.31-2018, 6.2.3: the highest priority wins; equal ones are left to the receiver.
@pytest.mark.parametrize(
    ("priority", "effect"),
    [
        (150, "controls universe 3: the prop shows its frames, not the test's"),
        (101, "controls universe 3"),
        (100, "a controller may show either, or mix them"),
        (99, "controllers that follow priorities ignore it"),
        (0, "controllers that follow priorities ignore it"),
    ],
)
def test_another_source_is_reported_with_its_effect_on_the_test(
    data_packet: Packet, priority: int, effect: str
) -> None:
    others = _others()
    _hear(
        others,
        data_packet(b"\x07", cid=PIER, sourceName="Pier lights", universe=3, priority=priority),
    )
    (other,) = others.present(0.1)
    assert (other.name, other.address, other.priority) == ("Pier lights", "192.0.2.9", priority)
    assert other.universes == (3,)
    assert effect in other.effect
    assert str(other).startswith(f"Pier lights (192.0.2.9) sends universe 3 at priority {priority}")


def test_a_test_of_higher_priority_controls_the_prop(data_packet: Packet) -> None:
    others = _others(priority=150)
    _hear(others, data_packet(cid=PIER, priority=149))
    assert "ignore it" in others.present(0.0)[0].effect


def test_a_source_on_many_universes_is_reported_once_and_the_highest_priority_first(
    data_packet: Packet,
) -> None:
    others = _others()
    for universe in (1, 2, 3):
        _hear(others, data_packet(cid=BOAT, sourceName="Boat", universe=universe, priority=50))
    _hear(others, data_packet(cid=PIER, sourceName="Pier", universe=2, priority=200))
    told = [(other.name, other.universes) for other in others.present(0.0)]
    assert told == [("Pier", (2,)), ("Boat", (1, 2, 3))]


def test_packets_without_light_for_the_prop_are_skipped(
    data_packet: Packet, sync_packet: Packet
) -> None:
    others = _others()
    _hear(others, data_packet(cid=PIER, universe=4))
    _hear(others, sync_packet(1, 0, cid=PIER))
    _hear(others, data_packet(cid=PIER, dmxStartCode=0xDD))  # an alternate start code: no levels
    assert others.present(0.0) == ()


def test_a_preview_is_reported_as_one(data_packet: Packet) -> None:
    # ANSI E1.31-2018, 6.2.6: preview data are not for a live output, at any priority
    others = _others()
    _hear(others, data_packet(cid=PIER, priority=200, previewData=True))
    assert "preview" in others.present(0.0)[0].effect


def test_silence_or_the_end_of_its_stream_removes_a_source(data_packet: Packet) -> None:
    # 6.7.1: 2.5 s; 6.2.6: a terminated stream is lost at once
    others = _others()
    _hear(others, data_packet(cid=PIER, universe=1), at_s=10.0)
    _hear(others, data_packet(cid=PIER, universe=2), at_s=11.0)
    assert others.present(12.5)[0].universes == (1, 2)
    assert others.present(12.6)[0].universes == (2,)
    _hear(others, data_packet(cid=PIER, universe=2, streamTerminated=True), at_s=12.7)
    assert others.present(12.7) == ()


def test_own_packets_are_skipped_but_a_second_window_is_reported(data_packet: Packet) -> None:
    others = _others()
    _hear(others, data_packet(cid=OWN.bytes), port=OWN_PORT)
    assert others.present(0.0) == ()
    _hear(others, data_packet(cid=OWN.bytes), port=OWN_PORT + 1)
    assert "another window" in others.present(0.0)[0].effect


def _list(*universes: int, page: int = 0, last: int = 0, name: str = "Pier desk") -> bytes:
    return bytes(UniverseDiscoveryPacket(tuple(PIER), name, universes, page, last).getBytes())


def test_a_source_that_sends_by_address_is_known_by_its_list(data_packet: Packet) -> None:
    """ANSI E1.31-2018, clause 4.3: the list is multicast, also if the data are not."""
    others = _others()
    _hear(others, _list(2, 3, 9), at_s=10.0)
    (other,) = others.present(11.0)
    assert (other.label, other.priority, other.lead) == ("Pier desk (192.0.2.9)", None, None)
    assert str(other).startswith("Pier desk (192.0.2.9) lists universes 2-3: it may send")
    _hear(others, data_packet(cid=PIER, sourceName="Pier desk", universe=3), at_s=11.0)
    (other,) = others.present(11.0)  # heard, so that its list adds nothing
    assert (other.priority, other.lead) == (100, 0)
    assert others.present(30.1) == ()  # two intervals of 10 s without a list


def test_a_list_without_the_props_universes_or_a_shorter_one_ends_it() -> None:
    others = _others()
    _hear(others, _list(7, 8))
    assert others.present(0.0) == ()
    _hear(others, _list(1, page=0, last=1))
    _hear(others, _list(2, page=1, last=1))
    assert others.present(0.0)[0].universes == (1, 2)
    _hear(others, _list(1), at_s=1.0)  # one page is left
    assert others.present(1.0)[0].universes == (1,)
    _hear(others, _list(), at_s=2.0)
    assert others.present(2.0) == ()


def test_the_lead_is_what_its_priority_has_over_the_tests(data_packet: Packet) -> None:
    others = _others(priority=120)
    _hear(others, data_packet(cid=PIER, priority=150))
    assert others.present(0.0)[0].lead == 30
    preview = _others()
    _hear(preview, data_packet(cid=PIER, priority=200, previewData=True))
    assert preview.present(0.0)[0].lead is None


def test_runs_of_universes_are_written_as_ranges() -> None:
    assert describe_universes([9]) == "universe 9"
    assert describe_universes([7, 1, 2, 3]) == "universes 1-3, 7"
    assert describe_universes([1, 3]) == "universes 1, 3"


def test_a_source_without_a_name_is_reported() -> None:
    assert str(OtherSource("", "192.0.2.9", 1, (1,), "x")).startswith(
        "a source without a name (192."
    )


@settings(max_examples=200)
@given(st.binary(max_size=700))
def test_noise_is_not_a_source(octets: bytes) -> None:
    others = _others()
    _hear(others, octets)
    assert others.present(0.0) == ()
