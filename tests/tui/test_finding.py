"""The finding on the screen: reasons, the plot along the strand, and the next reading."""

from __future__ import annotations

from pathlib import Path

from benchtest.records.shelf import Shelf
from benchtest.session.launch_options import LaunchOptions
from benchtest.session.log.events import VerdictGiven
from benchtest.session.practice.rounds import open_practice, read_tallies
from benchtest.session.session import Session
from benchtest.tui.bench_screen import BenchScreen
from benchtest.tui.dialogs import FormDialog, MessageDialog
from benchtest.tui.shelf_screen import ShelfScreen
from tests.tui.conftest import Driven, driven, make_ready


async def _read(at: Driven) -> None:
    """Take a reading of the virtual meter, unless a finding overtakes the question."""

    def is_entered() -> bool:
        return at.app.screen.query_one("#entry").has_focus

    await at.keys("v")
    await at.until(lambda: is_entered() or at.workbench.advice.task != "read")
    if not is_entered():
        return
    await at.keys("enter")
    await at.until(lambda: not at.app.screen.query_one("#entry").has_focus)


async def test_a_finding_shows_reasons_profile_and_next_reading(
    tmp_path: Path, small_fan: Path
) -> None:
    folder = tmp_path / "bench"
    make_ready(folder, small_fan, "SF-01")
    with Shelf(folder) as shelf:
        session = Session.resume(shelf, shelf.sessions("SF-01")[0].id)
        for number in (1, 2, 3):
            session.record(VerdictGiven(number, passed=True))
    async with driven(folder, small_fan, "2A+=0.12", size=(100, 40)) as at:
        told = ""
        while await at.until_task("read", "repair") == "read":
            if at.workbench.session.state.readings:
                await at.until(lambda: at.workbench.worker.details is not None)
                await at.until(lambda: at.workbench.worker.preview.partition(",")[0] in at.words())
                told = at.workbench.worker.preview or told
            await _read(at)
        assert told.startswith("shows ")
        assert told.endswith("if all is well")
        await at.until(lambda: at.workbench.worker.details is not None)
        await at.until(lambda: "volts along strand 2" in at.words())
        words = at.words()
        assert "as designed" in words
        assert "a good unit" in " ".join(words.split())
        assert "A foot" in words  # there is room for the map as well
        await at.keys("p")
        await at.until(lambda: "volts along strand 2" not in at.words())
        await at.keys("p", "y")
        await at.until(lambda: isinstance(at.app.screen, MessageDialog))
        words = " ".join(at.words().split())
        assert "2A + at foot, over 99 %." in words
        assert "Once repaired" in words
        await at.keys("a")
        await at.pilot.resize_terminal(80, 24)
        await at.until(lambda: len(at.words().splitlines()) == 24)
        await at.until(lambda: at.words().splitlines()[-1].startswith(" ? help"))


async def test_refused_packets_are_reported_on_the_screen(tmp_path: Path, small_fan: Path) -> None:
    async with driven(tmp_path / "bench", small_fan, to="e131:127.0.0.1:9") as at:
        await at.until_task("look")
        await at.until(lambda: "! packets refused" in at.words())
        assert "nothing there is listening on that port" in at.screen.message
        assert at.screen.message.strip() in " ".join(at.words().split())


async def test_a_practice_round_ends_with_a_score(tmp_path: Path, small_fan: Path) -> None:
    folder = tmp_path / "bench"
    async with driven(folder, small_fan, tag=None) as at:
        await at.until(lambda: isinstance(at.app.screen, ShelfScreen))
        assert "p practice" in at.words()
        at.app.practise(1, 7)  # as the key does, with a seed that a test can know
        await at.until_task("look")
        assert at.workbench.practice is not None
        (hidden,) = at.workbench.practice.round.hidden
        strand = int(hidden.partition(".")[0])
        await at.keys(*["space"] * (strand - 1))
        await at.until(lambda: at.workbench.advice.strand == strand)
        await at.keys("x")
        node = int(hidden.partition("=")[0].partition(".")[2])
        while await at.until_task("search", "caught") == "search":
            part = at.workbench.advice.nodes
            await at.keys("x" if any(n.node == node for n in part) else "space")
        await at.keys("d")
        if strand < 12:  # the strands behind it
            await at.until_task("look")
            await at.keys(*["space"] * (12 - strand))
        await at.until_task("repair")
        await at.keys("r")
        await at.until(lambda: isinstance(at.app.screen, FormDialog))
        await at.keys("enter")
        await at.until(lambda: isinstance(at.app.screen, MessageDialog))
        words = " ".join(at.words().split())
        assert f"Hidden: {hidden}" in words
        assert "You: 0 readings, 0 needless repairs." in words
        assert "Mastered; next is grade 2." in words
        await at.keys("a")
        assert isinstance(at.app.screen, BenchScreen)
    with Shelf(folder) as shelf, open_practice(LaunchOptions(folder)) as practised:
        assert shelf.units() == []
        assert [(tally.grade, tally.mastered) for tally in read_tallies(practised)] == [(1, True)]
