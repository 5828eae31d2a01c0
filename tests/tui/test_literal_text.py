"""Words of another bench's record stay words on every screen of the terminal program.

A record with markup, links and terminal orders in every text field is imported as a person would
import it. Then every screen and window is opened, checked and clicked on, with the same words typed
into every form; a window that the walk does not open fails it.
"""

from __future__ import annotations

import ast
from pathlib import Path
from typing import get_args

import pytest
from textual.content import Content
from textual.markup import MarkupError

from benchtest.drive.signals import hold_lights
from benchtest.session.guidance.next_step import Task
from benchtest.session.log.controller_look import COUNTED
from benchtest.tui.bench_screen import BenchScreen
from benchtest.tui.compare_screen import WORKING, CompareScreen
from benchtest.tui.dialogs import FormDialog, MessageDialog
from benchtest.tui.shelf_screen import ShelfScreen
from benchtest.virtual.remote_prop import RemoteProp
from tests.tui.hostile import (
    BAD,
    COLOURS,
    ELSEWHERE,
    RAW,
    SIGNED,
    SOUND,
    STEPS,
    TUI,
    WINDOWS,
    WORDS,
    Walk,
    opening_calls,
    walked,
)

LIBRARY_TEXT = {
    "Static",
    "Label",
    "DataTable",
    "OptionList",
    "Button",
    "Markdown",
    "Log",
    "RichLog",
}
"""Widgets of the library that read strings as markup or that have literal forms of our own."""
STEP_KEYS: dict[Task, str] = {
    "check": "t1",
    "glow": "t2",
    "look": "t3",
    "search": "t4",
    "caught": "xxxxx",
    "colour": "t5",
    "read": "t6",
    "wiggle": "t7",
}
"""Keys to the steps of a test; a node is caught by the search that is open before."""


def test_the_words_fail_where_they_are_markup() -> None:
    with pytest.raises(MarkupError):
        Content.from_markup(WORDS)


async def test_words_of_a_record_do_nothing_on_any_screen(
    tmp_path: Path, prop: tuple[Path, RemoteProp], monkeypatch: pytest.MonkeyPatch
) -> None:
    victims = tmp_path / "victims"
    victims.mkdir()
    monkeypatch.chdir(victims)
    async with walked(tmp_path, prop, WORDS) as walk:
        await _at_a_repair(walk)
        await _at_colours(walk)
        await _at_sign_off(walk)
        await _at_every_step(walk)
        await _on_the_shelf(walk)
        await _in_comparisons(walk)
        await _in_practice(walk)
        await _to_the_next_unit(walk)
        assert opening_calls() - walk.app.opened == set()
        assert set(get_args(Task)) - {"think"} <= walk.shown
        assert {"shelf", "repair", "note done", "done", "compare", "target"} <= walk.with_words
        await walk.shelf()
        await walk.click("screen.end")
        await walk.at.until(lambda: not walk.app.is_running)
    assert list(victims.iterdir()) == []


async def _at_a_repair(walk: Walk) -> None:
    """Windows over a unit that is to be repaired, and the one that a browser returns to."""
    at, app = walk.at, walk.app
    await at.until(lambda: isinstance(app.screen, MessageDialog))
    await walk.check("back at the bench")
    await at.keys("enter")

    async def again() -> None:
        await walk.bench(BAD, tasks=["repair"])

    await again()
    await walk.check("repair")
    await walk.click_all(again)
    await walk.look_around(again, *WINDOWS)
    await walk.left("not signed off", "N")
    for name, key in {"note": "n", "stage": "g", "own reading": "o", "repair": "r"}.items():
        await walk.form(f"{name} form", key)
        await walk.check(f"{name} done")
    await at.keys("u")
    await again()
    await walk.form("how it is driven", "i")
    await at.until(lambda: isinstance(app.screen, MessageDialog))
    await walk.close()
    await again()
    hold_lights("the program stood still")
    await at.until(lambda: isinstance(app.screen, MessageDialog))
    await walk.check("the light is out")
    await at.pilot.pause(0.8)  # keys in the first moment count as typed before
    await at.keys("space")
    await at.until(lambda: isinstance(app.screen, BenchScreen))
    app.notify(walk.words, title=walk.words)
    await at.until(lambda: any("Toast" in type(w).__name__ for w in app.screen.walk_children()))
    await walk.check("notification")


