"""Each step by its keys, by a presentation clicker, by mouse and from the command palette."""

from __future__ import annotations

from pathlib import Path

import pytest
from textual.command import Command, CommandList, CommandPalette
from textual.widget import Widget
from textual.widgets import Static

from benchtest.prop.design import NodeName
from benchtest.records.shelf import Shelf
from benchtest.session.log.events import CheckMade, MarkMade, PartSeen, SoakBegun, SoakSeen
from benchtest.tui.actions import KEYS
from benchtest.tui.app import LIGHT
from benchtest.tui.bench_screen import BenchScreen
from benchtest.tui.dialogs import FormDialog, KeysDialog
from benchtest.tui.menus import StepsMenu
from benchtest.tui.prompt_panel import PromptPanel
from tests.tui.conftest import HEARD, Driven, driven, make_ready


@pytest.fixture
def long_fan(small_fan: Path) -> Path:
    """Write a prop file with three strands of 40 nodes, too many to walk."""
    text = small_fan.read_text().replace("nodes = 8", "nodes = 40")
    small_fan.write_text(text.replace("fuse_a = 3.0", "fuse_a = 7.5").replace("5.0\n", "5.0\n"))
    return small_fan


def _plain(at: Driven, where: str) -> str:
    return str(at.app.screen.query_one(where, Static).render())


async def _click(at: Driven, where: str, words: str) -> None:
    """Click on words on the screen."""

    def places() -> list[tuple[Widget, int, int]]:
        found = []
        for widget in at.app.screen.query(where):
            for y in range(widget.size.height):
                line = "".join(segment.text for segment in widget.render_line(y))
                if words in line:
                    found.append((widget, line.index(words), y))
        return found

    seen: list[tuple[Widget, int, int]] = []

    def stays() -> bool:
        """Return True if the words have not moved: the layout is complete."""
        before, seen[:] = seen[:], places()
        return bool(seen) and seen == before

    await at.until(stays)
    widget, x, y = seen[0]
    await at.pilot.click(widget, offset=(x, y))


async def _by_name(at: Driven, words: str) -> None:
    """Find an action in the palette, and run it."""
    await at.keys("ctrl+p")
    await at.until(lambda: isinstance(at.app.screen, CommandPalette))
    await at.type(words)
    found = at.app.screen.query_one(CommandList)

    def is_alone() -> bool:
        """Return True once the search, which runs while keys are typed, has one hit."""
        titles = [option.hit.text or "" for option in found.options if isinstance(option, Command)]
        return len(titles) == 1 and titles[0].lower().startswith(words)

    await at.until(is_alone)
    await at.keys("enter")
    await at.until(lambda: not isinstance(at.app.screen, CommandPalette))


async def test_a_test_begins_before_power(tmp_path: Path, small_fan: Path) -> None:
    folder = tmp_path / "bench"
    async with driven(folder, small_fan, to=HEARD, ready=False) as at:
        await at.until_task("check")
        await at.until(lambda: "Supply unplugged" in at.words())
        await at.type("0.4")
        assert not at.workbench.clock.showing().any()
        await at.keys("enter")
        assert "Do not power it. Find the bridge" in " ".join(_plain(at, "#question").split())
        await at.keys("space")  # OL
        await at.keys("pagedown", "pagedown")
        await at.type("5.02")
        await at.keys("enter")
        await at.until_task("glow")
        assert at.workbench.light.words == "all at 5%"
        await at.keys("pagedown")
        assert await at.until_task("picture") == "picture"
        with Shelf(folder) as shelf:  # read by another connection
            kinds = [event.kind for event in shelf.events(at.workbench.session.row.id)]
        assert kinds == ["check"] * 5 + ["first-light"]


async def test_a_clicker_does_the_whole_walk(tmp_path: Path, long_fan: Path) -> None:
    """A presentation clicker sends only Page Down, Page Up, b and F5."""
    async with driven(tmp_path / "bench", long_fan, to=HEARD) as at:
        await at.until_task("look")
        await at.keys("pagedown", "f5", "pageup", "f5", "b")
        assert at.workbench.light.is_dark
        await at.keys("b")
        await at.until_task("search")
        fails, looks = NodeName(2, 23), 0
        while at.workbench.advice.task == "search":
            await at.keys("f5" if fails in at.workbench.advice.nodes else "pagedown")
            looks += 1
        assert looks <= 6  # ceil(lg 40)
        assert str(at.workbench.advice.nodes[0]) == str(fails)
        await at.keys("pagedown")  # those after it light
        whats = [happened.what for happened in at.workbench.session.events]
        assert MarkMade("2", 2, "23", "dark", 0.25) in whats
        assert sum(isinstance(what, PartSeen) for what in whats) == looks


