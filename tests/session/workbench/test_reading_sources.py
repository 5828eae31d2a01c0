"""Readings from instruments: a bench meter and a bridge's inputs, each on a real pty."""

from __future__ import annotations

import struct
from collections.abc import Callable, Iterator
from pathlib import Path
from uuid import uuid4

import pytest
from cobs import cobs

from benchtest.drive.bridge.driver import BridgeDriver
from benchtest.drive.bridge.input_reader import BridgeReader
from benchtest.drive.e131.driver import SourceSettings
from benchtest.drive.frame_clock import FrameClock
from benchtest.drive.scpi.meter import ScpiMeter
from benchtest.drive.source_spec import parse_source
from benchtest.drive.target import Target, driver_for
from benchtest.errors import DriveFault, InputError, NameFault
from benchtest.evidence.meter import Meter
from benchtest.evidence.reading_source import ReadingSource
from benchtest.prop.design import Design
from benchtest.prop.notation import parse_probe
from benchtest.session.report.export_tables import SessionEvidence, readings_table
from benchtest.session.session import Session
from benchtest.session.workbench.reading_sources import (
    BridgePins,
    check_source,
    parse_bridge_pins,
    source_for,
)
from benchtest.session.workbench.workbench import Workbench
from tests.drive.boards import Built, PythonBoard, SimulatedBoard, build, sealed
from tests.drive.scpi.simulated_meter import OVERLOAD, SimulatedMeter
from tests.session.conftest import record_passed_checks
from tests.session.driven import LOOPBACK, Prop, asks, pass_all
from tests.waiting import until

READ_ANSWERED = 0x85
"""Kind 5, read, with the top bit set: hw_notes/bridge.md."""


class ReadBoard(PythonBoard):
    """The MicroPython firmware's protocol with three inputs whose counts are given."""

    analogue = 3

    def __init__(self, folder: Path) -> None:
        self.answers = b""
        self.counts = [0, 0, 0]
        self.scales: dict[int, int] = {}
        super().__init__(folder)

    def count(self, channel: int) -> int:
        return self.counts[channel]

    def scale(self, channel: int) -> int | None:
        return self.scales.get(channel)

    def keep(self, channel: int, scale: int) -> None:
        self.scales[channel] = scale

    def send(self, octets: bytes) -> None:
        """Answer a reading as it is, or with the octets of `answers` if set."""
        body = cobs.decode(octets.strip(b"\0"))[:-2]
        if self.answers and body[0] == READ_ANSWERED:
            octets = sealed(body[:2] + self.answers)
        super().send(octets)


@pytest.fixture
def board(tmp_path: Path) -> Iterator[ReadBoard]:
    made = ReadBoard(tmp_path)
    yield made
    made.close()


@pytest.fixture
def clock(fan: Design, prop: Prop) -> Iterator[FrameClock]:
    driver = driver_for(Target("e131", LOOPBACK, prop.port), fan, SourceSettings(uuid4()))
    with FrameClock(driver, fan.node_count, fan.node.channels).start() as running:
        yield running


@pytest.fixture
def metered(
    begin: Callable[..., Session], clock: FrameClock, simulated: SimulatedMeter
) -> Iterator[Workbench]:
    """Workbench with a SCPI meter that asks for volts at 4B."""
    meter = ScpiMeter(str(simulated.port))
    workbench = Workbench(record_passed_checks(begin()), clock, source=meter)
    pass_all(workbench)
    asks(workbench, "4")  # all of it is more than its fuse carries
    workbench.light_advice()
    yield workbench
    meter.close()


def test_a_reading_of_a_meter_is_kept_with_its_name(
    metered: Workbench, simulated: SimulatedMeter
) -> None:
    assert metered.source.keeps_at_once
    assert metered.source.name == "meter"  # not met yet
    said = metered.entry.take(metered.source.read())
    assert said == f"saved 4.871 V, BM-6 on {simulated.port}"
    (kept,) = metered.session.shelf.events(metered.session.row.id)[-1:]
    assert kept.data["source"] == f"BM-6 on {simulated.port}"
    assert kept.data["volts"] == 4.871
    assert metered.session.state.readings[-1].meter is None  # the session's
    assert metered.source.name == "BM-6"
    assert metered.finding is None  # the earlier finding is outdated


