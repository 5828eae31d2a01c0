"""A bench meter over SCPI, on a real pty: well-behaved, slow, wrong, silent, unplugged."""

from __future__ import annotations

import contextlib
from collections.abc import Iterator
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from benchtest.drive.scpi import meter as scpi_meter
from benchtest.drive.scpi import protocol as scpi
from benchtest.drive.scpi.meter import ScpiMeter
from benchtest.drive.scpi.protocol import (
    Identity,
    InvalidAnswer,
    LineSplitter,
    parse_error,
    parse_volts,
)
from benchtest.drive.source_spec import parse_pins, parse_source
from benchtest.errors import DriveFault, InputError
from tests.drive.boards import until
from tests.drive.scpi.simulated_meter import OVERLOAD, SimulatedMeter


@pytest.fixture
def simulated(tmp_path: Path) -> Iterator[SimulatedMeter]:
    made = SimulatedMeter(tmp_path)
    yield made
    made.close()


@pytest.fixture
def meter(simulated: SimulatedMeter) -> Iterator[ScpiMeter]:
    made = ScpiMeter(str(simulated.port))
    yield made
    made.close()


# -- what it says ----------------------------------------------------------------------------------


def test_numbers_are_read_in_each_form_of_ieee_488_2() -> None:
    """NR1, NR2 and NR3: integers, with a point, with an exponent. IEEE 488.2, 8.7.2 to 8.7.4,
    from memory."""
    assert [parse_volts(text) for text in ("+5", "-0.0312", "+4.87100000E+00", "-31.2E-3")] == [
        5.0, -0.0312, 4.871, -0.0312,
    ]  # fmt: skip


@pytest.mark.parametrize(
    ("line", "words"),
    [
        ("+9.90000000E+37", "overload"),  # SCPI-1999, 7.2.1.4: infinity; meters' manuals too
        ("-9.9E37", "overload"),
        ("+9.91000000E+37", "no reading just now"),  # 7.2.1.5: not a number
        ("1E400"[:4] + "999", "is no reading"),
        ("4.871,4.872", "is no reading"),
        ('0,"No error"', "is no reading"),
        ("nan", "is no reading"),
        ("\x1b[2J", r'"\?\[2J" is no reading'),
    ],
)
def test_what_is_no_reading_is_none(line: str, words: str) -> None:
    with pytest.raises(InvalidAnswer, match=words):
        parse_volts(line)


def test_errors_are_told_from_no_error() -> None:
    """-113 is an undefined header, 0 is none. SCPI-1999, volume 2, 21.8, from memory."""
    assert parse_error('0,"No error"') is None
    assert parse_error("+0") is None
    assert str(parse_error('-113,"Undefined header"')) == "-113 Undefined header"
    with pytest.raises(InvalidAnswer):
        parse_error("+4.871E+00")


def test_an_identity_has_four_fields_and_no_error_is_none() -> None:
    assert Identity.read(SimulatedMeter.identity).model == "BM-6"
    assert str(Identity.read("RIVERBANK,BM-6")) == "BM-6"
    for line in ('0,"No error"', "+4.871E+00", ""):
        with pytest.raises(InvalidAnswer):
            Identity.read(line)


@given(st.lists(st.binary(max_size=400), max_size=8))
def test_any_octets_are_read_or_refused_in_bounded_memory(pieces: list[bytes]) -> None:
    lines = LineSplitter()
    for piece in pieces:
        for line in lines.feed(piece):
            assert len(line) <= scpi.MAX_LINE_OCTETS
            for read in (parse_volts, parse_error, Identity.read):
                with contextlib.suppress(InvalidAnswer):
                    read(line)
        assert scpi.printable_answer(
            piece.decode("latin-1")
        ).isprintable()  # nothing steers a terminal


def test_lines_do_not_depend_on_how_they_arrive() -> None:
    octets = b'+4.871E+00\r\n0,"No error"\n\r\n-1.0\r'
    whole = LineSplitter().feed(octets)
    lines = LineSplitter()
    assert [line for octet in octets for line in lines.feed(bytes([octet]))] == whole
    assert whole == ["+4.871E+00", '0,"No error"', "-1.0"]


# -- the meter on its port -------------------------------------------------------------------------


@pytest.mark.parametrize("ending", [b"\n", b"\r\n", b"\r"])
def test_it_reads_and_says_who_it_is(
    simulated: SimulatedMeter, meter: ScpiMeter, ending: bytes
) -> None:
    simulated.ending = ending
    assert meter.measure() == 4.871
    assert meter.name == f"BM-6 on {simulated.port}"
    simulated.volts = lambda: -0.0312
    assert meter.measure() == -0.0312
    assert simulated.heard[:2] == ["*IDN?", "*CLS"]  # what its queue held before is not ours


def test_an_overload_is_said_and_the_next_reading_comes(
    simulated: SimulatedMeter, meter: ScpiMeter
) -> None:
    simulated.volts = lambda: OVERLOAD
    with pytest.raises(
        DriveFault, match=r"BM-6 .*overload: more than its range; look at its leads"
    ):
        meter.measure()
    simulated.volts = lambda: 4.9
    assert meter.measure() == 4.9


def test_an_error_in_its_queue_keeps_the_reading_from_being_taken(
    simulated: SimulatedMeter, meter: ScpiMeter
) -> None:
    meter.measure()

    def questionable() -> float:
        simulated.errors.extend(['-230,"Data corrupt or stale"', '-222,"Data out of range"'])
        return 1.0

    simulated.volts = questionable
    with pytest.raises(DriveFault, match="it says -230 Data corrupt or stale; read again"):
        meter.measure()
    assert not simulated.errors  # both were taken out
    simulated.volts = lambda: 2.0
    assert meter.measure() == 2.0