async def test_node_217_of_360_is_found_from_the_steps_menu(
    tmp_path: Path, willow_fan: Path
) -> None:
    folder = tmp_path / "bench"
    async with driven(folder, willow_fan, tag="WF-03", to=HEARD) as at:
        await at.until_task("look")
        await at.keys("t", "4")
        fails, looks = NodeName(8, 24), 0  # the 217th that data reaches
        while at.workbench.advice.task == "search":
            await at.keys("f5" if fails in at.workbench.advice.nodes else "pagedown")
            looks += 1
        assert (str(at.workbench.advice.nodes[0]), looks <= 9) == ("8.24", True)
        await at.keys("d")
        assert at.workbench.session.state.verdicts == {8: False}


async def test_help_shows_the_keys_that_work_now_and_no_others(
    tmp_path: Path, small_fan: Path
) -> None:
    async with driven(tmp_path / "bench", small_fan, to=HEARD) as at:
        await at.until_task("look")
        await at.keys("question_mark")
        await at.until(lambda: "Keys that work now, in look" in at.words())
        words = at.words()
        assert "space, Page Down" in words
        assert "Home" not in words
        assert "supply off" in words
        await _click(at, "KeysDialog #left", "it does not")
        await at.until(lambda: at.workbench.session.state.verdicts == {1: False})
        await at.keys("space", "space", "question_mark")
        await at.until(lambda: "Home" in at.words())
        assert "virtual meter" not in at.words()
        await at.keys("a", "s")
        assert at.workbench.session.state.marks[0].seen == "stuck"


async def test_a_key_of_another_task_does_nothing(tmp_path: Path, small_fan: Path) -> None:
    async with driven(tmp_path / "bench", small_fan, to=HEARD) as at:
        await at.until_task("look")
        before = len(at.workbench.session.events)
        await at.keys("d", "D", "s", "e", "f", "r", "v", "home", "enter", "1")
        assert len(at.workbench.session.events) == before
        assert isinstance(at.app.screen, BenchScreen)


async def test_everything_goes_by_mouse(tmp_path: Path, small_fan: Path) -> None:
    async with driven(tmp_path / "bench", small_fan, to=HEARD) as at:
        await at.until_task("look")
        await _click(at, "#keys", "it lights")
        await at.until(lambda: at.workbench.session.state.verdicts == {1: True})
        await at.pilot.click("#map", offset=(10, 3))
        await at.until(lambda: at.workbench.advice.strand == 3)
        await _click(at, "#keys", "it does not")
        await at.until_task("walk")
        (line,) = [text for text in at.words().splitlines() if text.split()[:1] == ["3✗"]]
        first = line.index("▸") + 1 - at.app.screen.query_one("#map").region.x
        await at.pilot.click("#map", offset=(first + 2 * 4, 3))
        await at.until(lambda: str(at.workbench.active.overrides.walking) == "3.5")
        await _click(at, "#keys", "dark from here on")
        await at.until(lambda: [m.nodes for m in at.workbench.session.state.marks] == ["5-8"])
        await _click(at, "#bottom", "steps")
        await at.until(lambda: isinstance(at.app.screen, StepsMenu))
        await at.pilot.click("#steps", offset=(3, 4))
        await at.until(lambda: isinstance(at.app.screen, BenchScreen))
        await at.until(lambda: at.workbench.advice.colour == "red")
        await _click(at, "#bottom", "note")
        await at.until(lambda: isinstance(at.app.screen, FormDialog))
        await _click(at, "FormDialog .soft", "cancel")
        await at.until(lambda: isinstance(at.app.screen, BenchScreen))


async def test_everything_is_in_the_command_palette(tmp_path: Path, small_fan: Path) -> None:
    async with driven(tmp_path / "bench", small_fan, to=HEARD) as at:
        await at.until_task("look")
        commands = {command.title for command in at.app.get_system_commands(at.app.screen)}
        shown = {one.label for one in (*at.screen.actions_now(), *at.screen.actions_always())}
        assert {label[:1].upper() + label[1:] for label in shown if label} - {
            "All commands"
        } <= commands
        await _by_name(at, "it does not")
        await at.until(lambda: isinstance(at.app.screen, BenchScreen))
        await at.until(lambda: at.workbench.session.state.verdicts == {1: False})
        await _by_name(at, "switch light")
        await at.until(lambda: at.app.theme == LIGHT)


def test_no_key_means_two_things_in_one_task() -> None:
    from benchtest.tui.actions import COMMON_ACTIONS, TASK_ACTIONS

    for task, rows in TASK_ACTIONS.items():
        # an action of a task hides the same one among the common actions
        keys = [
            key
            for action, _ in {*rows, *COMMON_ACTIONS}
            for key in KEYS[action][0].split(",")
            if key
        ]
        once = {action: KEYS[action][0] for action, _ in (*rows, *COMMON_ACTIONS)}
        every = [key for named in once.values() for key in named.split(",") if key]
        assert len(every) == len(set(every)), (task, sorted(keys))


