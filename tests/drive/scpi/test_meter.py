"""A bench meter over SCPI, on a real pty: well-behaved, slow, faulty, silent, unplugged."""

from __future__ import annotations

import contextlib
from collections.abc import Iterator
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from benchtest.drive.scpi import protocol as scpi
from benchtest.drive.scpi.meter import MeterTimeouts, ScpiMeter
from benchtest.drive.scpi.protocol import (
    Identity,
    InvalidAnswer,
    LineSplitter,
    parse_error,
    parse_volts,
)
from benchtest.drive.source_spec import parse_pins, parse_source
from benchtest.errors import DriveFault, InputError
from tests.drive.scpi.simulated_meter import OVERLOAD, SimulatedMeter
from tests.waiting import until


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


# -- its answers -----------------------------------------------------------------------------------


def test_numbers_parse_in_each_form_of_ieee_488_2() -> None:
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
        ("+9.91000000E+37", "no reading now"),  # 7.2.1.5: not a number
        ("1E400"[:4] + "999", "is not a reading"),
        ("4.871,4.872", "is not a reading"),
        ('0,"No error"', "is not a reading"),
        ("nan", "is not a reading"),
        ("\x1b[2J", r'"\?\[2J" is not a reading'),
    ],
)
def test_other_answers_are_not_readings(line: str, words: str) -> None:
    with pytest.raises(InvalidAnswer, match=words):
        parse_volts(line)


def test_errors_differ_from_no_error() -> None:
    """-113 is an undefined header, 0 is no error. SCPI-1999, volume 2, 21.8, from memory."""
    assert parse_error('0,"No error"') is None
    assert parse_error("+0") is None
    assert str(parse_error('-113,"Undefined header"')) == "-113 Undefined header"
    with pytest.raises(InvalidAnswer):
        parse_error("+4.871E+00")


def test_an_identity_has_four_fields() -> None:
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
def test_it_reads_and_identifies_itself(
    simulated: SimulatedMeter, meter: ScpiMeter, ending: bytes
) -> None:
    simulated.ending = ending
    assert meter.measure() == 4.871
    assert meter.name == f"BM-6 on {simulated.port}"
    simulated.volts = lambda: -0.0312
    assert meter.measure() == -0.0312
    assert simulated.heard[:2] == ["*IDN?", "*CLS"]  # errors from before are not ours


def test_an_overload_is_reported_and_the_next_reading_comes(
    simulated: SimulatedMeter, meter: ScpiMeter
) -> None:
    simulated.volts = lambda: OVERLOAD
    with pytest.raises(DriveFault, match=r"BM-6 .*overload: over its range; check its leads"):
        meter.measure()
    simulated.volts = lambda: 4.9
    assert meter.measure() == 4.9


def test_an_error_in_its_queue_rejects_the_reading(
    simulated: SimulatedMeter, meter: ScpiMeter
) -> None:
    meter.measure()

    def questionable() -> float:
        simulated.errors.extend(['-230,"Data corrupt or stale"', '-222,"Data out of range"'])
        return 1.0

    simulated.volts = questionable
    with pytest.raises(DriveFault, match="error -230 Data corrupt or stale; read again"):
        meter.measure()
    assert not simulated.errors  # both were removed
    simulated.volts = lambda: 2.0
    assert meter.measure() == 2.0


def test_a_meter_that_needs_remote_mode_gets_it(
    simulated: SimulatedMeter, meter: ScpiMeter
) -> None:
    meter.measure()
    assert scpi.REMOTE not in simulated.heard  # other meters do not know it, and beep
    meter.timeouts = MeterTimeouts(reading_s=0.3)
    simulated.local = True
    assert meter.measure() == 4.871


def test_garbage_is_rejected_and_the_line_recovers(
    simulated: SimulatedMeter, meter: ScpiMeter
) -> None:
    simulated.garbage.extend([b"+4.8\xff1E+00", b"+4.87\n+4.88\n+4.89"])
    with pytest.raises(DriveFault, match=r'"\+4.8.1E\+00" is not a reading'):
        meter.measure()
    with pytest.raises(DriveFault, match="more answers than requests"):
        meter.measure()  # three lines for one request: which of them answers it is unknown
    assert meter.measure() == 4.871


def test_a_slow_answer_is_waited_for_and_a_late_one_is_discarded(
    simulated: SimulatedMeter, meter: ScpiMeter
) -> None:
    meter.measure()
    simulated.slow_s = 0.5
    assert meter.measure() == 4.871
    meter.timeouts = MeterTimeouts(reading_s=0.2)
    simulated.volts = lambda: 1.111
    with pytest.raises(DriveFault, match="no reading"):
        meter.measure()
    simulated.volts, simulated.slow_s = (lambda: 2.222), 0.0
    assert meter.measure() == 2.222