def test_exchanged_leads_are_asked_about_before_they_are_kept(
    metered: Workbench, simulated: SimulatedMeter
) -> None:
    simulated.volts = lambda: -4.9
    read = metered.source.read()
    with pytest.raises(InputError, match="are red and black exchanged"):
        metered.entry.take(read)
    assert not metered.session.state.readings
    assert metered.entry.holds(read)
    assert metered.entry.meant(read.text) == "4.9"
    assert "BM-6" in metered.enter(read.text)  # Enter keeps it as it is, with its source
    assert metered.session.state.readings[-1].volts == -4.9


def test_a_reading_from_an_instrument_is_not_checked_for_typing_slips(
    metered: Workbench, simulated: SimulatedMeter
) -> None:
    simulated.volts = lambda: 0.49  # a tenth of what is healthy: typed, it would be asked about
    metered.entry.take(metered.source.read())
    assert metered.session.state.readings[-1].volts == 0.49


def test_a_reading_of_an_outdated_request_is_not_kept(metered: Workbench) -> None:
    read = metered.source.read()
    asks(metered, "1 3", "crown:2+>crown:4+")
    with pytest.raises(InputError, match="something else is asked for by now"):
        metered.entry.take(read)
    assert metered.session.state.readings == ()


def test_a_dark_prop_is_not_read_as_if_it_were_lit(metered: Workbench) -> None:
    metered.toggle_dark()
    with pytest.raises(InputError, match="the prop is dark: b lights it"):
        metered.source.read()


def test_an_overload_gives_no_reading_and_changes_nothing(
    metered: Workbench, simulated: SimulatedMeter
) -> None:
    simulated.volts = lambda: OVERLOAD
    with pytest.raises(DriveFault, match="overload"):
        metered.source.read()
    simulated.volts = lambda: 700.0  # beyond the session's meter: a typed one is refused too
    with pytest.raises(InputError, match="exceeds the meter's largest range"):
        metered.entry.take(metered.source.read())
    assert metered.session.state.readings == ()
    assert metered.advice.task == "read"


# -- a bridge's inputs -----------------------------------------------------------------------------


def test_a_pin_reads_only_the_place_it_is_connected_to(
    begin: Callable[..., Session], clock: FrameClock, fan: Design, board: ReadBoard
) -> None:
    spec = parse_source(f"serial:{board.port}")
    source = source_for(spec, ["0=4B", "2=crown:2", "1=roof:1"], fan, clock.driver)
    assert isinstance(source, BridgePins)
    workbench = Workbench(record_passed_checks(begin()), clock, source=source)
    pass_all(workbench)
    asks(workbench, "4")  # all of it is more than its fuse carries
    workbench.light_advice()
    assert (
        workbench.source.description
        == "The bridge reads by itself: 4B (input 0), crown:2 (input 2)."
    )
    assert workbench.source.suggested_probe == "4B"
    with pytest.raises(DriveFault, match="input 0: not calibrated"):
        workbench.source.read()
    # 39 kΩ over 10 kΩ on 1.1 V and 1024 counts: 5.26 mV a count (hw_notes/bridge.md)
    board.scales[0], board.counts[0] = 5_263_672, 900
    read = workbench.source.read()
    assert float(read.text) == pytest.approx(900 * 5.263672e-3, abs=1e-6)
    workbench.entry.take(read)
    (taken,) = workbench.session.state.readings
    assert taken.meter == Meter.parse("0.5%+2/1000")  # a count is coarser than a hand meter
    evidence = SessionEvidence(workbench.session.row, workbench.session.state)
    assert "0.5%+2/1000" in readings_table(evidence)
    asks(workbench, "4", "crown:4")
    assert not workbench.source.can_read
    with pytest.raises(InputError, match="is not at crown:4: type what your meter shows"):
        workbench.source.read()
    source.close()


