"""The receiver follows the rules of ANSI E1.31-2018; each check names its clause."""

from __future__ import annotations

from collections.abc import Callable

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from benchtest.virtual.e131_receiver import E131Receiver

Packet = Callable[..., bytes]

OTHER = bytes(range(16))


def shown(controller: E131Receiver) -> dict[int, bytes]:
    """First slot of each universe; the library that builds the packets fills up to 512."""
    return {universe: slots[:1] for universe, slots in controller.slots().items()}


@pytest.fixture
def controller() -> E131Receiver:
    return E131Receiver.for_universes([1, 2])


# 6.7.2: discard if -20 < new - last <= 0, as a signed octet. The pairs are worked by hand.
@pytest.mark.parametrize(
    ("last", "new", "taken"),
    [
        (7, 8, True),
        (7, 7, False),
        (7, 6, False),
        (7, 244, False),  # -19
        (7, 243, True),  # -20
        (255, 0, True),
        (0, 255, False),
        (0, 128, True),  # -128
        (0, 127, True),
    ],
)
def test_late_packets_are_discarded_and_skipped_numbers_accepted(
    controller: E131Receiver, data_packet: Packet, last: int, new: int, taken: bool
) -> None:
    controller.receive(data_packet(b"\x01", sequence=last), 0.0)
    assert controller.receive(data_packet(b"\x02", sequence=new), 0.1) is taken
    assert shown(controller) == {1: b"\x02" if taken else b"\x01"}
    assert controller.packet_counts["out of order"] == (0 if taken else 1)


def test_exactly_twenty_of_all_sequence_numbers_are_discarded(data_packet: Packet) -> None:
    # 6.7.2: -19 to 0
    taken = 0
    for new in range(256):
        controller = E131Receiver.for_universes([1])
        controller.receive(data_packet(b"\x01", sequence=77), 0.0)
        taken += controller.receive(data_packet(b"\x02", sequence=new), 0.1)
    assert taken == 256 - 20


def test_each_universe_and_each_source_counts_by_itself(
    controller: E131Receiver, data_packet: Packet
) -> None:
    # 6.2.5 and 6.7.2
    assert controller.receive(data_packet(b"\x01", sequence=200), 0.0)
    assert controller.receive(data_packet(b"\x02", universe=2, sequence=195), 0.0)
    assert controller.receive(data_packet(b"\x03", cid=OTHER, sequence=190, priority=101), 0.0)
    assert shown(controller) == {1: b"\x03", 2: b"\x02"}


def test_the_universe_comes_from_the_packet(controller: E131Receiver, data_packet: Packet) -> None:
    # 9.1.1
    assert not controller.receive(data_packet(b"\x01", universe=3), 0.0)
    assert shown(controller) == {}
    assert controller.packet_counts["another universe"] == 1


def test_silence_of_two_and_a_half_seconds_is_data_loss(
    controller: E131Receiver, data_packet: Packet
) -> None:
    # Appendix A: E131_NETWORK_DATA_LOSS_TIMEOUT, 2.5 s
    controller.receive(data_packet(b"\x01"), 10.0)
    assert not controller.expire_sources(12.49)
    assert shown(controller) == {1: b"\x01"}
    assert controller.expire_sources(12.51)
    assert shown(controller) == {}
    assert controller.packet_counts["data lost"] == 1


def test_keep_alive_packets_keep_the_light(controller: E131Receiver, data_packet: Packet) -> None:
    # 6.6.2: unchanged data come once each 800 to 1000 ms
    for second in range(10):
        controller.receive(data_packet(b"\x01", sequence=second), float(second))
        assert not controller.expire_sources(second + 0.99)
    assert shown(controller) == {1: b"\x01"}


def test_a_late_packet_does_not_keep_a_source_alive(
    controller: E131Receiver, data_packet: Packet
) -> None:
    controller.receive(data_packet(b"\x01", sequence=9), 0.0)
    controller.receive(data_packet(b"\x01", sequence=8), 2.0)
    assert controller.expire_sources(2.6)