async def test_a_typing_error_is_reported_and_tab_corrects_it(
    tmp_path: Path, small_fan: Path
) -> None:
    async with driven(tmp_path / "bench", small_fan, to=HEARD) as at:
        await at.until_task("look")
        at.workbench.entry.ask_for("1", "1A")
        at.screen.go()
        await at.type("0.482")
        await at.until(lambda: "did you mean 4.82 V?" in at.words())
        await at.keys("enter")
        assert not at.workbench.session.state.readings
        await at.keys("tab", "enter")
        await at.until(lambda: bool(at.workbench.session.state.readings))
        assert [reading.volts for reading in at.workbench.session.state.readings] == [4.82]


async def test_the_map_shows_where_the_leads_go(tmp_path: Path, small_fan: Path) -> None:
    async with driven(tmp_path / "bench", small_fan, to=HEARD) as at:
        await at.until_task("look")
        at.workbench.entry.ask_for("2", "foot:2+>2A+")
        at.screen.go()
        await at.until(lambda: "Red on foot 2 +, black on wire 2A +." in at.words())
        (row,) = [line for line in at.words().splitlines() if "red +  black +" in line]
        assert row.split()[0] == "2"


async def test_a_soak_is_begun_counted_and_stopped_by_keys(tmp_path: Path, small_fan: Path) -> None:
    async with driven(tmp_path / "bench", small_fan, to=HEARD) as at:
        await at.until_task("look")
        await at.keys("t", "8")
        await at.type("90m")
        await at.keys("enter")
        await at.until(lambda: "to go" in at.words())
        await at.keys("space", "f5", "f")
        await at.type("2.3")
        await at.keys("enter")
        assert "looks 3   intermittent 2" in at.words()
        await at.keys("b")
        assert not at.workbench.soak.running
        assert "Enter begin or resume" in at.words()
        await at.keys("enter")
        await at.until(lambda: not at.workbench.light.is_dark)
        await at.keys("e")
        assert await at.until_task("look") == "look"
        whats = [happened.what for happened in at.workbench.session.events]
        (begun,) = [what for what in whats if isinstance(what, SoakBegun)]
        assert (begun.planned_s, begun.every_s) == (5400.0, 900.0)
        assert [w.steady for w in whats if isinstance(w, SoakSeen)] == [True, False, False]


async def test_after_the_sign_off_the_next_unit_of_a_design_is_one_key_away(
    tmp_path: Path, small_fan: Path
) -> None:
    folder = tmp_path / "bench"
    make_ready(folder, small_fan, "SF-02")
    async with driven(folder, small_fan, tag="SF-01", to=HEARD) as at:
        await at.until_task("look")
        at.workbench.sign_off("Ada")
        await at.until_task("done")
        await at.keys("N")
        await at.until(
            lambda: isinstance(at.app.screen, BenchScreen) and at.workbench.session.tag == "SF-02"
        )
        assert at.workbench.session.state.verdicts == {}
        at.workbench.sign_off("Ada")
        await at.until_task("done")
        await at.keys("N")
        await at.until(lambda: isinstance(at.app.screen, FormDialog))  # no other one waits
        await at.keys("enter")
        await at.until(
            lambda: isinstance(at.app.screen, BenchScreen) and at.workbench.session.tag == "SF-03"
        )
        assert await at.until_task("check") == "check"
        assert at.app.screen.query_one(PromptPanel).entry.display
        assert not any(isinstance(h.what, CheckMade) for h in at.workbench.session.events)


async def test_any_key_closes_help(tmp_path: Path, small_fan: Path) -> None:
    async with driven(tmp_path / "bench", small_fan, to=HEARD) as at:
        await at.until_task("look")
        await at.keys("f1")
        assert isinstance(at.app.screen, KeysDialog)
        await at.keys("space")
        assert isinstance(at.app.screen, BenchScreen)
        assert at.workbench.session.state.verdicts == {}  # that key closed the window and no more


async def test_a_parade_runs_by_itself_and_ends_with_one_key(
    tmp_path: Path, long_fan: Path
) -> None:
    async with driven(tmp_path / "bench", long_fan, to=HEARD) as at:
        await at.until_task("look")
        await at.keys("enter")
        await at.until_task("parade")
        await at.keys("space")  # too early: nothing passes before the end
        await at.keys("right", "right")
        await at.until(lambda: "0.5 s for each strand" in at.words())
        await at.until(lambda: at.workbench.advice.strand is None)
        assert at.workbench.session.state.verdicts == {}
        assert "Did every node of strands 1-3 light?" in " ".join(_plain(at, "#question").split())
        await at.keys("space")
        await at.until(lambda: len(at.workbench.session.state.verdicts) == 3)
        await at.keys("u")
        await at.until(lambda: at.workbench.session.state.verdicts == {})
        await at.until_task("look")
