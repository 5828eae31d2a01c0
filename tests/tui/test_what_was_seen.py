"""Only observations are recorded: keys, light and report of the terminal program."""

from __future__ import annotations

import socket
from pathlib import Path

import pytest
from textual.widgets import Static

from benchtest.evidence.meter import DEFAULT_METER
from benchtest.records.shelf import Shelf
from benchtest.session.guidance.steps import step_results
from benchtest.session.log.events import (
    CheckMade,
    FirstLight,
    RepairDone,
    SoakSeen,
    Undone,
)
from benchtest.session.log.power_checks import all_checks
from benchtest.session.session import Session
from benchtest.tui.dialogs import FormDialog
from tests.tui.conftest import HEARD, Driven, driven


@pytest.fixture
def five(small_fan: Path) -> Path:
    """Write a prop file with five strands of eight nodes, one after the other in the data line."""
    small_fan.write_text(small_fan.read_text().replace("count = 3", "count = 5"))
    return small_fan


def _before_the_looks(folder: Path, prop: Path) -> None:
    """Put SF-01 on the shelf with its checks and first light passed."""
    with Shelf(folder) as shelf:
        session = Session.start(shelf, prop.read_text(), "SF-01", DEFAULT_METER)
        for check, feed in all_checks(session.design):
            session.record(CheckMade(check, feed, passed=True))
        session.record(FirstLight(passed=False))


def _question(at: Driven) -> str:
    """Return the question in one line."""
    return " ".join(str(at.app.screen.query_one("#question", Static).render()).split())


def _lit_strands(at: Driven) -> list[int]:
    """Return the strands in the frame of the prop."""
    frame, design = at.workbench.clock.showing(), at.workbench.design
    starts = list(zip(design.first_index, design.strands, strict=True))
    return [s.number for start, s in starts if frame[start : start + s.nodes].any()]


def _colours(at: Driven) -> tuple[bool | None, str]:
    """Return the colour check of the report."""
    rows = step_results(at.workbench.session.state)
    return next((row.good, row.says) for row in rows if row.name == "Colours")


async def _log_repair(at: Driven, joint: str) -> None:
    """Log a repair of the suspect of that name."""
    finding = at.workbench.finding
    assert finding is not None
    place = [suspect.where for suspect in finding.suspects].index(joint)
    at.screen.action_repair(place)  # as its digit does
    await at.until(lambda: isinstance(at.app.screen, FormDialog))
    await at.keys("enter")
    await at.until(lambda: not isinstance(at.app.screen, FormDialog))


async def test_colours_wait_for_a_data_repair_and_are_seen_in_one_picture(
    tmp_path: Path, five: Path
) -> None:
    folder = tmp_path / "bench"
    _before_the_looks(folder, five)
    async with driven(folder, five, to=HEARD, ready=False) as at:
        await at.until_task("look")
        await at.keys("space", "space", "space", "X")
        await at.until_task("downstream")
        assert "Is strand 5, behind it in the data, dark too?" in _question(at)
        await at.keys("space")
        await at.until_task("repair", "read")
        await _log_repair(at, "3Bd")
        assert await at.until_task("check") == "check"
        await at.keys("space")
        await at.until_task("look")
        await at.keys("space", "space", "space")  # strand 3 too: the joint is at its end
        await at.until_task("picture")
        await at.until(lambda: _lit_strands(at) == [1, 2, 3, 4, 5])
        await at.until(lambda: at.workbench.picture.is_shown)
        await at.keys("space")
        says = "red right, green right, blue right; 1-5 seen in one picture"
        assert _colours(at) == (True, says)


@pytest.mark.parametrize("where", ["2Bd", "3.4", "2A+"])
async def test_after_soldering_the_rails_are_measured_before_light(
    tmp_path: Path, five: Path, where: str
) -> None:
    async with driven(tmp_path / "bench", five, to=HEARD) as at:
        await at.until_task("look")
        at.workbench.repair(where, "soldered")
        at.screen.go()
        await at.until_task("check")
        assert at.workbench.advice.check == ("rails", "main")
        await at.until(lambda: "Ohms between + and - at feed main" in _question(at))
        assert not at.workbench.clock.showing().any()
        await at.type("0.3")
        await at.keys("enter")  # bridged
        assert await at.until_task("check") == "check"
        assert not at.workbench.clock.showing().any()
        await at.type("47")
        await at.keys("k", "enter")
        await at.until_task("look", "picture")


