"""Pictures of the README, made from the real program by `python -m tests.pictures`.

A virtual Willow fan with a bad joint is tested from before power to its sign-off, and a round of
practice played; pictures are taken on the way.
"""

from __future__ import annotations

import asyncio
import re
import tempfile
from importlib.resources import files
from pathlib import Path

from benchtest.tui.dialogs import MessageDialog
from benchtest.tui.shelf_screen import ShelfScreen
from tests.tui.conftest import Driven, driven

FOLDER = Path(__file__).parent.parent / "hw_notes" / "pictures"
FAULT = "4A-=0.9"
SIZE = (100, 30)


def _save(at: Driven, name: str) -> None:
    """Save the screen as SVG with the reader's own fonts, so that none are fetched."""
    svg = at.app.export_screenshot(title="benchtest")
    svg = re.sub(r"@font-face\s*\{.*?\}", "", svg, flags=re.DOTALL)
    svg = re.sub(r"<!--.*?-->", "", svg, flags=re.DOTALL)
    svg = svg.replace("Fira Code", "DejaVu Sans Mono")
    svg = re.sub(r"terminal-\d+", "terminal", svg)
    # a made-up folder of the same length
    svg = re.sub(r"/tmp/tmp\w{8}/evening", "~/riverside-garden/bench", svg)
    (FOLDER / f"{name}.svg").write_text(svg, encoding="utf-8")


async def _evening(folder: Path) -> None:
    """Test unit WF-03 from before power to its sign-off."""
    prop = Path(str(files("benchtest.virtual").joinpath("willow-fan.toml")))
    async with driven(folder, prop, FAULT, tag="WF-03", size=SIZE, ready=False) as at:
        await at.until_task("check")
        await _still(at, "before-power")
        await at.keys(*["space"] * 3)
        await at.keys("v")
        await at.until(lambda: at.app.screen.query_one("#entry").has_focus)
        await at.keys("enter")
        await at.until_task("glow")
        await _still(at, "first-light")
        await at.keys("space")
        await at.until_task("picture")
        await at.until(lambda: at.workbench.picture.is_shown)
        await _still(at, "colours")
        await at.keys("space")
        await at.until_task("look")
        await at.keys(*["space"] * 6)
        await _still(at, "look")
        await at.keys("t")
        await _still(at, "steps")
        await at.keys("4")  # a search, to show one; and back
        await at.until_task("search")
        await at.keys("space")
        await _still(at, "search")
        await at.keys("u", "escape")
        await at.until_task("look")
        await at.keys(*["space"] * 6)
        await _readings(at, pictured=3)
        await at.until(lambda: at.workbench.worker.details is not None)
        await _still(at, "repair")
        await at.keys("y")
        await _still(at, "why")
        await at.keys("a", "r", "enter")
        await at.until_task("check")
        await at.keys("space", "space")
        await _readings(at)
        await _still(at, "sign-off")
        await at.keys("t", "8", "enter")
        await at.until(lambda: at.workbench.soak.running)
        await at.keys("space")
        await _still(at, "soak")
        await at.keys("e", "escape")
        await at.until(lambda: isinstance(at.app.screen, ShelfScreen))
        await at.pilot.pause(1.0)
        await _still(at, "shelf")


async def _readings(at: Driven, pictured: int = 0) -> None:
    """Take every requested reading from the virtual meter, and a picture of one."""
    taken = 0
    while await at.until_task("read", "repair", "sign-off") == "read":
        await at.keys("v")
        await at.until(lambda: at.app.screen.query_one("#entry").has_focus)
        taken += 1
        if taken == pictured:
            await at.until(lambda: at.workbench.worker.details is not None)
            await _still(at, "measure")
        await at.keys("enter")
        await at.until(lambda: not at.app.screen.query_one("#entry").has_focus)


async def _practice(folder: Path) -> None:
    """Play a round of grade 3, with one reading more than the tool takes."""
    prop = Path(str(files("benchtest.virtual").joinpath("willow-fan.toml")))
    async with driven(folder, prop, tag=None, size=SIZE) as at:
        at.app.practise(3, 7)
        await at.until_task("look")
        await at.keys(*["space"] * 12)
        at.workbench.entry.ask_for("all", "6B")
        await _readings(at)
        await at.keys("r", "enter")
        await at.until(lambda: isinstance(at.app.screen, MessageDialog))
        await _still(at, "practice")


async def _still(at: Driven, name: str) -> None:
    """Take a picture once light and text no longer change."""
    await at.pilot.pause(1.0)
    _save(at, name)


def main() -> None:
    """Make all pictures."""
    FOLDER.mkdir(parents=True, exist_ok=True)
    with tempfile.TemporaryDirectory() as folder:
        asyncio.run(_evening(Path(folder) / "evening"))
        asyncio.run(_practice(Path(folder) / "practice"))


if __name__ == "__main__":
    main()