def test_the_bridge_that_drives_the_prop_is_read_through_its_driver(
    fan: Design, board: ReadBoard
) -> None:
    driver = BridgeDriver(fan, str(board.port))
    board.scales[1], board.counts[1] = 5_263_672, 800
    with FrameClock(driver, fan.node_count, fan.node.channels).start():
        again = Path(str(board.port)).with_name("again")
        again.symlink_to(board.port)  # one port, two names
        for spec in (None, parse_source(f"serial:{again}")):
            source = source_for(spec, ["1=foot:2"], fan, driver)
            assert source is not None
            found = source.read(parse_probe("foot:2", fan))
            assert found.volts == pytest.approx(4.211, abs=1e-3)
            source.close()
        until(lambda: driver.status().frames > 0)  # frames go on
        assert driver.status().trouble is None


def test_a_bridge_that_is_only_read_resumes_after_a_restart_and_unplugging(
    fan: Design, board: ReadBoard
) -> None:
    board.scales[0], board.counts[0] = 5_000_000, 1000
    spec = parse_source(f"serial:{board.port}")
    driver = driver_for(Target("e131", LOOPBACK, 5568), fan, SourceSettings(uuid4()))
    source = source_for(spec, ["0=main"], fan, driver)
    assert source is not None
    probe = parse_probe("main", fan)
    assert source.poll() == f"bridge on {board.port} is ready"
    assert source.read(probe).volts == 5.0
    board.restart()  # its supply dips: identified and read again
    assert source.read(probe).volts == 5.0
    board.unplug()
    assert "unplugged; plug it in to continue" in (source.poll() or "")
    assert source.poll() is None
    with pytest.raises(DriveFault):
        source.read(probe)
    board.plug()
    until(lambda: source.poll() == f"bridge on {board.port} is back", 10.0)
    assert source.read(probe).volts == 5.0
    assert not any(map(any, board.frames))  # nothing was lit
    source.close()


@pytest.mark.parametrize(
    ("channel", "samples", "total"),
    [(1, 64, 64_000), (0, 63, 63_000), (0, 64, 70_000)],
    ids=["another input", "another count of samples", "more than full scale"],
)
def test_a_bridge_answer_with_invalid_content_is_rejected(
    fan: Design, board: ReadBoard, channel: int, samples: int, total: int
) -> None:
    """Its volts used to be kept as those of the requested input."""
    board.scales[0] = board.scales[1] = 5_000_000
    board.counts[:] = [1000, 1000, 1000]
    source = source_for(
        parse_source(f"serial:{board.port}"),
        ["0=main"],
        fan,
        driver_for(Target("e131", LOOPBACK, 5568), fan, SourceSettings(uuid4())),
    )
    assert source is not None
    probe = parse_probe("main", fan)
    assert source.read(probe).volts == 5.0
    board.answers = bytes([channel, samples]) + struct.pack(">II", total, 5_000_000)
    with pytest.raises(DriveFault, match="asked for input 0"):
        source.read(probe)
    source.close()


# -- options of the command ------------------------------------------------------------------------


def test_a_bridge_as_a_source_needs_valid_places_of_its_pins(fan: Design) -> None:
    bridge, meter = parse_source("serial:/dev/ttyUSB0"), parse_source("scpi:/dev/ttyUSB1")
    check_source(bridge, [], to_serial=False)  # the millivolts of its power monitor
    for spec in (None, meter):
        with pytest.raises(InputError, match="name the bridge: --readings-from serial:DEVICE"):
            check_source(spec, ["0=foot:4"], to_serial=False)
    check_source(None, ["0=foot:4"], to_serial=True)  # the bridge that drives
    with pytest.raises(NameFault, match=r"--pin 1=roof:1: .*no bus is called"):
        parse_bridge_pins(fan, ["0=foot:4", "1=roof:1"])
    with pytest.raises(InputError, match="input m0 is already there"):
        parse_bridge_pins(fan, ["m0=foot:4+>4A+", "m1=foot:4+>4A+"])
    with pytest.raises(InputError, match="write an input and its probe"):
        parse_bridge_pins(fan, ["m16=foot:4"])
    pins = parse_bridge_pins(fan, ["3=foot:4", "m0=foot:4+>4A+", "v15=4B"])
    assert list(pins.values()) == [3, 0x80, 0x9F]


