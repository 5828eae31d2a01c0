"""Readings with one key from a simulated meter on a real pty, connected to a virtual prop."""

from __future__ import annotations

import threading
from collections.abc import Iterator
from functools import partial
from pathlib import Path

import pytest

from benchtest.operating_system import voice_command
from benchtest.tui.dialogs import KeysDialog
from benchtest.virtual.remote_prop import RemoteProp, start_simulation
from tests.drive.boards import PythonBoard
from tests.drive.scpi.simulated_meter import OVERLOAD, SimulatedMeter
from tests.tui.conftest import Driven, driven
from tests.waiting import WAIT_S


@pytest.fixture
def simulated(tmp_path: Path) -> Iterator[SimulatedMeter]:
    made = SimulatedMeter(tmp_path)
    yield made
    made.close()


def _leads(at: Driven, prop: RemoteProp, simulated: SimulatedMeter) -> None:
    """Connect the leads to the points of the drawing."""
    probe = at.workbench.advice.probe
    simulated.volts = lambda: prop.measure(str(probe))


def _taken(at: Driven, count: int) -> bool:
    return len(at.workbench.session.state.readings) == count


async def test_one_key_takes_a_reading(
    tmp_path: Path, small_fan: Path, simulated: SimulatedMeter
) -> None:
    source = f"scpi:{simulated.port}"
    with start_simulation(small_fan, ["3A-=1.5"], seed=2) as prop:
        async with driven(
            tmp_path / "bench", small_fan, to=prop.target, readings_from=source, size=(200, 30)
        ) as at:
            await at.until_task("look")
            await at.until(lambda: "BM-6 on" in at.words() and "is ready" in at.words())
            await at.keys("space", "space", "space")
            keys, taken = ["v", "pagedown", "space"], 0
            while await at.until_task("read", "repair") == "read":
                await at.until(lambda: "v read the BM-6" in at.words())
                _leads(at, prop, simulated)
                await at.keys(keys[taken % 3])  # a clicker's key does it too
                taken += 1
                await at.until(partial(_taken, at, taken))
                # the question asked meanwhile may be another than that of the finding
                await at.until(lambda: at.workbench.worker.details is not None)
            suspect = at.workbench.advice.suspect
            assert suspect is not None
            assert suspect.where == "3A-"
            rows = at.workbench.session.shelf.events(at.workbench.session.row.id)
            named = [row.data["source"] for row in rows if row.kind == "reading"]
            assert named == [f"BM-6 on {simulated.port}"] * taken


async def test_meter_errors_are_reported_and_the_test_continues(
    tmp_path: Path, small_fan: Path, simulated: SimulatedMeter
) -> None:
    source = f"scpi:{simulated.port}"
    async with driven(tmp_path / "bench", small_fan, readings_from=source, size=(200, 30)) as at:
        await at.until_task("look")
        await at.keys("o", "tab")
        await at.type("2A")
        await at.keys("enter", "enter")
        await at.until_task("read")

        simulated.volts = lambda: OVERLOAD
        await at.keys("v")
        await at.until(lambda: "overload: over its range" in at.words())

        answers = threading.Event()
        simulated.volts = lambda: 4.9 if answers.wait(WAIT_S) else 0.0
        await at.keys("v", "question_mark")
        await at.until(
            lambda: isinstance(at.app.screen, KeysDialog)
        )  # while the meter takes its time
        assert "read the BM-6" in at.words()
        await at.keys("escape")
        assert _taken(at, 0)
        answers.set()
        await at.until(partial(_taken, at, 1))

        simulated.unplug()
        await at.until(lambda: "unplugged; plug it in to continue" in at.words())
        await at.keys("o", "tab")
        await at.type("2A")
        await at.keys("enter", "enter")
        await at.until_task("read")
        await at.type("4.88")  # by hand meanwhile
        await at.keys("enter")
        await at.until(partial(_taken, at, 2))
        simulated.plug()
        await at.until(lambda: "is back" in at.words())
        await at.keys("u")
        await at.until(partial(_taken, at, 1))


async def test_a_meter_name_with_markup_is_shown_literally(
    tmp_path: Path, small_fan: Path, simulated: SimulatedMeter
) -> None:
    simulated.identity = "RIVERBANK,[/]BM[bold]-[ @click=app.quit]6,0017,1.04"
    source = f"scpi:{simulated.port}"
    async with driven(tmp_path / "bench", small_fan, readings_from=source, size=(200, 40)) as at:
        await at.until_task("look")
        await at.keys("o", "tab")
        await at.type("2A")
        await at.keys("enter", "enter")
        await at.until_task("read")
        name = "read the [/]BM[bold]-[ @click=app.quit]6"
        await at.until(lambda: name in at.words())
        await at.keys("ctrl+p")
        await at.type("read the")
        await at.until(lambda: name.title()[:1] + name[1:] in at.words())


async def test_a_pedal_on_the_bridge_is_a_key(tmp_path: Path, small_fan: Path) -> None:
    board = PythonBoard(tmp_path)
    try:
        to = f"serial:{board.port}"
        async with driven(tmp_path / "bench", small_fan, to=to, size=(120, 30)) as at:
            await at.until_task("look")
            board.press(1)
            await at.until(lambda: "strand 2 light" in at.words())
            board.press(3)
            await at.until(lambda: "took back: strand 1" in at.words())
            board.press(2)
            await at.until(lambda: 1 in at.workbench.session.state.failed)
    finally:
        board.close()


async def test_each_question_is_spoken_by_the_voice_of_the_system(
    tmp_path: Path, small_fan: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A command of that name stands in for the voice: it keeps what it was given to speak."""
    spoken = tmp_path / "spoken"
    voice = tmp_path / "bin" / "espeak-ng"
    voice.parent.mkdir()
    voice.write_text(f"#!/bin/sh\ncat >> {spoken}\necho >> {spoken}\n")
    voice.chmod(0o755)
    monkeypatch.setenv("PATH", f"{voice.parent}:/bin")
    async with driven(tmp_path / "bench", small_fan, say=True) as at:
        await at.until_task("look")
        await at.until(lambda: spoken.exists() and "every node of strand 1" in spoken.read_text())
        await at.keys("space")
        await at.until(lambda: "every node of strand 2" in spoken.read_text())
    assert spoken.read_text().count("strand 1") == 1
    voice.unlink()
    monkeypatch.setenv("PATH", str(voice.parent))
    assert voice_command() is None