async def test_no_verdict_is_recorded_while_packets_are_refused(tmp_path: Path, five: Path) -> None:
    with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as found:
        found.bind(("127.0.0.1", 0))
        port = found.getsockname()[1]
    async with driven(tmp_path / "bench", five, to=f"e131:127.0.0.1:{port}") as at:
        await at.until_task("look")
        await at.until(lambda: "! packets refused" in at.words())
        before = len(at.workbench.session.events)
        for key in ("space", "x", "X"):
            await at.keys(key)
            assert "frames do not reach the prop" in " ".join(at.words().split())
        await at.keys("o")
        await at.until(lambda: isinstance(at.app.screen, FormDialog))
        await at.keys("enter")
        await at.type("1A")
        await at.keys("enter")
        await at.until_task("read")
        await at.type("4.91")
        await at.keys("enter")
        assert "frames do not reach the prop" in " ".join(at.words().split())
        assert len(at.workbench.session.events) == before
        await at.keys("escape", "escape")
        with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as heard:
            heard.bind(("127.0.0.1", port))
            await at.until(lambda: "! packets refused" not in at.words())
            await at.keys("space")
            assert at.workbench.session.state.verdicts == {1: True}


async def test_a_soak_pauses_while_frames_do_not_arrive(tmp_path: Path, five: Path) -> None:
    with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as heard:
        heard.bind(("127.0.0.1", 0))
        port = heard.getsockname()[1]
        async with driven(tmp_path / "bench", five, to=f"e131:127.0.0.1:{port}") as at:
            await at.until_task("look")
            await at.keys("t", "8", "enter")
            await at.until(lambda: at.workbench.soak.running)
            heard.close()
            await at.until(lambda: not at.workbench.soak.running)
            assert "the soak pauses: frames do not reach the prop" in " ".join(at.words().split())
            done_s = at.workbench.soak.done_s
            await at.keys("space")  # a prop without frames cannot have been seen steady
            assert at.workbench.soak.done_s == done_s
            assert not any(isinstance(h.what, SoakSeen) for h in at.workbench.session.events)
            with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as again:
                again.bind(("127.0.0.1", port))
                await at.until(lambda: at.workbench.soak.running)


async def test_no_verdict_is_recorded_of_a_prop_darkened_by_key(tmp_path: Path, five: Path) -> None:
    async with driven(tmp_path / "bench", five, to=HEARD) as at:
        await at.until_task("look")
        await at.until(lambda: _lit_strands(at) == [1])
        await at.keys("b", "space")
        assert "b lights it again" in " ".join(at.words().split())
        assert at.workbench.session.state.verdicts == {}
        assert not at.workbench.clock.showing().any()
        await at.keys("b", "space")
        assert at.workbench.session.state.verdicts == {1: True}


async def test_one_undo_reverts_all_effects_of_one_key(tmp_path: Path, five: Path) -> None:
    folder = tmp_path / "bench"
    async with driven(folder, five, to=HEARD) as at:
        await at.until_task("look")
        await at.keys("space", "X", "u")
        state = at.workbench.session.state
        assert (state.verdicts, state.marks) == ({1: True}, ())
        assert "took back: strand 2 failed; strand 2, node 1-8 dark" in at.words()
        assert at.workbench.advice.strand == 2
        await at.keys("X")
    async with driven(folder, five, to=HEARD) as at:  # the record itself keeps them together
        await at.until_task("downstream")
        await at.keys("u")
        state = at.workbench.session.state
        assert (state.verdicts, state.marks) == ({1: True}, ())
        assert isinstance(at.workbench.session.events[-1].what, Undone)
        assert not any(isinstance(h.what, RepairDone) for h in at.workbench.session.events)
