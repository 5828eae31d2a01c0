"""The bridge's driver on real ptys: boards that restart, disappear, return and answer wrongly."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from pathlib import Path
from types import SimpleNamespace
from uuid import uuid4

import numpy as np
import pytest

from benchtest.drive import serial_ports as ports
from benchtest.drive.bridge.driver import BridgeDriver
from benchtest.drive.bridge.serial_link import NoAnswer, SerialLink
from benchtest.drive.e131.driver import SourceSettings
from benchtest.drive.frame_clock import FrameClock
from benchtest.drive.serial_ports import SerialPort, current_device, describe_ports, serial_ports
from benchtest.drive.target import driver_for, parse_target
from benchtest.drive.universe_layout import Frame
from benchtest.errors import DriveFault, InputError
from benchtest.prop.design import Design
from benchtest.prop.node_kinds import catalogue
from tests.drive.boards import Built, PythonBoard, SimulatedBoard
from tests.waiting import act_until, until

RUNS, SHOW = 3, 4


@pytest.fixture
def design(make_fan: Callable[..., Design]) -> Design:
    return make_fan(2, 30)


@pytest.fixture
def board(tmp_path: Path) -> Iterator[PythonBoard]:
    made = PythonBoard(tmp_path)
    yield made
    made.close()


@pytest.fixture
def simulated(built: Built, tmp_path: Path) -> Iterator[SimulatedBoard]:
    made = SimulatedBoard(built, tmp_path)
    yield made
    made.close()


@pytest.fixture
def driver(board: PythonBoard, design: Design) -> Iterator[BridgeDriver]:
    made = BridgeDriver(design, str(board.port))
    made.open()
    yield made
    made.close()


def _frame(design: Design, level: int) -> Frame:
    return np.full((design.node_count, design.node.channels), level, dtype=np.uint8)


def _show(driver: BridgeDriver, level: int) -> None:
    before = driver.status().frames
    driver.show(_frame(driver.design, level))
    until(lambda: driver.status().frames > before)


def test_a_board_that_restarts_when_opened_is_waited_for(tmp_path: Path, design: Design) -> None:
    board = PythonBoard(tmp_path, deaf_s=0.7)  # boot loaders: 0.5 to 2 s, common practice
    driver = BridgeDriver(design, str(board.port))
    try:
        driver.open()
        _show(driver, 7)
        assert board.shown() == b"\x07" * 180
    finally:
        driver.close()
        board.close()


def test_a_port_without_a_bridge_is_reported(board: PythonBoard) -> None:
    board.dumb = True
    line = SerialLink(str(board.port))
    try:
        with pytest.raises(NoAnswer, match="is it the right port"):
            line.handshake(0.3)
    finally:
        line.close()


def test_another_version_is_reported_with_the_remedy(
    board: PythonBoard, design: Design, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(board.side, "VERSION", 2)
    with pytest.raises(DriveFault, match="protocol version 2, this program 1; install"):
        BridgeDriver(design, str(board.port)).open()


def test_a_prop_beyond_the_board_is_rejected(
    board: PythonBoard, make_fan: Callable[..., Design]
) -> None:
    with pytest.raises(DriveFault, match="at most 8000 nodes"):
        BridgeDriver(make_fan(81, 100), str(board.port)).open()


def test_a_missing_port_is_answered_with_the_existing_ones(tmp_path: Path, design: Design) -> None:
    with pytest.raises(DriveFault, match="no such port") as raised:
        BridgeDriver(design, str(tmp_path / "nowhere")).open()
    assert describe_ports() in str(raised.value)


def test_a_file_that_is_not_a_serial_port_is_reported(tmp_path: Path, design: Design) -> None:
    (tmp_path / "file").write_text("words")
    with pytest.raises(DriveFault, match="cannot be opened as a serial port"):
        BridgeDriver(design, str(tmp_path / "file")).open()


def test_a_port_in_use_by_another_program_is_reported(driver: BridgeDriver, design: Design) -> None:
    with pytest.raises(DriveFault, match="another program uses this port"):
        BridgeDriver(design, driver.device).open()


def test_a_lost_answer_shows_nothing_twice(board: PythonBoard, driver: BridgeDriver) -> None:
    _show(driver, 1)
    shows, asked = len(board.frames), len(board.heard)
    board.dumb = True
    driver.show(_frame(driver.design, 2))
    until(lambda: len(board.heard) >= asked + 2)  # sent again
    board.dumb = False
    until(lambda: driver.status().frames == 2)
    assert len(board.frames) == shows + 1
    assert driver.status().errors >= 1


def test_an_unchanged_frame_is_shown_without_being_sent(
    board: PythonBoard, driver: BridgeDriver
) -> None:
    _show(driver, 5)
    _show(driver, 5)
    assert board.heard[-2:] == [RUNS, SHOW]
    assert board.frames[-2:] == [b"\x05" * 180] * 2


def test_a_frame_that_the_board_dropped_is_sent_again(
    board: PythonBoard, driver: BridgeDriver, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(board.side, "DARK_AFTER_MS", 300)
    _show(driver, 5)
    until(lambda: board.shown() == bytes(180))  # its watchdog expired
    before = len(board.frames)
    _show(driver, 5)
    assert b"\x05" * 180 in board.frames[before:]


def test_a_restarted_board_gets_all_settings_again(
    board: PythonBoard, driver: BridgeDriver
) -> None:
    _show(driver, 5)
    board.restart()
    _show(driver, 6)
    assert board.shown() == b"\x06" * 180


def test_a_frame_beyond_the_board_is_reported_and_the_next_is_shown(
    board: PythonBoard, driver: BridgeDriver
) -> None:
    _show(driver, 5)
    many = np.arange(180, dtype=np.uint8).reshape(60, 3)
    driver.show(many)
    until(lambda: driver.status().trouble is not None)
    assert "60 colours; a bridge holds 16" in str(driver.status().trouble)
    assert board.shown() == b"\x05" * 180
    _show(driver, 6)
    assert driver.status().trouble is None


def test_unplugging_is_reported_and_plugging_in_resumes(board: PythonBoard, design: Design) -> None:
    driver = BridgeDriver(design, str(board.port))
    with FrameClock(driver, design.node_count, 3).start() as clock:
        clock.show(_frame(design, 9))
        until(lambda: board.shown() == b"\x09" * 180)
        board.unplug()
        until(lambda: driver.status().trouble is not None)
        assert "unplugged; plug it in" in str(driver.status().trouble)
        with pytest.raises(DriveFault, match="is not connected"):
            driver.volts(0)
        board.frames.clear()
        board.plug()
        until(lambda: board.shown() == b"\x09" * 180)
        until(lambda: driver.status().trouble is None)
    assert board.shown() == bytes(180)


def test_closing_without_the_board_ends_at_once(board: PythonBoard, design: Design) -> None:
    driver = BridgeDriver(design, str(board.port))
    driver.open()
    board.unplug()
    until(lambda: driver.status().trouble is not None)
    driver.close()
    with pytest.raises(DriveFault, match="closed"):
        driver.volts(0)
    board.plug()


def test_the_real_firmware_survives_reset_and_loss_of_power(
    simulated: SimulatedBoard, design: Design
) -> None:
    driver = BridgeDriver(design, str(simulated.port))
    with FrameClock(driver, design.node_count, 3).start() as clock:
        clock.show(_frame(design, 9))
        until(lambda: simulated.shown() == b"\x09" * 180)
        before = len(simulated.bursts())
        simulated.tell("reset")
        # the record is kept: a board that is lit again soon was dark in between
        until(lambda: any(not any(burst.octets) for burst in simulated.bursts()[before:]))
        until(lambda: simulated.shown() == b"\x09" * 180)
        simulated.unplug()
        until(lambda: driver.status().trouble is not None)
        simulated.plug()
        until(lambda: simulated.shown() == b"\x09" * 180)


def test_volts_are_averaged_and_calibrated_with_one_known_voltage(
    simulated: SimulatedBoard, design: Design
) -> None:
    driver = BridgeDriver(design, str(simulated.port))
    driver.open()
    try:
        simulated.tell("adc 0 800")  # 3.92 V after a divider of 39 kΩ and 10 kΩ
        with pytest.raises(DriveFault, match="not calibrated"):
            driver.volts(0)
        driver.calibrate(0, 3.92)
        for millivolts in (500, 1000):
            simulated.tell(f"adc 0 {millivolts}")
            expected = millivolts * 1e-3 * (39 + 10) / 10
            # 2 counts of 1.1 V / 1024: ATmega328P data sheet, absolute accuracy
            assert driver.volts(0) == pytest.approx(expected, abs=2 * 1.1 / 1024 * 4.9)
        simulated.tell("adc 0 1200")
        with pytest.raises(DriveFault, match="over its range"):
            driver.volts(0)
        simulated.tell("adc 0 50")
        with pytest.raises(DriveFault, match="calibrate with a voltage"):
            driver.calibrate(0, 0.245)
        with pytest.raises(DriveFault, match="no such"):
            driver.volts(4)
        with pytest.raises(InputError):
            driver.read(0, 0)
    finally:
        driver.close()


def test_readings_come_while_frames_continue(simulated: SimulatedBoard, design: Design) -> None:
    driver = BridgeDriver(design, str(simulated.port))
    simulated.tell("adc 3 550")
    with FrameClock(driver, design.node_count, 3).start() as clock:
        for level in range(1, 20):
            clock.show(_frame(design, level))
            assert driver.read(3, 8).counts == pytest.approx(512, abs=2)
        until(lambda: simulated.shown() == b"\x13" * 180)
        assert driver.status().trouble is None


# -- rates, keys, buzzer ---------------------------------------------------------------------------


def test_a_kind_of_400_khz_is_driven_at_its_rate(
    board: PythonBoard, make_fan: Callable[..., Design]
) -> None:
    for kind, rate in (("ucs1903-12v", 2), ("ws2811-5v", 0)):
        driver = BridgeDriver(make_fan(2, 3, kind=catalogue()[kind]), str(board.port))
        driver.open()
        _show(driver, 7)
        driver.close()
        assert board.rates[-1] == rate


def test_firmware_without_400_khz_is_refused_with_the_remedy(
    board: PythonBoard, make_fan: Callable[..., Design]
) -> None:
    board.can = 0
    driver = BridgeDriver(make_fan(2, 3, kind=catalogue()["ucs1903-12v"]), str(board.port))
    with pytest.raises(DriveFault, match=r"needs data of 400 kHz.*benchtest bridge install"):
        driver.open()


def test_the_real_firmware_drives_a_kind_of_400_khz(
    simulated: SimulatedBoard, make_fan: Callable[..., Design]
) -> None:
    driver = BridgeDriver(make_fan(2, 3, kind=catalogue()["ucs1903-12v"]), str(simulated.port))
    driver.open()
    _show(driver, 0xA5)
    driver.close()
    lit = next(burst for burst in simulated.bursts() if burst.octets == b"\xa5" * 18)
    assert set((lit.high[:-1] + lit.low).tolist()) == {40}  # 2500 ns at 16 MHz


def test_keys_of_the_board_are_taken_once_and_its_buzzer_sounds(
    board: PythonBoard, driver: BridgeDriver
) -> None:
    _show(driver, 1)
    for which in (1, 3):
        board.press(which)
    taken: list[int] = []
    act_until(lambda: taken.extend(driver.take_pressed()), lambda: len(taken) == 2)
    assert taken == [1, 3]
    driver.sound()
    until(lambda: board.tones == 1)
    assert driver.status().trouble is None


def test_a_rate_of_the_line_is_part_of_the_target(board: PythonBoard, design: Design) -> None:
    target = parse_target(f"serial:{board.port}@115200")
    assert str(target) == f"serial:{board.port}@115200"
    driver = driver_for(target, design, SourceSettings(uuid4()))
    assert isinstance(driver, BridgeDriver)
    driver.open()
    _show(driver, 3)
    driver.close()
    with pytest.raises(InputError, match="write a bridge's rate as a number"):
        parse_target("serial:/dev/ttyUSB0@fast")


def _usb(device: str, serial_number: str) -> SimpleNamespace:
    return SimpleNamespace(
        device=device, description="USB serial", vid=0x1209, pid=1, serial_number=serial_number
    )


def test_a_usb_board_is_recognized_by_its_numbers(monkeypatch: pytest.MonkeyPatch) -> None:
    plugged = [_usb("/dev/ttyUSB0", "A7")]
    monkeypatch.setattr(ports, "comports", lambda: plugged)
    (was,) = serial_ports()
    assert current_device("/dev/ttyUSB0", was) == "/dev/ttyUSB0"
    plugged[:] = [_usb("/dev/ttyUSB0", "B9"), _usb("/dev/ttyUSB1", "A7")]
    assert current_device("/dev/ttyUSB0", was) == "/dev/ttyUSB1"
    plugged[:] = [_usb("/dev/ttyUSB0", "B9")]
    assert current_device("/dev/ttyUSB0", was) is None


def test_ports_are_listed_with_usb_first(monkeypatch: pytest.MonkeyPatch) -> None:
    old = SimpleNamespace(
        device="/dev/ttyS0", description="n/a", vid=None, pid=None, serial_number=None
    )
    monkeypatch.setattr(ports, "comports", lambda: [old, _usb("/dev/ttyUSB0", "A7")])
    assert serial_ports() == [
        SerialPort("/dev/ttyUSB0", "USB serial", (0x1209, 1, "A7")),
        SerialPort("/dev/ttyS0", "", None),
    ]
    assert describe_ports() == "serial ports here: /dev/ttyUSB0 (USB serial), /dev/ttyS0"
    monkeypatch.setattr(ports, "comports", list)
    assert "no serial port" in describe_ports()
