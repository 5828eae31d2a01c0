"""Makes the pictures of the README from the real program: `python -m tests.pictures`.

A virtual Willow fan with a bad joint is tested up to its finding; pictures are taken on the way.
"""

from __future__ import annotations

import asyncio
import re
import tempfile
from importlib.resources import files
from pathlib import Path

from tests.tui.conftest import Driven, driven

FOLDER = Path(__file__).parent.parent / "hw_notes" / "pictures"
FAULT = "4A-=0.9"


def _save(at: Driven, name: str) -> None:
    """The screen as SVG; fonts are the reader's own, not fetched from anywhere."""
    svg = at.app.export_screenshot(title="benchtest")
    svg = re.sub(r"@font-face\s*\{.*?\}", "", svg, flags=re.DOTALL)
    svg = re.sub(r"<!--.*?-->", "", svg, flags=re.DOTALL)
    svg = svg.replace("Fira Code", "DejaVu Sans Mono")
    svg = re.sub(r"terminal-\d+", "terminal", svg)
    (FOLDER / f"{name}.svg").write_text(svg, encoding="utf-8")


async def _evening(folder: Path) -> None:
    prop = Path(str(files("benchtest.virtual").joinpath("willow-fan.toml")))
    async with driven(folder, prop, FAULT, tag="WF-03", size=(100, 30)) as at:
        await at.until_task("look")
        await at.keys(*["space"] * 6)
        await at.until(lambda: bool(at.stand.clock.showing()[190].any()))
        await at.pilot.pause(0.3)
        _save(at, "look")
        await at.keys(*["space"] * 6)
        taken = 0
        while await at.until_task("read", "repair") == "read":
            await at.keys("v")
            await at.until(lambda: at.app.screen.query_one("#entry").has_focus)
            await at.pilot.pause(0.3)
            taken += 1
            if taken == 3:
                _save(at, "measure")
            await at.keys("enter")
            await at.until(lambda: not at.app.screen.query_one("#entry").has_focus)
        await at.pilot.pause(0.3)
        _save(at, "repair")


def main() -> None:
    """Make all pictures."""
    FOLDER.mkdir(parents=True, exist_ok=True)
    with tempfile.TemporaryDirectory() as folder:
        asyncio.run(_evening(Path(folder)))


if __name__ == "__main__":
    main()
