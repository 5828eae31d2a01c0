"""The list of readings: numbers, retaking and striking out, at the keys of the real program."""

from __future__ import annotations

import json
from functools import partial
from pathlib import Path

from textual.widgets import OptionList

from benchtest.circuit.prediction import predict
from benchtest.cli.main import main
from benchtest.prop.design import Design
from benchtest.prop.lit_set import parse_lit_set
from benchtest.prop.notation import parse_probe
from benchtest.records.shelf import Shelf
from benchtest.session.log.events import CheckMade, ReadingTaken, VerdictGiven
from benchtest.session.session import Session, unfinished_sessions
from benchtest.tui.menus import ReadingsMenu
from benchtest.tui.panel import Panel
from tests.tui.conftest import Driven, driven, make_ready

ENDS = ("1A", "2A", "3A", "1B", "2B", "3B")


def _with_readings(folder: Path, prop: Path, count: int = 12) -> None:
    """Put a unit on the shelf whose strands passed and that has readings."""
    make_ready(folder, prop, "SF-01")
    with Shelf(folder) as shelf:
        session = Session.resume(shelf, unfinished_sessions(shelf)[0].id)
        for strand in session.design.strands:
            session.record(VerdictGiven(strand.number, passed=True))
        for place in range(count):
            session.record(_as_shown(session.design, "all", ENDS[place % len(ENDS)]))


def _as_shown(
    design: Design, lit_text: str, probe_text: str, joint_ohm: dict[str, float] | None = None
) -> ReadingTaken:
    """Return the readings of a unit as designed, except for some joints."""
    lit, probe = parse_lit_set(lit_text, design), parse_probe(probe_text, design)
    volts = predict(design, lit, [probe], joint_ohm).probes[0].volts
    return ReadingTaken(lit_text, probe_text, round(volts, 4 if abs(volts) < 0.6 else 3))


INFERRED = [("2", "1A+>2A+"), ("2", "2A"), ("2", "2B"), ("all", "1A"), ("all", "3B"), ("all", "2A")]
"""Readings that name joint 2A+, none of them across it."""


def _inferred(folder: Path, prop: Path) -> None:
    """Put a unit on the shelf whose bad joint is only inferred."""
    make_ready(folder, prop, "SF-01")
    with Shelf(folder) as shelf:
        session = Session.resume(shelf, unfinished_sessions(shelf)[0].id)
        for strand in session.design.strands:
            session.record(VerdictGiven(strand.number, passed=True))
        for lit, probe in INFERRED:
            session.record(_as_shown(session.design, lit, probe, {"2A+": 0.9}))


async def test_a_repair_waits_for_the_joint_drop_or_a_skip(tmp_path: Path, small_fan: Path) -> None:
    folder = tmp_path / "bench"
    _inferred(folder, small_fan)
    async with driven(folder, small_fan, "2A+=0.9", ready=False) as at:
        assert await at.until_task("read", "repair") == "read"
        assert str(at.workbench.advice.probe) == "foot:2+>2A+"
        await at.until(lambda: "Before the repair, the joint itself" in _asked(at))
        await at.until(lambda: "s skip: cannot reach it" in at.words())
        await at.keys("s")
        assert await at.until_task("read", "repair") == "repair"
        await at.keys("u")
        assert await at.until_task("read", "repair") == "read"
        taken = len(INFERRED)
        while await at.until_task("read", "repair") == "read":
            if at.workbench.finding is None:  # asked for while the finding is worked out
                await at.pilot.pause(0.01)
                continue
            assert taken < len(INFERRED) + 4
            await at.keys("v")
            await at.until(lambda: at.app.screen.query_one("#entry").has_focus)
            await at.keys("enter")
            taken += 1
            await at.until(partial(_has_taken, at, taken))
        assert "foot:2+>2A+" in [str(r.probe) for r in at.workbench.session.state.readings]
        assert at.workbench.advice.suspect is not None
        assert at.workbench.advice.suspect.where == "2A+"


def _has_taken(at: Driven, count: int) -> bool:
    return len(at.workbench.session.state.taken) == count


async def test_a_contradictory_supply_is_measured_again_under_load(
    tmp_path: Path, small_fan: Path
) -> None:
    folder = tmp_path / "bench"
    make_ready(folder, small_fan, "SF-01")
    with Shelf(folder) as shelf:
        session = Session.resume(shelf, unfinished_sessions(shelf)[0].id)
        session.record(CheckMade("supply", "main", True, volts=4.95))
        for strand in session.design.strands:
            session.record(VerdictGiven(strand.number, passed=True))
        for lit, probe in (("1", "1A"), ("2", "2B"), ("3", "3B"), ("1-2", "1B")):
            session.record(_as_shown(session.design.with_supply_volts({"main": 4.86}), lit, probe))
    async with driven(folder, small_fan, ready=False) as at:
        await at.until(lambda: at.workbench.advice.check == ("supply", "main"))
        asked = "lower than the supply typed as 4.95 V allows: measure the supply again under load"
        await at.until(lambda: asked in _asked(at))
        assert at.workbench.light.words == "1-2"
        await at.type("4.86")
        await at.keys("enter")
        await at.until(lambda: at.workbench.session.state.checks["supply", "main"].lit == "1-2")
        await at.until(lambda: at.workbench.finding is not None)
        assert at.workbench.advice.check is None
        shown = at.workbench.session.healthy_volts(
            parse_lit_set("1", at.workbench.design), parse_probe("1A", at.workbench.design)
        )
        assert abs(shown[0] - 4.86) < 0.03


