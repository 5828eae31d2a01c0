"""A hand-held meter that streams, on a real pty: found, steady, shaky, silent, unplugged."""

from __future__ import annotations

from collections.abc import Iterator
from itertools import count, cycle
from pathlib import Path

import pytest

from benchtest.drive.handheld.meter import HandheldMeter, StreamTimeouts
from benchtest.errors import DriveFault
from tests.drive.handheld.simulated_handheld import SimulatedHandheld, fs9721, fs9922
from tests.waiting import until

SHORT = StreamTimeouts(line_s=0.4, steady_s=1.0, silent_s=0.4, reconnect_s=0.5)


@pytest.fixture
def simulated(tmp_path: Path) -> Iterator[SimulatedHandheld]:
    made = SimulatedHandheld(tmp_path, lambda: fs9721("4.871"))
    yield made
    made.close()


@pytest.fixture
def meter(simulated: SimulatedHandheld) -> Iterator[HandheldMeter]:
    made = HandheldMeter(str(simulated.port), SHORT)
    yield made
    made.close()


@pytest.mark.parametrize(
    ("frame", "family", "volts"),
    [
        (fs9721("4.871"), "FS9721", 4.871),
        (fs9922("-0312", "4", prefix=0x40), "FS9922", -0.0312),
        (b"148710;00080\r\n", "ES51922", 48.71),
        (b"04871;00:\r\n", "ES51986", 4.871),
    ],
)
def test_each_family_is_found_by_its_frames(
    simulated: SimulatedHandheld, meter: HandheldMeter, frame: bytes, family: str, volts: float
) -> None:
    simulated.frame = lambda: frame
    assert meter.measure() == volts
    assert meter.family == family


def test_a_moving_display_is_not_kept_and_a_steady_one_is(
    simulated: SimulatedHandheld, meter: HandheldMeter
) -> None:
    shaky = cycle([fs9721("4.871"), fs9721("0.312")])
    simulated.frame = lambda: next(shaky)
    with pytest.raises(DriveFault, match="keeps moving; hold the leads still"):
        meter.measure()
    flickering = cycle([fs9721("4.871"), fs9721("4.872")])
    simulated.frame = lambda: next(flickering)
    assert meter.measure() in (4.871, 4.872)


def test_another_quantity_is_reported_with_its_remedy(
    simulated: SimulatedHandheld, meter: HandheldMeter
) -> None:
    simulated.frame = lambda: fs9721("1.234", flags={11: 0b0100, 12: 0})
    with pytest.raises(DriveFault, match="does not measure volts; turn it to DC volts"):
        meter.measure()


def test_a_meter_that_switches_itself_off_is_reported_and_heard_again(
    simulated: SimulatedHandheld, meter: HandheldMeter
) -> None:
    meter.measure()
    simulated.silent = True
    with pytest.raises(DriveFault, match="fell silent; switch it on again"):
        meter.measure()
    with pytest.raises(DriveFault, match="no meter is heard; is its data output on"):
        meter.measure()
    simulated.silent = False
    assert meter.measure() == 4.871


def test_an_absence_that_a_reading_met_is_not_reported_again(
    simulated: SimulatedHandheld, meter: HandheldMeter
) -> None:
    simulated.silent = True
    with pytest.raises(DriveFault, match="no meter is heard"):
        meter.measure()
    assert meter.poll() is None
    simulated.silent = False
    until(lambda: meter.poll() == f"{meter.name} is back", 10.0)


def test_a_sample_is_the_next_display_steady_or_not(
    simulated: SimulatedHandheld, meter: HandheldMeter
) -> None:
    moving = count(4871)
    simulated.frame = lambda: fs9721(f"{next(moving) / 1000:.3f}")
    samples = [meter.sample(None).volts for _ in range(3)]
    assert samples == sorted(set(samples))


def test_unplugging_is_reported_once_and_plugging_in_resumes(
    simulated: SimulatedHandheld, meter: HandheldMeter
) -> None:
    assert meter.poll() == f"{meter.name} is ready"
    simulated.unplug()
    assert meter.poll() == f"{meter.name}: unplugged; plug it in to continue"
    assert meter.poll() is None
    simulated.plug()
    until(lambda: meter.poll() == f"{meter.name} is back", 10.0)
    assert meter.measure() == 4.871
