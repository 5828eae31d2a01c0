"""The bench screen, key by key."""

from __future__ import annotations

import re
from functools import partial
from pathlib import Path

from textual.widgets import Input

from benchtest.records.shelf import Shelf
from benchtest.session.guidance.next_step import Task
from benchtest.session.launch_options import LaunchOptions
from benchtest.session.log.events import ReadingTaken, VerdictGiven
from benchtest.session.session import Session, shelf_rows
from benchtest.tui.app import BenchApp
from benchtest.tui.panel import Panel
from benchtest.tui.shelf_screen import ShelfScreen
from benchtest.virtual.remote_prop import RemoteProp, start_simulation
from benchtest.virtual.virtual_prop import frame_checksum
from tests.tui.conftest import HEARD, SMALL_FAN, Driven, driven
from tests.waiting import until


async def test_passing_a_strand_lights_the_next_and_is_on_disk(
    tmp_path: Path, small_fan: Path
) -> None:
    async with driven(tmp_path / "bench", small_fan) as at:
        await at.until_task("look")
        assert at.workbench.advice.strand == 1
        await at.keys("space")
        assert at.workbench.advice.strand == 2
        await at.until(lambda: bool(at.workbench.clock.showing()[8:16].any()))
        frame = at.workbench.clock.showing()
        assert frame[8:16].all()
        assert not frame[:8].any()
        # read by another connection: what the screen shows is on disk
        with Shelf(tmp_path / "bench") as shelf:
            rows = shelf.events(at.workbench.session.row.id)
        assert (rows[-1].kind, rows[-1].data["passed"]) == ("verdict", True)


async def test_page_keys_of_a_clicker_pass_and_step_back(tmp_path: Path, small_fan: Path) -> None:
    async with driven(tmp_path / "bench", small_fan) as at:
        await at.until_task("look")
        await at.keys("pagedown", "pagedown")
        assert at.workbench.advice.strand == 3
        await at.keys("pageup")
        assert at.workbench.advice.strand == 2


async def test_a_failed_strand_is_walked_to_its_node_and_marked(
    tmp_path: Path, small_fan: Path
) -> None:
    async with driven(tmp_path / "bench", small_fan, "2.5=dark") as at:
        await at.until_task("look")
        await at.keys("space", "x")
        assert await at.until_task("walk") == "walk"
        await at.keys("home", "right", "right", "right", "right")
        assert str(at.workbench.active.overrides.walking) == "2.5"
        await at.keys("d", "enter")
        await at.until_task("look")  # the strand behind it
        await at.keys("space")
        assert [(m.strand, m.nodes, m.seen) for m in at.workbench.session.state.marks] == [
            (2, "5", "dark")
        ]
        await at.until_task("repair")
        assert at.workbench.advice.suspect is not None
        assert at.workbench.advice.suspect.where == "2.5"


FIVE_TASKS: tuple[Task, ...] = ("check", "look", "read", "repair", "sign-off")


async def test_the_whole_evening_ends_with_a_signed_record(tmp_path: Path, small_fan: Path) -> None:
    async with driven(tmp_path / "bench", small_fan, "2A+=0.9") as at:
        steps = iter(range(60))
        while (task := await at.until_task(*FIVE_TASKS)) != "sign-off":
            assert next(steps, None) is not None, f"does not end, at {task}:\n{at.words()}"
            check = at.workbench.advice.check
            if check is not None and check[0] == "supply":  # with the light on, its volts are asked
                await at.keys("s")
            elif task in ("check", "look"):
                await at.keys("space")
            elif task == "read":
                await at.keys("v")
                await at.until(lambda: at.app.screen.query_one("#entry").has_focus)
                await at.keys("enter")
                await at.until(lambda: not at.app.screen.query_one("#entry").has_focus)
            else:
                assert at.workbench.advice.suspect is not None
                assert at.workbench.advice.suspect.where == "2A+"
                await at.keys("r", "enter")
                await at.until(lambda: bool(at.workbench.session.state.repairs))
                # only what it touches: that strand and, before power, the rails
                assert at.workbench.session.state.untested == [2]
                assert at.workbench.advice.check == ("rails", "main")
        await at.keys("enter")
        await at.type("Ada")
        await at.keys("enter", "enter")
        await at.until_task("done")
        row = at.workbench.session.row.id
        await at.keys("g", *["backspace"] * 4)
        await at.type("sealed")
        await at.keys("enter")
        await at.until(lambda: at.workbench.stage == "sealed")
    with Shelf(tmp_path / "bench") as shelf:
        state = Session.resume(shelf, row).state
        (waits,) = [waits for _, _, waits in shelf_rows(shelf)]
    assert waits == ["a test after sealing"]
    assert state.signed is not None
    assert state.signed.by == "Ada"
    assert [repair.where for repair in state.repairs] == ["2A+"]


