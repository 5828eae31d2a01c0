"""Targets that receive octets as they come: E1.31 from a network, bridge and meter on a line."""

from __future__ import annotations

import atexit
from binascii import crc_hqx
from functools import cache
from uuid import UUID

from cobs import cobs

from benchtest.drive.artnet.packets import MAX_PORT_ADDRESS, decode_poll_reply
from benchtest.drive.bridge.messages import Board as BoardTold
from benchtest.drive.bridge.messages import FrameError, FrameReader, Message, Sample
from benchtest.drive.e131.other_sources import OtherSources
from benchtest.drive.scpi.protocol import (
    Identity,
    InvalidAnswer,
    LineSplitter,
    parse_error,
    parse_volts,
)
from benchtest.virtual.e131_receiver import E131Receiver
from tests.fuzz import board
from tests.fuzz.attempt import Defect, check_words
from tests.fuzz.good import PARTED
from tests.fuzz.scratch import scratch


def take_packets(octets: bytes) -> bool:
    """Give packets to the virtual prop and the listener."""
    controller = E131Receiver.for_universes([1, 2, 300])
    others = OtherSources([1, 2, 300], UUID(int=1), 100)
    taken = False
    for number, packet in enumerate(octets.split(PARTED)):
        now_s = number * 0.7
        taken |= controller.receive(packet, now_s)
        others.receive(packet, ("127.0.0.1", 5000 + number % 7), {5000}, now_s)
        controller.expire_sources(now_s)
        for slots in controller.slots().values():
            if len(slots) > 512:
                raise Defect("more than 512 slots")
        for name, _ in controller.sources():
            if not name.isprintable():
                raise Defect(f"a source named {name!r}")
        for other in others.present(now_s):
            check_words(str(other))
    return taken


def take_artnet(octets: bytes) -> bool:
    """Decode an answer of an Art-Net controller."""
    reply = decode_poll_reply(octets)
    if reply is None:
        return False
    check_words(f"{reply.address} {reply.short_name} {reply.long_name}")
    if any(not 0 <= number <= MAX_PORT_ADDRESS for number in reply.outputs):
        raise Defect("an output without a Port-Address")
    return True


def take_serial(octets: bytes) -> bool:
    """Give a board's octets to our decoder; the package cobs, used independently, must agree."""
    bodies = FrameReader().feed(octets)
    if bodies != _by_another(octets):
        raise Defect("another decoder finds other messages")
    for body in bodies:
        try:
            message = Message.read(body)
        except FrameError:
            continue
        for read in (BoardTold.read, Sample.read):
            try:
                told = read(message.payload)
            except FrameError:
                continue
            if isinstance(told, Sample) and not 0.0 <= told.counts <= 2**32:
                raise Defect("counts that are none")
    return bool(bodies)


def _by_another(octets: bytes) -> list[bytes]:
    found = []
    for piece in octets.split(b"\0")[:-1]:
        if not piece or len(piece) > 512:
            continue
        try:
            data = cobs.decode(piece)
        except cobs.DecodeError:
            continue
        if len(data) >= 2 and crc_hqx(data, 0xFFFF) == 0:
            found.append(data[:-2])
    return found


def take_meter(octets: bytes) -> bool:
    """Give a meter's octets to our decoder: lines, and of each volts, an error, an identity or a
    reason."""
    lines = LineSplitter()
    taken = False
    for line in lines.feed(octets[:9]) + lines.feed(octets[9:]) + lines.feed(b"\n"):
        for read in (parse_volts, parse_error, Identity.read):
            try:
                told = read(line)
            except InvalidAnswer as why:
                check_words(str(why))
                continue
            taken = True
            if isinstance(told, float) and not abs(told) < 9.9e37:
                raise Defect(f"{told} V")
            if isinstance(told, Identity):
                check_words(f"a meter called {told}")
    return taken


@cache
def _board() -> board.Board:
    program = scratch() / "board"
    board.build(program)
    made = board.Board(program)
    atexit.register(made.close)
    return made


def take_firmware(octets: bytes) -> bool:
    """Give our octets to the board's decoder: same messages, correct answers."""
    octets = octets[:60_000]
    messages, answers = _board().hear(octets)
    ours = [body for body in FrameReader().feed(octets) if 2 <= len(body) <= 200]
    if messages != ours:
        raise Defect(f"the board finds {len(messages)} messages and we {len(ours)}")
    reader = FrameReader()
    answered = reader.feed(answers)
    if reader.rejected or len(answered) != len(messages):
        raise Defect(f"{len(answered)} answers to {len(messages)} messages")
    return bool(messages)