def test_a_sender_restarted_after_data_loss_is_accepted_at_once(
    controller: E131Receiver, data_packet: Packet
) -> None:
    controller.receive(data_packet(b"\x01", sequence=9), 0.0)
    controller.expire_sources(3.0)
    assert controller.receive(data_packet(b"\x02", sequence=2), 3.1)
    assert shown(controller) == {1: b"\x02"}


def test_the_end_of_a_stream_is_data_loss_at_once_and_its_slots_are_ignored(
    controller: E131Receiver, data_packet: Packet
) -> None:
    # 6.2.6
    controller.receive(data_packet(b"\x01", sequence=1), 0.0)
    changed = [
        controller.receive(data_packet(b"\xff", sequence=n, streamTerminated=True), 0.0)
        for n in (2, 3, 4)
    ]
    assert changed == [True, False, False]
    assert shown(controller) == {}


def test_the_end_of_one_source_keeps_the_other(
    controller: E131Receiver, data_packet: Packet
) -> None:
    controller.receive(data_packet(b"\x01", priority=150), 0.0)
    controller.receive(data_packet(b"\x02", cid=OTHER), 0.0)
    controller.receive(data_packet(b"\x00", sequence=1, streamTerminated=True), 0.1)
    assert shown(controller) == {1: b"\x02"}


def test_the_highest_priority_wins_in_any_order(
    controller: E131Receiver, data_packet: Packet
) -> None:
    # 6.2.3
    controller.receive(data_packet(b"\x01", priority=100), 0.0)
    controller.receive(data_packet(b"\x02", cid=OTHER, priority=200), 0.0)
    controller.receive(data_packet(b"\x03", priority=100, sequence=1), 0.1)
    assert shown(controller) == {1: b"\x02"}
    controller.receive(data_packet(b"\x03", priority=100, sequence=2), 2.0)
    controller.expire_sources(2.6)
    assert shown(controller) == {1: b"\x03"}


def test_the_first_of_equal_priorities_keeps_the_prop(
    controller: E131Receiver, data_packet: Packet
) -> None:
    # 6.2.3 leaves it to the receiver; this one documents: the first heard
    controller.receive(data_packet(b"\x01"), 0.0)
    controller.receive(data_packet(b"\x02", cid=OTHER), 0.0)
    controller.receive(data_packet(b"\x04", cid=OTHER, sequence=1), 0.0)
    assert shown(controller) == {1: b"\x01"}


def test_a_preview_is_never_shown_on_a_prop(controller: E131Receiver, data_packet: Packet) -> None:
    # 6.2.6
    controller.receive(data_packet(b"\x01"), 0.0)
    assert not controller.receive(data_packet(b"\x02", sequence=1, previewData=True), 0.1)
    preview = data_packet(b"\x03", cid=OTHER, priority=200, previewData=True)
    assert not controller.receive(preview, 0.1)
    assert shown(controller) == {1: b"\x01"}
    assert controller.packet_counts["preview"] == 2


@pytest.mark.parametrize("start_code", [0xDD, 0x17, 0xCC])
def test_only_start_code_zero_lights(
    controller: E131Receiver, data_packet: Packet, start_code: int
) -> None:
    # 7.7; a source that sends only other codes darkens nothing, at any priority
    controller.receive(data_packet(b"\x01"), 0.0)
    other = data_packet(b"\xff", cid=OTHER, priority=200, dmxStartCode=start_code)
    assert not controller.receive(other, 0.0)
    assert shown(controller) == {1: b"\x01"}


def test_data_act_at_once_until_a_synchronization_packet_has_come(
    controller: E131Receiver, data_packet: Packet, sync_packet: Packet
) -> None:
    # 6.2.4.1 and 11.1
    assert controller.receive(data_packet(b"\x01", sync_universe=7000), 0.0)
    controller.receive(sync_packet(7000, 0), 0.0)
    assert not controller.receive(data_packet(b"\x02", sync_universe=7000, sequence=1), 0.1)
    assert shown(controller) == {1: b"\x01"}
    assert controller.receive(sync_packet(7000, 1), 0.1)
    assert shown(controller) == {1: b"\x02"}


