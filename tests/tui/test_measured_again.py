"""A supply that is measured again: no figure of the earlier volts stays on the screen."""

from __future__ import annotations

import re
from pathlib import Path

from tests.tui.conftest import SMALL_FAN, Driven, driven

SECOND_FEED = """
[[feed]]
name = "second"
at = "foot:3"
volts = 5.0
wire = "18 AWG"
length_mm = 500.0
fuse_a = 3.0
supply_a = 5.0
"""


def _shows_deviation(at: Driven) -> bool:
    """Return True while a reading is shown with its deviation in a word, such as `fits`."""
    return re.search(r"V +(fits|low|high|far)\b", at.words()) is not None


async def test_deviations_follow_the_supply_of_their_finding(tmp_path: Path) -> None:
    prop = tmp_path / "two-feeds.toml"
    prop.write_text(SMALL_FAN + SECOND_FEED)
    async with driven(tmp_path / "bench", prop, to="virtual") as at:
        await at.until_task("look")
        await at.keys("space", "space", "space")
        await at.until_task("read")
        await at.keys("v")
        await at.until(lambda: at.app.screen.query_one("#entry").has_focus)
        await at.keys("enter")
        await at.until(lambda: _shows_deviation(at))
        await at.keys("t", "1")
        while str(at.workbench.advice.check) != "('supply', 'main')":
            await at.until_task("check")
            await at.keys("space")
        await at.type("5.1")
        await at.keys("enter")
        # the supply of the other feed is asked for next, before any finding
        await at.until(lambda: str(at.workbench.advice.check) == "('supply', 'second')")
        await at.until(lambda: not _shows_deviation(at))
        assert at.workbench.session.state.readings
