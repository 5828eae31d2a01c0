"""The list of readings: numbers, retaking and striking out, at the keys of the real program."""

from __future__ import annotations

import json
from pathlib import Path

from textual.widgets import OptionList

from benchtest.cli import main
from benchtest.records.shelf import Shelf
from benchtest.session.events import ReadingTaken, VerdictGiven
from benchtest.session.live import Session, unfinished
from benchtest.tui.readings_menu import ReadingsMenu
from tests.tui.conftest import Driven, driven, make_ready

PLAUSIBLE_V = {"1A": 4.93, "2A": 4.92, "3A": 4.915, "1B": 4.86, "2B": 4.85, "3B": 4.85}


def _with_readings(folder: Path, prop: Path, count: int = 12) -> None:
    """Put a unit on the shelf whose strands passed and that has readings."""
    make_ready(folder, prop, "SF-01")
    with Shelf(folder) as shelf:
        session = Session.resume(shelf, unfinished(shelf)[0].id)
        for strand in session.design.strands:
            session.record(VerdictGiven(strand.number, passed=True))
        probes = list(PLAUSIBLE_V.items())
        for place in range(count):
            probe, volts = probes[place % len(probes)]
            session.record(ReadingTaken("all", probe, round(volts - 0.001 * place, 3)))


async def _listed(at: Driven) -> OptionList:
    await at.keys("a")
    await at.until(lambda: isinstance(at.app.screen, ReadingsMenu))
    return at.app.screen.query_one(OptionList)


async def test_readings_have_their_numbers_and_all_of_them_can_be_scrolled_to(
    tmp_path: Path, small_fan: Path
) -> None:
    folder = tmp_path / "bench"
    _with_readings(folder, small_fan, count=30)
    async with driven(folder, small_fan, ready=False) as at:
        await at.until_task("read", "sign-off", "repair")
        await at.until(lambda: "30 3B" in at.words())  # the panel shows the last ones
        listed = await _listed(at)
        assert listed.highlighted == 29
        await at.keys("home")
        await at.until(lambda: "1 1A" in at.words())
        assert listed.highlighted == 0
        assert "4.930 V" in at.words()


async def test_a_reading_of_the_list_is_taken_again_and_the_new_one_counts(
    tmp_path: Path, small_fan: Path
) -> None:
    folder = tmp_path / "bench"
    _with_readings(folder, small_fan, count=6)
    async with driven(folder, small_fan, ready=False) as at:
        await at.until_task("read", "sign-off", "repair")
        await _listed(at)
        await at.keys("home", "down", "enter")
        await at.until(lambda: str(at.stand.advice.probe) == "2A")
        assert at.stand.advice.task == "read"
        await at.type("4.86")
        await at.keys("enter")
        await at.until(lambda: len(at.stand.session.state.taken) == 7)
        taken = at.stand.session.state.taken
        assert [(one.number, one.standing) for one in taken if str(one.reading.probe) == "2A"] == [
            (2, "retaken"), (7, "counts"),
        ]  # fmt: skip
        await at.until(lambda: "in place of 4.919 V" in at.words())
        await at.keys("u")  # one key takes back what one reading did
        await at.until(lambda: len(at.stand.session.state.taken) == 6)
        assert all(one.counts for one in at.stand.session.state.taken)


async def test_a_struck_out_reading_counts_nowhere_and_stays_on_record(
    tmp_path: Path, small_fan: Path
) -> None:
    folder = tmp_path / "bench"
    _with_readings(folder, small_fan, count=6)
    async with driven(folder, small_fan, ready=False) as at:
        await at.until_task("read", "sign-off", "repair")
        await _listed(at)
        await at.keys("home", "down", "down", "x")
        await at.until(lambda: len(at.stand.session.state.readings) == 5)
        await at.until(lambda: "struck out reading 3, 3A = 4.913 V" in at.words())
        await at.until_task("read", "sign-off", "repair")
        await at.until(lambda: "4 1B" in at.words())
        assert "3 3A" not in at.words()
        await _listed(at)
        await at.until(lambda: "struck out" in at.words())
    exported, page = tmp_path / "out.jsonl", tmp_path / "unit.html"
    assert main(["--bench", str(folder), "export", "--output", str(exported)]) == 0
    events = json.loads(exported.read_text())["events"]
    reads = [event["seq"] for event in events if event["kind"] == "reading"]
    assert [event["data"] for event in events if event["kind"] == "struck"] == [{"seq": reads[2]}]
    assert len(reads) == 6
    assert main(["--bench", str(folder), "report", "SF-01", "--output", str(page)]) == 0
    assert "<small>struck out</small>" in page.read_text()
    elsewhere = tmp_path / "elsewhere"
    assert main(["--bench", str(elsewhere), "import", str(exported)]) == 0
    with Shelf(elsewhere) as shelf:
        (row,) = shelf.sessions("SF-01")
        state = Session.resume(shelf, row.id).state
    assert [one.standing for one in state.taken] == [*["counts"] * 2, "struck", *["counts"] * 3]