def test_a_meter_without_a_queue_is_asked_for_it_once(
    simulated: SimulatedMeter, meter: ScpiMeter
) -> None:
    meter.timeouts = MeterTimeouts(error_s=0.2)
    simulated.no_queue = True
    assert meter.measure() == meter.measure() == 4.871
    assert simulated.heard.count(scpi.NEXT_ERROR) == 1


def test_unplugging_is_reported_once_and_plugging_in_resumes(
    simulated: SimulatedMeter, meter: ScpiMeter
) -> None:
    assert meter.poll() == f"BM-6 on {simulated.port} is ready"
    assert meter.poll() is None
    simulated.unplug()
    assert meter.poll() == f"BM-6 on {simulated.port}: unplugged; plug it in to continue"
    assert meter.poll() is None
    with pytest.raises(DriveFault, match=r"no such port|cannot be opened"):
        meter.measure()
    simulated.plug()
    until(lambda: meter.poll() == f"BM-6 on {simulated.port} is back", 10.0)
    assert meter.measure() == 4.871


def test_unplugging_during_a_reading_is_reported_by_the_reading_alone(
    simulated: SimulatedMeter, meter: ScpiMeter
) -> None:
    meter.measure()
    simulated.unplug()
    with pytest.raises(DriveFault, match="unplugged; plug it in"):
        meter.measure()
    assert meter.poll() is None
    simulated.plug()
    assert meter.measure() == 4.871  # the next reading opens the port again


def test_a_port_without_a_meter_is_reported(simulated: SimulatedMeter, meter: ScpiMeter) -> None:
    meter.timeouts = MeterTimeouts(identity_s=0.2)
    simulated.deaf = True
    with pytest.raises(DriveFault, match="no meter answers; is it on and set to SCPI at 9600"):
        meter.measure()
    simulated.deaf = False
    assert meter.measure() == 4.871


def test_closing_does_not_wait_for_a_slow_meter(
    simulated: SimulatedMeter, meter: ScpiMeter
) -> None:
    meter.timeouts = MeterTimeouts(reading_s=60.0)
    meter.measure()
    simulated.heard.clear()
    simulated.slow_s = 60.0
    with ThreadPoolExecutor() as pool:
        reading = pool.submit(meter.measure)
        until(lambda: scpi.VOLTS in simulated.heard, 10.0)
        pool.submit(meter.close).result(10.0)
        with pytest.raises(DriveFault, match="no reading"):
            reading.result(10.0)
    meter.close()
    with pytest.raises(DriveFault, match="closed"):
        meter.measure()


# -- names of sources ------------------------------------------------------------------------------


def test_a_source_is_written_like_a_target() -> None:
    assert parse_source("scpi:/dev/ttyUSB0").line is None
    assert str(parse_source("scpi:COM3@115200")) == "scpi:COM3@115200"
    assert str(parse_source("scpi:COM3@7e1,dtr,9600")) == "scpi:COM3@9600,7E1,dtr"
    assert str(parse_source("scpi:bench-meter.example:5025")) == "scpi:bench-meter.example:5025"
    assert str(parse_source("handheld:COM4")) == "handheld:COM4"
    by_path = "serial:/dev/serial/by-path/pci-0000:00:14.0-usb-0:2:1.0"
    assert str(parse_source(by_path)) == by_path


@pytest.mark.parametrize(
    ("text", "words"),
    [
        ("scip:/dev/ttyUSB0", 'did you mean "scpi"'),
        ("scpi:", "no port given"),
        ("serial", "no port given"),
        ("scpi:COM3@1200", "1200 baud; give 300 to 4000000, but 1200"),
        ("scpi:COM3@9600,9N1", '"9N1" is no setting of a line'),
        ("scpi:192.0.2.9:5025@9600", "a meter on the network has no baud rate"),
        ("", "write scpi:DEVICE"),
    ],
)
def test_an_invalid_source_is_rejected(text: str, words: str) -> None:
    with pytest.raises(InputError, match=words):
        parse_source(text)


@pytest.mark.parametrize("texts", [["foot:4"], ["0="], ["0=foot:4", "0=foot:5"], ["x=4A"]])
def test_pins_are_named_once_each(texts: list[str]) -> None:
    with pytest.raises(InputError, match="--pin"):
        parse_pins(texts)