async def test_the_virtual_prop_is_shown_next_to_the_expected_map(
    tmp_path: Path, small_fan: Path
) -> None:
    async with driven(tmp_path / "bench", small_fan, "1.3=dark") as at:
        await at.until_task("look")
        await at.until(lambda: "1A ●●·●●●●●" in at.words() or "1A ##.#####" in at.words())


async def _asked_for(at: Driven, lit: str, probe: str) -> None:
    """Ask for an own reading."""
    await at.until_task("look")
    await at.keys("o", *["backspace"] * 3)
    await at.type(lit)
    await at.keys("enter")
    await at.pilot.press(*(KEY_NAMES.get(sign, sign) for sign in probe))
    await at.keys("enter")
    await at.until(lambda: at.workbench.advice.task == "read" and "Red on" in at.words())


KEY_NAMES = {":": "colon", "+": "plus", ">": "greater_than_sign"}


async def test_a_field_of_millivolts_takes_a_bare_number_as_millivolts(
    tmp_path: Path, small_fan: Path
) -> None:
    async with driven(tmp_path / "bench", small_fan) as at:
        await _asked_for(at, "3", "foot:1+>foot:3+")
        await at.type("0.2")
        await at.until(lambda: re.search("(fits|than) a good unit", at.words()) is not None)
        assert "mV" in str(at.app.screen.query_one("#unit", Panel).render())
        await at.keys("enter")
        await at.until(lambda: len(at.workbench.session.state.readings) == 1)
        assert at.workbench.session.state.readings[0].volts == 0.0002


async def test_unexplained_volts_are_confirmed_before_saving(
    tmp_path: Path, small_fan: Path
) -> None:
    async with driven(tmp_path / "bench", small_fan) as at:
        await _asked_for(at, "3", "foot:1+>foot:3+")
        for text in ("0.2V", "4.94"):
            await at.type(text)
            await at.keys("enter")
            await at.until(lambda: "did you mean" in at.words() and "Tab takes" in at.words())
            assert not at.workbench.session.state.readings
            await at.keys("escape")
        await at.type("0.2V")
        await at.keys("enter", "tab", "enter")
        await at.until(lambda: len(at.workbench.session.state.readings) == 1)
        assert at.workbench.session.state.readings[0].volts == 0.0002
        await _asked_for(at, "3", "3A")
        await at.type("6.43")
        await at.keys("enter")
        await at.until(lambda: "no fault shows 6.430 V here" in at.words())
        assert len(at.workbench.session.state.readings) == 1
        await at.keys("enter")  # the user saw it and saves it
        await at.until(lambda: len(at.workbench.session.state.readings) == 2)


async def test_a_typing_error_at_the_supply_is_confirmed(tmp_path: Path, small_fan: Path) -> None:
    async with driven(tmp_path / "bench", small_fan, ready=False) as at:
        await at.until_task("check")
        await at.type("12k")
        await at.keys("enter", "space", "space")
        await at.until(lambda: at.workbench.advice.check == ("supply", "main"))
        await at.type("49.3")
        await at.keys("enter")
        await at.until(lambda: "did you mean 4.93 V?" in at.words())
        assert ("supply", "main") not in at.workbench.session.state.checks
        await at.keys("tab", "enter")
        await at.until(lambda: ("supply", "main") in at.workbench.session.state.checks)
        assert at.workbench.session.state.checks["supply", "main"].volts == 4.93


