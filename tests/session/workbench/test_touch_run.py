"""Readings without a key, from a simulated meter on a pty: kept once the contact is certain."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from itertools import cycle
from pathlib import Path
from uuid import uuid4

import pytest

from benchtest.drive.e131.driver import SourceSettings
from benchtest.drive.frame_clock import FrameClock
from benchtest.drive.scpi.meter import ScpiMeter
from benchtest.drive.source_spec import parse_source
from benchtest.drive.target import Target, driver_for
from benchtest.errors import DriveFault
from benchtest.prop.design import Design
from benchtest.session.guidance.next_step import glow_advice
from benchtest.session.log.events import CheckMade
from benchtest.session.log.power_checks import all_checks
from benchtest.session.session import Session
from benchtest.session.workbench.reading_sources import source_for
from benchtest.session.workbench.workbench import Workbench
from tests.drive.boards import PythonBoard, TwoWireBus
from tests.drive.scpi.simulated_meter import SimulatedMeter
from tests.session.conftest import record_passed_checks
from tests.session.driven import LOOPBACK, Prop, asks, pass_all

SAMPLE_S = 0.25
"""Time between two readings of a hand-held meter. [s] Common practice, no source."""


class Person:
    """A person with two leads at a bench whose clock this test turns.

    Attributes:
        news: words and tones.
        lights: what was lit after each reading of the meter.
    """

    def __init__(self, bench: Workbench, meter: SimulatedMeter, clock: list[float]) -> None:
        self.bench, self.meter, self._clock = bench, meter, clock
        self.news: list[tuple[str, bool]] = []
        self.lights: list[str] = []

    def hold(self, volts: Callable[[], float], samples: int) -> None:
        """Hold the leads for some readings of the meter."""
        self.meter.volts = volts
        for _ in range(samples):
            if self.bench.touch.wants_reading:
                news = self.bench.touch.hear(self.bench.source.hear())
                if news is not None:
                    self.news.append((news.words, news.is_kept))
                    self.bench.light_advice()
            self.lights.append(self.bench.light.words)
            self._clock[0] += SAMPLE_S
            if self.bench.advance_light():
                self.bench.light_advice()

    @property
    def kept(self) -> list[float | None]:
        return [one.volts for one in self.bench.session.state.readings]


@pytest.fixture
def person(
    begin: Callable[..., Session], fan: Design, prop: Prop, simulated: SimulatedMeter
) -> Iterator[Person]:
    driver = driver_for(Target("e131", LOOPBACK, prop.port), fan, SourceSettings(uuid4()))
    now_s = [100.0]
    with FrameClock(driver, fan.node_count, fan.node.channels).start() as clock:
        meter = ScpiMeter(str(simulated.port))
        bench = Workbench(
            record_passed_checks(begin()),
            clock,
            now_s=lambda: now_s[0],
            source=meter,
            hands_free=True,
        )
        pass_all(bench)
        asks(bench, "4")
        bench.light_advice()
        yield Person(bench, simulated, now_s)
        meter.close()


def test_a_rail_is_kept_after_the_leads_have_come_and_are_steady(person: Person) -> None:
    person.hold(lambda: 4.871, 8)  # they may be anywhere: not seen to come
    assert person.kept == []
    person.hold(lambda: 0.004, 3)
    shaky = cycle([4.866, 0.9, 4.4, 2.0])
    person.hold(lambda: next(shaky), 8)
    assert person.kept == []
    person.hold(lambda: 4.866, 4)
    assert person.kept == [4.866]
    assert person.news[-1][1]
    assert "saved 4.866 V, BM-6" in person.news[-1][0]
    assert "lift the leads" in person.news[-1][0]


def test_the_leads_are_lifted_before_the_next_place_lights(person: Person) -> None:
    person.hold(lambda: 0.0, 3)
    person.hold(lambda: 4.866, 4)
    assert "dark" in person.lights  # the flash
    asks(person.bench, "1 3", "crown:3")
    person.hold(lambda: 4.866, 6)
    assert person.kept == [4.866]  # still at the last place
    assert person.bench.light.words == "4"  # whose light shows when they are lifted
    person.hold(lambda: 0.002, 2)
    assert person.bench.light.words == "1 3"
    person.hold(lambda: 4.91, 6)
    assert person.kept == [4.866, 4.91]


def test_a_drop_is_kept_only_if_it_follows_the_light(person: Person) -> None:
    light = person.bench.light
    asks(person.bench, "4", "foot:4+>4A+")
    person.bench.light_advice()
    person.hold(lambda: 0.0, 12)  # never down on the wire
    assert person.kept == []
    assert "like open leads so far" in "".join(words for words, _ in person.news)
    person.hold(lambda: 0.0 if light.is_dark else 0.0021, 12)
    assert person.kept == [pytest.approx(0.0021)]
    assert person.news[-1][1]


def test_leads_that_stay_need_not_be_lifted(person: Person) -> None:
    person.hold(lambda: 0.0, 3)
    person.hold(lambda: 4.866, 4)
    asks(person.bench, "1 3", "4B")
    person.hold(lambda: 4.93, 8)
    assert person.kept == [4.866, 4.93]


@pytest.fixture
def unchecked(
    begin: Callable[..., Session], fan: Design, prop: Prop, simulated: SimulatedMeter
) -> Iterator[Person]:
    """A person who has made all checks before power but that of the supply's volts."""
    driver = driver_for(Target("e131", LOOPBACK, prop.port), fan, SourceSettings(uuid4()))
    now_s = [100.0]
    session = begin()
    for check, feed in all_checks(fan):
        if check != "supply":
            session.record(CheckMade(check, feed, passed=True))
    with FrameClock(driver, fan.node_count, fan.node.channels).start() as clock:
        meter = ScpiMeter(str(simulated.port))
        bench = Workbench(session, clock, now_s=lambda: now_s[0], source=meter, hands_free=True)
        bench.light_advice()
        yield Person(bench, simulated, now_s)
        meter.close()