async def test_a_disagreeing_reading_is_named_and_taken_again(
    tmp_path: Path, small_fan: Path
) -> None:
    folder = tmp_path / "bench"
    _with_readings(folder, small_fan, count=6)
    with Shelf(folder) as shelf:
        session = Session.resume(shelf, unfinished_sessions(shelf)[0].id)
        right_v = _as_shown(session.design, "1-2", "2B").volts
        session.record(ReadingTaken("1-2", "2B", 4.532))
    async with driven(folder, small_fan, ready=False) as at:
        named = "Reading 7 (2B, 4.532 V) disagrees with all others. Take it again"
        await at.until(lambda: at.workbench.advice.text.startswith(named))
        await at.until(lambda: _asked(at).startswith(named) and "7!2B" in at.words())
        await at.type(f"{right_v}")
        await at.keys("enter")
        await at.until(lambda: len(at.workbench.session.state.taken) == 8)
        assert at.workbench.session.state.taken[6].standing == "retaken"
        await at.until(lambda: at.workbench.finding is not None)
        assert not at.workbench.advice.text.startswith("Reading")


def _asked(at: Driven) -> str:
    """Return the question on the screen."""
    return str(at.app.screen.query_one("#question", Panel).render())


async def _listed(at: Driven) -> OptionList:
    await at.keys("a")
    await at.until(lambda: isinstance(at.app.screen, ReadingsMenu))
    return at.app.screen.query_one(OptionList)


async def test_all_readings_are_numbered_and_can_be_scrolled_to(
    tmp_path: Path, small_fan: Path
) -> None:
    folder = tmp_path / "bench"
    _with_readings(folder, small_fan, count=30)
    async with driven(folder, small_fan, ready=False) as at:
        await at.until_task("read", "sign-off", "repair")
        await at.until(lambda: "30 3B" in at.words())  # the panel shows the last ones
        first_v = at.workbench.session.state.readings[0].value
        listed = await _listed(at)
        assert listed.highlighted == 29
        await at.keys("home")
        await at.until(lambda: "1 1A" in at.words())
        assert listed.highlighted == 0
        assert f"{first_v:.3f} V" in at.words()


async def test_a_reading_of_the_list_is_taken_again_and_the_new_one_counts(
    tmp_path: Path, small_fan: Path
) -> None:
    folder = tmp_path / "bench"
    _with_readings(folder, small_fan, count=6)
    async with driven(folder, small_fan, ready=False) as at:
        await at.until_task("read", "sign-off", "repair")
        await _listed(at)
        await at.keys("home", "down", "enter")
        await at.until(lambda: str(at.workbench.advice.probe) == "2A")
        assert at.workbench.advice.task == "read"
        before_v = at.workbench.session.state.readings[1].value
        await at.type(f"{before_v - 0.06:.3f}")
        await at.keys("enter")
        await at.until(lambda: len(at.workbench.session.state.taken) == 7)
        taken = at.workbench.session.state.taken
        assert [(one.number, one.standing) for one in taken if str(one.reading.probe) == "2A"] == [
            (2, "retaken"), (7, "counts"),
        ]  # fmt: skip
        await at.until(lambda: f"in place of {before_v:.3f} V" in at.words())
        await at.keys("u")  # one key takes back what one reading did
        await at.until(lambda: len(at.workbench.session.state.taken) == 6)
        assert all(one.counts for one in at.workbench.session.state.taken)


async def test_a_struck_out_reading_stays_on_record_without_effect(
    tmp_path: Path, small_fan: Path
) -> None:
    folder = tmp_path / "bench"
    _with_readings(folder, small_fan, count=6)
    async with driven(folder, small_fan, ready=False) as at:
        await at.until_task("read", "sign-off", "repair")
        await _listed(at)
        await at.keys("home", "down", "down", "x")
        await at.until(lambda: len(at.workbench.session.state.readings) == 5)
        await at.until(lambda: "struck out reading 3, 3A = 4." in at.words())
        await at.until_task("read", "sign-off", "repair")
        await at.until(lambda: "4 1B" in at.words())
        assert "3 3A" not in at.words()
        await _listed(at)
        await at.until(lambda: "struck out" in at.words())
    exported, page = tmp_path / "out.jsonl", tmp_path / "unit.html"
    assert main(["--bench", str(folder), "export", "--output", str(exported)]) == 0
    events = json.loads(exported.read_text())["events"]
    reads = [event["seq"] for event in events if event["kind"] == "reading"]
    struck = [event["data"]["seq"] for event in events if event["kind"] == "struck"]
    assert struck == [reads[2]]
    assert len(reads) == 6
    assert main(["--bench", str(folder), "report", "SF-01", "--output", str(page)]) == 0
    assert "<small>struck out</small>" in page.read_text()
    elsewhere = tmp_path / "elsewhere"
    assert main(["--bench", str(elsewhere), "import", str(exported)]) == 0
    with Shelf(elsewhere) as shelf:
        (row,) = shelf.sessions("SF-01")
        state = Session.resume(shelf, row.id).state
    assert [one.standing for one in state.taken] == [*["counts"] * 2, "struck", *["counts"] * 3]