async def test_typed_digits_begin_a_reading_compared_while_typing(
    tmp_path: Path, small_fan: Path
) -> None:
    async with driven(tmp_path / "bench", small_fan, to="virtual") as at:
        await at.until_task("look")
        await at.keys("space", "space", "space")
        await at.until_task("read")
        await at.type("4.1")
        words = at.words()
        assert "a good unit shows" in words
        assert "give or take" in words
        assert "0.870 V lower than a good unit, far outside its spread" in words
        assert "Enter save   Escape discard" in words
        assert "v read the virtual meter" not in words
        await at.keys("escape")
        assert not at.workbench.session.state.readings
        await at.until(lambda: "v read the virtual meter" in at.words())
        await at.type("99V")
        await at.keys("enter", "enter")  # asked about once, then refused
        assert "exceeds the meter" in at.words()
        assert not at.workbench.session.state.readings
        await at.keys("escape")
        await at.type("12.5m")
        await at.app.run_action("screen.keep_typed")  # as a click on it does
        await at.until(lambda: len(at.workbench.session.state.readings) == 1)
        assert at.workbench.session.state.readings[0].volts == 0.0125


async def test_undo_reverts_one_step_after_another(tmp_path: Path, small_fan: Path) -> None:
    async with driven(tmp_path / "bench", small_fan) as at:
        await at.until_task("look")
        await at.keys("space", "x", "u", "u")
        assert at.workbench.session.state.verdicts == {}
        await at.keys("u")
        assert "took back: blue right everywhere" in at.words()


async def test_dark_key_works_while_a_reading_is_typed(tmp_path: Path, small_fan: Path) -> None:
    async with driven(tmp_path / "bench", small_fan) as at:
        await at.until_task("look")
        await at.keys("space", "space", "space")
        await at.until_task("read")
        await at.type("4")
        await at.keys("f9")
        await at.until(lambda: not at.workbench.clock.showing().any())
        assert at.workbench.light.is_dark


async def test_leaving_and_reopening_resumes_the_test(tmp_path: Path, small_fan: Path) -> None:
    folder = tmp_path / "bench"
    async with driven(folder, small_fan) as at:
        await at.until_task("look")
        await at.keys("space", "space")
        await at.keys("escape")
        await at.until(lambda: isinstance(at.app.screen, ShelfScreen))
        assert "SF-01" in at.words()
        assert "Unfinished: " in at.words()
    async with driven(folder, small_fan, tag=None) as at:
        await at.until(lambda: isinstance(at.app.screen, ShelfScreen))
        await at.keys("enter")
        await at.until_task("look")
        assert at.workbench.advice.strand == 3
        kinds = [type(h.what) for h in at.workbench.session.events]
        assert kinds.count(VerdictGiven) == 2
        assert ReadingTaken not in kinds


async def test_help_names_the_keys_and_the_cautions(tmp_path: Path, small_fan: Path) -> None:
    async with driven(tmp_path / "bench", small_fan) as at:
        await at.until_task("look")
        await at.keys("question_mark")
        words = at.words()
        assert "Page Down" in words
        assert "supply off" in words
        await at.keys("a")
        assert at.workbench.advice.task == "look"


async def test_the_map_is_readable_without_colour(tmp_path: Path, small_fan: Path) -> None:
    async with driven(tmp_path / "bench", small_fan) as at:
        await at.until_task("look")
        await at.keys("space", "X")
        await at.until(lambda: "xxxxxxxx" in at.words().replace("─", ""))
        (line,) = [text for text in at.words().splitlines() if text.split()[:1] == ["2✗"]]
        assert "A foot" in at.words()
        assert "◂" in line or "▸" in line


async def test_an_invalid_prop_file_is_reported(tmp_path: Path, small_fan: Path) -> None:
    small_fan.write_text(small_fan.read_text().replace("nodes = 8", "nodes = 0"))
    async with driven(tmp_path / "bench", small_fan, tag=None) as at:
        await at.until(lambda: isinstance(at.app.screen, ShelfScreen))
        await at.keys("n")
        await at.type("SF-09")
        await at.keys("enter")
        await at.until(lambda: "strand[1].nodes" in at.words())
        await at.keys("a")
        assert isinstance(at.app.screen, ShelfScreen)
    with Shelf(tmp_path / "bench") as shelf:
        assert shelf.units() == []