def test_the_volts_of_a_supply_are_kept_without_a_key(unchecked: Person) -> None:
    bench = unchecked.bench
    assert bench.advice.check == ("supply", "main")
    unchecked.hold(lambda: 5.03, 8)  # the leads were not seen to come
    assert bench.advice.task == "check"
    unchecked.hold(lambda: 0.002, 3)
    shaky = cycle([5.02, 1.3, 4.1, 0.8])
    unchecked.hold(lambda: next(shaky), 6)
    assert bench.advice.task == "check"
    unchecked.hold(lambda: 5.03, 4)
    made = bench.session.state.checks["supply", "main"]
    assert (made.passed, made.volts) == (True, 5.03)
    assert unchecked.news[-1][1], "it has a tone"
    assert bench.advice == glow_advice()
    assert unchecked.kept == []
    unchecked.hold(lambda: 5.03, 12)
    assert bench.session.state.checks["supply", "main"] is made
    assert "dark" not in bench.light.words, "the first light is on"


def test_a_supply_out_of_range_has_no_tone_and_is_measured_again(unchecked: Person) -> None:
    bench = unchecked.bench
    unchecked.hold(lambda: 0.0, 3)
    unchecked.hold(lambda: 6.1, 4)
    assert bench.session.state.checks["supply", "main"].passed is False
    assert not any(is_kept for _, is_kept in unchecked.news)
    assert bench.advice.text.startswith("Set the supply of feed main to 5 V")
    unchecked.hold(lambda: 0.0, 3)
    unchecked.hold(lambda: 5.01, 4)
    assert bench.session.state.checks["supply", "main"].volts == 5.01
    assert unchecked.news[-1][1]


def test_a_supply_without_volts_is_not_kept(unchecked: Person) -> None:
    unchecked.hold(lambda: 0.001, 20)
    assert ("supply", "main") not in unchecked.bench.session.state.checks
    assert unchecked.news[0][0].startswith("about 0 V: leads open")


def test_zero_volts_everywhere_are_not_kept_and_explained_once(person: Person) -> None:
    """A lead in the amps socket shorts the place, or the supply is off."""
    person.hold(lambda: 0.001, 20)
    assert person.kept == []
    (words,) = [words for words, _ in person.news]
    assert words.startswith("about 0 V: leads open or in the amps socket, or no supply?")


def test_exchanged_leads_are_not_kept(person: Person) -> None:
    person.hold(lambda: 0.0, 3)
    person.hold(lambda: -4.9, 8)
    assert person.kept == []
    assert "are red and black exchanged" in person.news[-1][0]
    person.hold(lambda: 0.0, 2)
    person.hold(lambda: 4.9, 5)
    assert person.kept == [4.9]


def test_a_prop_that_was_made_dark_is_not_read(person: Person) -> None:
    person.hold(lambda: 0.0, 3)
    person.bench.toggle_dark()
    assert not person.bench.touch.wants_reading
    person.hold(lambda: 4.866, 8)
    assert person.kept == []


# -- wired places ----------------------------------------------------------------------------------


def test_a_wired_row_is_read_first_and_without_a_question(
    begin: Callable[..., Session], fan: Design, prop: Prop, tmp_path: Path
) -> None:
    """Inputs of three monitors and of the converter, which was never calibrated."""
    board, bus = PythonBoard(tmp_path), TwoWireBus(tmp_path)
    board.analogue = 1
    board.count = lambda channel: 500  # type: ignore[attr-defined]
    board.monitors = board.side.Monitors(bus, bus.now_ms)
    bus.set(0, 2.0e-3, 4.85)
    bus.set(1, 3.5e-3, 4.80)
    bus.set(2, 0.0, 0.0)
    board.restart()
    pins = ["m0=foot:1+>1A+", "0=4A", "v2=3A", "m1=foot:2+>2A+", "v1=2A"]
    driver = driver_for(Target("e131", LOOPBACK, prop.port), fan, SourceSettings(uuid4()))
    source = source_for(parse_source(f"serial:{board.port}"), pins, fan, driver)
    now_s = [100.0]
    with FrameClock(driver, fan.node_count, fan.node.channels).start() as clock:
        bench = Workbench(
            record_passed_checks(begin()),
            clock,
            now_s=lambda: now_s[0],
            source=source,
            hands_free=True,
        )
        pass_all(bench)
        asks(bench, "4", "crown:1+>crown:4+")
        left_out: list[str] = []
        for _ in range(50):
            bench.touch.ask_wired()
            bench.light_advice()
            now_s[0] += SAMPLE_S
            if bench.advice.task != "read" or not bench.source.can_read:
                continue
            if str(bench.entry.probe) == "4A":
                with pytest.raises(DriveFault, match="input 0: not calibrated"):
                    bench.source.hear()
                assert bench.touch.skip_wired()
            else:
                news = bench.touch.hear(bench.source.hear())
                left_out += [news.words] if news and "left out" in news.words else []
        assert left_out == ["3A is left out: about 0 V; check its wires, the supply and the fuse"]
        kept = {str(one.probe): one.volts for one in bench.session.state.readings}
        assert kept == {
            "foot:1+>1A+": pytest.approx(2.0e-3),
            "foot:2+>2A+": pytest.approx(3.5e-3),
            "2A": pytest.approx(4.80),
        }
        assert source is not None
        source.close()
    board.close()