def test_one_synchronization_packet_acts_on_all_universes_together(
    controller: E131Receiver, data_packet: Packet, sync_packet: Packet
) -> None:
    controller.receive(sync_packet(7000, 0), 0.0)
    controller.receive(data_packet(b"\x01", sync_universe=7000), 0.1)
    controller.receive(data_packet(b"\x02", universe=2, sync_universe=7000), 0.1)
    assert shown(controller) == {}
    controller.receive(sync_packet(7000, 1), 0.1)
    assert shown(controller) == {1: b"\x01", 2: b"\x02"}


def test_another_address_does_not_act(
    controller: E131Receiver, data_packet: Packet, sync_packet: Packet
) -> None:
    controller.receive(sync_packet(7000, 0), 0.0)
    controller.receive(data_packet(b"\x01", sync_universe=7000), 0.1)
    assert not controller.receive(sync_packet(7001, 1), 0.1)
    assert shown(controller) == {}


def test_data_without_an_address_discard_held_data(
    controller: E131Receiver, data_packet: Packet, sync_packet: Packet
) -> None:
    # 6.2.4.1
    controller.receive(sync_packet(7000, 0), 0.0)
    controller.receive(data_packet(b"\x01", sync_universe=7000), 0.1)
    assert controller.receive(data_packet(b"\x02", sequence=1), 0.2)
    assert not controller.receive(sync_packet(7000, 1), 0.3)
    assert shown(controller) == {1: b"\x02"}


@pytest.mark.parametrize(("force", "light"), [(False, b"\x01"), (True, b"\x02")])
def test_the_sender_decides_what_lost_synchronization_does(
    controller: E131Receiver, data_packet: Packet, sync_packet: Packet, force: bool, light: bytes
) -> None:
    # 6.2.6, bit 5, and 11.1.2
    controller.receive(data_packet(b"\x01", sync_universe=7000), 0.0)
    controller.receive(sync_packet(7000, 0), 0.0)
    for number in range(1, 4):  # data continue, synchronization does not
        late = data_packet(b"\x02", sync_universe=7000, sequence=number, forceSync=force)
        controller.receive(late, number * 1.0)
        controller.expire_sources(number * 1.0)
    assert shown(controller) == {1: light}


def test_synchronization_has_a_sequence_for_each_sender(
    controller: E131Receiver, data_packet: Packet, sync_packet: Packet
) -> None:
    # 6.2.5: a series of its own, unrelated to the data packets
    controller.receive(sync_packet(7000, 9), 0.0)
    controller.receive(data_packet(b"\x01", sync_universe=7000, sequence=100), 0.1)
    assert not controller.receive(sync_packet(7000, 9), 0.1)
    assert controller.receive(sync_packet(7000, 5, cid=OTHER), 0.1)


def test_restarted_synchronization_is_accepted_at_once(
    controller: E131Receiver, data_packet: Packet, sync_packet: Packet
) -> None:
    controller.receive(sync_packet(7000, 9), 0.0)
    controller.expire_sources(3.0)
    controller.receive(data_packet(b"\x01", sync_universe=7000), 3.1)
    assert controller.receive(sync_packet(7000, 2), 3.1)


@settings(max_examples=200)
@given(packets=st.lists(st.binary(max_size=700), max_size=20))
def test_random_octets_change_nothing_and_are_counted(
    data_packet: Packet, packets: list[bytes]
) -> None:
    controller = E131Receiver.for_universes([1])
    controller.receive(data_packet(b"\x01"), 0.0)
    assert not any(controller.receive(octets, 0.1) for octets in packets)
    assert shown(controller) == {1: b"\x01"}
    assert controller.packet_counts.total() == 1 + len(packets)


def test_it_lists_its_sources(controller: E131Receiver, data_packet: Packet) -> None:
    controller.receive(data_packet(b"\x01", sourceName="bench", priority=120), 0.0)
    controller.receive(data_packet(b"\x01", universe=2, sourceName="bench", priority=120), 0.0)
    assert controller.sources() == [("bench", 120)]