def test_one_that_wants_to_be_told_that_it_is_remote_is_told(
    simulated: SimulatedMeter, meter: ScpiMeter, monkeypatch: pytest.MonkeyPatch
) -> None:
    meter.measure()
    assert scpi.REMOTE not in simulated.heard  # others do not know it, and beep
    monkeypatch.setattr(scpi_meter, "READING_S", 0.3)
    simulated.local = True
    assert meter.measure() == 4.871


def test_garbage_is_no_reading_and_the_line_gets_in_step_again(
    simulated: SimulatedMeter, meter: ScpiMeter
) -> None:
    simulated.garbage.extend([b"+4.8\xff1E+00", b"+4.87\n+4.88\n+4.89"])
    with pytest.raises(DriveFault, match=r'"\+4.8.1E\+00" is no reading'):
        meter.measure()
    with pytest.raises(DriveFault, match="more than it was asked"):
        meter.measure()  # three lines for one question: whose they are is not known
    assert meter.measure() == 4.871


def test_a_slow_answer_is_waited_for_and_a_late_one_is_not_taken_for_the_next(
    simulated: SimulatedMeter, meter: ScpiMeter, monkeypatch: pytest.MonkeyPatch
) -> None:
    meter.measure()
    simulated.slow_s = 0.5
    assert meter.measure() == 4.871
    monkeypatch.setattr(scpi_meter, "READING_S", 0.2)
    simulated.volts = lambda: 1.111
    with pytest.raises(DriveFault, match="gives no reading"):
        meter.measure()
    simulated.volts, simulated.slow_s = (lambda: 2.222), 0.0
    assert meter.measure() == 2.222


def test_one_without_a_queue_is_not_asked_for_it_again(
    simulated: SimulatedMeter, meter: ScpiMeter, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(scpi_meter, "ERROR_S", 0.2)
    simulated.no_queue = True
    assert meter.measure() == meter.measure() == 4.871
    assert simulated.heard.count(scpi.NEXT_ERROR) == 1


def test_unplugged_is_said_once_and_plugged_in_again_it_goes_on(
    simulated: SimulatedMeter, meter: ScpiMeter
) -> None:
    assert meter.look() == f"BM-6 on {simulated.port} is ready"
    assert meter.look() is None
    simulated.unplug()
    assert meter.look() == f"BM-6 on {simulated.port}: is unplugged; plug it in and it goes on"
    assert meter.look() is None
    with pytest.raises(DriveFault, match=r"there is no such port|cannot be opened"):
        meter.measure()
    simulated.plug()
    until(lambda: meter.look() == f"BM-6 on {simulated.port} is there again", 10.0)
    assert meter.measure() == 4.871


def test_unplugged_while_it_is_read_is_said_by_the_reading_alone(
    simulated: SimulatedMeter, meter: ScpiMeter
) -> None:
    meter.measure()
    simulated.unplug()
    with pytest.raises(DriveFault, match="is unplugged; plug it in"):
        meter.measure()
    assert meter.look() is None
    simulated.plug()
    assert meter.measure() == 4.871  # the key takes it up again by itself


def test_a_port_without_a_meter_is_said_to_have_none(
    simulated: SimulatedMeter, meter: ScpiMeter, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(scpi_meter, "IDENTITY_S", 0.2)
    simulated.deaf = True
    with pytest.raises(DriveFault, match="no meter answers; is it on and set to SCPI at 9600"):
        meter.measure()
    simulated.deaf = False
    assert meter.measure() == 4.871


def test_closing_does_not_wait_for_a_slow_meter(
    simulated: SimulatedMeter, meter: ScpiMeter, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(scpi_meter, "READING_S", 60.0)
    meter.measure()
    simulated.heard.clear()
    simulated.slow_s = 60.0
    with ThreadPoolExecutor() as pool:
        reading = pool.submit(meter.measure)
        until(lambda: scpi.VOLTS in simulated.heard, 10.0)
        pool.submit(meter.close).result(10.0)
        with pytest.raises(DriveFault, match="gives no reading"):
            reading.result(10.0)
    meter.close()
    with pytest.raises(DriveFault, match="closed"):
        meter.measure()


# -- how it is named -------------------------------------------------------------------------------


def test_a_source_is_named_like_a_target() -> None:
    assert parse_source("scpi:/dev/ttyUSB0").baud is None
    assert str(parse_source("scpi:COM3@115200")) == "scpi:COM3@115200"
    by_path = "serial:/dev/serial/by-path/pci-0000:00:14.0-usb-0:2:1.0"
    assert str(parse_source(by_path)) == by_path


@pytest.mark.parametrize(
    ("text", "words"),
    [
        ("scip:/dev/ttyUSB0", 'did you mean "scpi"'),
        ("scpi:", "which port"),
        ("serial", "which port"),
        ("scpi:COM3@1200", "1200 baud; give 300 to 4000000, but 1200"),
        ("", "write scpi:DEVICE"),
    ],
)
def test_what_names_no_source_is_refused(text: str, words: str) -> None:
    with pytest.raises(InputError, match=words):
        parse_source(text)


@pytest.mark.parametrize("texts", [["foot:4"], ["0="], ["0=foot:4", "0=foot:5"], ["x=4A"]])
def test_pins_are_named_once_each(texts: list[str]) -> None:
    with pytest.raises(InputError, match="--pin"):
        parse_pins(texts)