async def test_a_unit_of_the_shelf_opens_with_its_own_design(
    tmp_path: Path, small_fan: Path
) -> None:
    with Shelf(tmp_path / "bench") as shelf:
        shelf.add_units(["SF-01", "SF-02"], "Small fan", small_fan.read_text())
    async with driven(tmp_path / "bench", tmp_path / "none.toml", tag=None) as at:
        await at.until(lambda: "SF-02" in at.words())
        await at.keys("down", "enter")
        await at.until_task("check")
        assert at.workbench.session.tag == "SF-02"
        assert at.workbench.session.row.design_text == small_fan.read_text()


async def test_a_missing_prop_file_is_asked_for(tmp_path: Path, small_fan: Path) -> None:
    app = BenchApp(LaunchOptions(tmp_path / "bench", "virtual"))
    try:
        async with app.run_test(size=(80, 24)) as pilot:
            at = Driven(app, pilot)
            await at.until(lambda: isinstance(app.screen, ShelfScreen))
            await at.keys("n")
            await at.type("SF-09")
            await at.keys("enter")
            app.screen.query_one("#line1", Input).value = str(small_fan)
            await at.keys("enter")
            await at.until_task("check")
    finally:
        app.end()


async def test_an_invalid_tag_is_reported(tmp_path: Path, small_fan: Path) -> None:
    async with driven(tmp_path / "bench", small_fan, tag=None) as at:
        await at.until(lambda: isinstance(at.app.screen, ShelfScreen))
        await at.keys("n")
        await at.type("../x")
        await at.keys("enter")
        await at.until(lambda: 'unit "../x"' in at.words())
        await at.keys("a")
        assert isinstance(at.app.screen, ShelfScreen)


async def test_an_own_reading_lights_its_strands(tmp_path: Path, small_fan: Path) -> None:
    async with driven(tmp_path / "bench", small_fan) as at:
        await at.until_task("look")
        await at.keys("o", "enter")
        await at.type("3A")
        await at.keys("enter")
        assert str(at.workbench.advice.probe) == "3A"
        await at.until(
            lambda: bool((at.workbench.clock.showing() == 255).all())
        )  # full white, by ramp
        await at.type("4.88")
        await at.keys("enter")
        assert [r.volts for r in at.workbench.session.state.readings] == [4.88]
        assert at.workbench.advice.task == "look"  # and on with the guidance


async def test_a_prop_on_the_network_is_driven_and_read_by_hand(
    tmp_path: Path, small_fan: Path
) -> None:
    with start_simulation(small_fan, ["3A-=1.5"], seed=2) as prop:
        async with driven(tmp_path / "bench", small_fan, to=prop.target) as at:
            await at.until_task("look")
            await at.keys("space", "space", "space")
            while await at.until_task("read", "repair") == "read":
                await at.until(partial(_shows_what_is_asked, at, prop))
                if at.workbench.advice.task != "read":  # asked only while a finding was worked out
                    continue
                await at.type(f"{prop.measure(str(at.workbench.advice.probe)):.4f}V")
                await at.keys("enter")
            assert at.workbench.advice.suspect is not None
            assert at.workbench.advice.suspect.where == "3A-"
            await at.keys("v")
        until(lambda: prop.state()["packets"].get("terminated") == 3)
        assert prop.state()["nodes_lit"] == 0


def _shows_what_is_asked(at: Driven, prop: RemoteProp) -> bool:
    """Return True once the light for a reading has come up at the prop, or none is asked for."""
    lamp, asked = at.workbench.light, at.workbench.advice.lit
    if at.workbench.advice.task not in ("read", "think"):
        return True
    there = asked is not None and lamp.lit is not None and lamp.lit.strands == asked.strands
    return there and prop.state()["frame"] == frame_checksum(lamp.frame)


async def test_a_long_name_leaves_room_for_the_lit_set(tmp_path: Path) -> None:
    path = tmp_path / "long.toml"
    name = "Gull wing of the lower terrace, second of four, by the ferry steps"
    path.write_text(SMALL_FAN.replace("Small fan", name))
    async with driven(tmp_path / "bench", path, to=HEARD) as at:
        await at.until_task("look")
        await at.until(lambda: "lit: 1 at 25%" in "".join(at.words().splitlines()[:1]))
        assert "Gull wing" in at.words().splitlines()[0]