async def _at_colours(walk: Walk) -> None:
    await walk.bench(COLOURS, tasks=["recolour"])
    await walk.check("recolour")
    await walk.form("replaced", "r")
    await walk.check("replaced done")


async def _at_sign_off(walk: Walk) -> None:
    """Walk a unit from its steps to its sign-off, and through every window after that."""
    at = walk.at
    await walk.bench(SOUND, *"t3", tasks=["look"])
    await walk.form("stray light", "k")
    await walk.check("stray light done")
    await walk.bench(SOUND, *"t3", "x", "space", "space", tasks=["walk"])
    await walk.check("walk")
    await at.keys("u", "u", "u", "escape")
    await walk.bench(SOUND, *"t9", tasks=["picture"])
    await walk.check("picture")
    await at.keys("x")
    await at.until_task("controller")
    await walk.check("controller")
    counted = 1 + at.workbench.advice.choices.index(COUNTED.text)
    await walk.form("counted nodes", str(counted))
    await walk.check("counted nodes done")
    await at.keys("u")
    await walk.bench(SOUND, *"t8", "enter", tasks=["soak"])
    await at.until(lambda: at.workbench.model.is_soaking)
    await at.until(lambda: "screen.flicker" in {action for _, action in walk.links()})
    await walk.check("soak")
    await walk.form("flicker", "f")
    await walk.check("flicker done")
    await at.keys("e")

    async def again() -> None:
        await walk.bench(SOUND, tasks=["sign-off", "done"])
        if at.workbench.advice.task == "done":  # a link signs off at once, as the last signer
            await at.keys("u")
        await at.until_task("sign-off")

    await again()
    await walk.check("sign-off")
    await walk.click_all(again)
    await walk.form("sign off", "enter")

    async def signed() -> None:
        await walk.bench(SOUND, tasks=["done"])

    await signed()
    await walk.check("done")
    await walk.look_around(signed, *WINDOWS)
    for name, key in {"note": "n", "stage": "g"}.items():
        await walk.form(f"{name} of a signed unit", key)
        await walk.check(f"{name} of a signed unit done")
    for step in range(1, 9):
        await at.keys("t", str(step))
        await at.until(lambda: isinstance(at.app.screen, BenchScreen))
        await walk.check(f"step {step} of a signed unit")
        await at.keys("escape")
        await signed()


async def _at_every_step(walk: Walk) -> None:
    for task, keys in STEP_KEYS.items():

        async def again(task: Task = task, keys: str = keys) -> None:
            await walk.bench(STEPS)
            if walk.at.workbench.advice.task != task:
                await walk.bench(STEPS, *keys)

        await walk.bench(STEPS, *keys, tasks=[task])
        await walk.check(task)
        await walk.click_all(again)


async def _on_the_shelf(walk: Walk) -> None:
    at, app = walk.at, walk.app

    async def again() -> None:
        await walk.go_to(RAW)

    await again()
    await walk.check("shelf")
    await walk.click_all(again)
    for name, key in {"new": "n", "rename": "r", "retire": "x"}.items():
        await again()
        await walk.form(name, key)
        await walk.close()
    await again()
    await walk.left("bring back", "x")
    await walk.window("bring back", "x")
    await walk.click("screen.go_on")
    await walk.bench(RAW)
    await walk.check("bench of a raw record")
    await walk.go_to(ELSEWHERE)
    await walk.form("target", "enter")
    await at.until(lambda: isinstance(app.screen, MessageDialog))
    await walk.close()