# -- power monitors of a bridge, with the firmware itself ------------------------------------------


@pytest.fixture(scope="module")
def built(tmp_path_factory: pytest.TempPathFactory) -> Built:
    return build(tmp_path_factory.mktemp("firmware"))


@pytest.fixture
def simulated_board(built: Built, tmp_path: Path) -> Iterator[SimulatedBoard]:
    made = SimulatedBoard(built, tmp_path)
    yield made
    made.close()


def _source(fan: Design, board: SimulatedBoard, *pins: str) -> ReadingSource:
    driver = driver_for(Target("e131", LOOPBACK, 5568), fan, SourceSettings(uuid4()))
    found = source_for(parse_source(f"serial:{board.port}"), pins, fan, driver)
    assert found is not None
    return found


def test_a_bridge_without_pins_reads_drops_by_its_monitor(
    fan: Design, simulated_board: SimulatedBoard
) -> None:
    simulated_board.tell("monitor 0 2125 4871")
    source, drop = _source(fan, simulated_board), parse_probe("foot:4+>4A+", fan)
    assert source.can_read(drop)
    assert not source.can_read(parse_probe("4A", fan))  # 5 V exceed its 82 mV
    found = source.read(drop)
    assert found.volts == pytest.approx(2.125e-3, abs=1e-9)
    assert str(found.meter) == "0.1%+1/10000"
    for microvolts in (95_000, -95_000):
        simulated_board.tell(f"monitor 0 {microvolts} 4871")
        found = source.read(drop)
        # TI SBOS547: full scale of the shunt input, 81.92 mV less one count of 2.5 uV
        assert abs(found.volts) == pytest.approx(81.92e-3, abs=2.6e-6)
        assert (found.volts > 0.0, found.beyond) == (microvolts > 0, True)
    simulated_board.tell("unplug 0")
    with pytest.raises(DriveFault, match="no power monitor answers there"):
        source.read(drop)
    source.close()


def test_a_row_of_places_is_wired_to_several_monitors(
    fan: Design, simulated_board: SimulatedBoard
) -> None:
    for chip in range(3):
        simulated_board.tell(f"monitor {chip} {1000 * (chip + 1)} {4800 + 50 * chip}")
    pins = ["m0=foot:1+>1A+", "m1=foot:2+>2A+", "m2=foot:3+>3A+", "v2=foot:3"]
    source = _source(fan, simulated_board, *pins)
    probes = [parse_probe(pin.partition("=")[2], fan) for pin in pins]
    assert [source.read(probe).volts for probe in probes] == pytest.approx([1e-3, 2e-3, 3e-3, 4.9])
    simulated_board.tell("monitor 2 3000 40100")
    with pytest.raises(DriveFault, match=r"input v2: 40\.1 V is beyond its rating of 36 V"):
        source.read(probes[3])
    source.close()


def test_a_monitor_is_zeroed_and_calibrated(simulated_board: SimulatedBoard) -> None:
    simulated_board.tell("monitor 0 40 5000")
    reader = BridgeReader(str(simulated_board.port))
    assert reader.monitors() == [0]
    assert reader.calibrate(0x80, 0.0).counts == 0.0  # its leads together
    simulated_board.tell("monitor 0 50040 5000")
    assert reader.calibrate(0x80, 0.0505).volts == pytest.approx(0.0505, abs=2.5e-6)
    simulated_board.tell("monitor 0 10040 5000")
    assert reader.read(0x80, 2).volts == pytest.approx(0.0101, abs=2.5e-6)
    with pytest.raises(DriveFault, match="hold its two leads together"):
        reader.calibrate(0x80, 0.0)
    reader.close()