async def _in_comparisons(walk: Walk) -> None:
    at, app = walk.at, walk.app

    async def again() -> None:
        if not isinstance(app.screen, CompareScreen):
            await walk.go_to(SIGNED)
            await at.keys("c")
            await at.until(lambda: isinstance(app.screen, CompareScreen))

    await again()
    await walk.check("compare")
    await walk.click_all(again)
    await again()
    await at.keys("d")
    screen = app.screen
    assert isinstance(screen, CompareScreen)
    assert screen.whole_design
    await at.until(lambda: WORKING[:20] not in at.words())
    await walk.check("compare design")


async def _in_practice(walk: Walk) -> None:
    """A round of practice to its tally."""
    at, app = walk.at, walk.app
    await walk.shelf()
    app.practise(1, 7)  # as the key does, with a seed that a test can know
    await at.until_task("look")
    await walk.check("practice")
    await at.keys("enter")
    await at.until_task("parade")
    await walk.check("parade")
    at.workbench.drop_overrides()
    await at.until_task("look")
    await at.keys("X")
    await at.until_task("downstream")
    await walk.check("downstream")
    await at.keys("u")
    await at.until_task("look")
    assert at.workbench.practice is not None
    (hidden,) = at.workbench.practice.round.hidden
    place = hidden.partition("=")[0]
    strand, node = map(int, place.split("."))
    await at.keys(*["space"] * (strand - 1), "x")
    while await at.until_task("search", "caught") == "search":
        part = at.workbench.advice.nodes
        await at.keys("x" if any(n.node == node for n in part) else "space")
    await at.keys("d")
    while await at.until_task("look", "repair") == "look":
        await at.keys("space")
    await walk.check("practice at a repair")
    await walk.window("practice, why", "y")
    await walk.close()
    await at.keys("r")
    await at.until(lambda: isinstance(app.screen, FormDialog))
    await walk.check("practice, log a repair")
    await at.keys("enter")
    await at.until(lambda: isinstance(app.screen, MessageDialog))
    await walk.check("practice, tally")
    await walk.close()


async def _to_the_next_unit(walk: Walk) -> None:
    """A new test of a signed unit, left for another one that is not there."""
    at, app = walk.at, walk.app
    for tag in (BAD, COLOURS, RAW, ELSEWHERE, STEPS):
        await walk.go_to(tag)
        await at.keys("x")
        await at.until(lambda: isinstance(app.screen, FormDialog))
        await at.keys("enter")
        await at.until(lambda: isinstance(app.screen, ShelfScreen))
    await walk.go_to(SIGNED)
    await walk.left("signed off already", "enter")
    await walk.window("signed off already", "enter")
    await walk.click("screen.go_on")
    await at.until(lambda: isinstance(app.screen, BenchScreen))
    await walk.window("not signed off", "N")
    await walk.click("screen.go_on")
    await at.until(lambda: isinstance(app.screen, FormDialog))
    await walk.check("no other unit waits")
    await walk.close()


def test_text_is_shown_by_literal_widgets_alone() -> None:
    """The library's widgets, its markup and its tooltips are used in `literal_text.py` only."""
    found = []
    for path in sorted(TUI.rglob("*.py")):
        for node in ast.walk(ast.parse(path.read_text("utf-8"))):
            made = [node.func] if isinstance(node, ast.Call) else []
            made += node.bases if isinstance(node, ast.ClassDef) else []
            names = {name.id for name in made if isinstance(name, ast.Name)}
            markup = isinstance(node, ast.ImportFrom) and node.module == "textual.markup"
            markup |= isinstance(node, ast.Attribute) and node.attr in ("from_markup", "tooltip")
            if markup or (names & LIBRARY_TEXT and path.name != "literal_text.py"):
                found.append(f"{path.relative_to(TUI)}:{getattr(node, 'lineno', 0)}")
    assert found == []
