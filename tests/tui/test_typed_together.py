"""Keys that reach the program together, as on a slow line or after a stall: in order or not at all.

Two numbers were run into one: of `1`, Enter, `2`, Enter a reading of 12 was kept.
"""

from __future__ import annotations

from pathlib import Path

from textual import events
from textual.message import Message
from textual.widgets import Input

from benchtest.session.log.events import MarkMade, ReadingTaken
from benchtest.tui.dialogs import FormDialog
from tests.tui.conftest import HEARD, Driven, driven

NAMES = {".": "full_stop", "\r": "enter", " ": "space"}


def _together(at: Driven, keys: str) -> None:
    """Hand over keys as the terminal's thread does, with no turn of the loop between them."""
    for sign in keys:
        at.app.post_message(events.Key(NAMES.get(sign, sign), sign))


def _readings(at: Driven) -> list[float | None]:
    kept = [happened.what for happened in at.workbench.session.events]
    return [what.volts for what in kept if isinstance(what, ReadingTaken)]


async def test_two_readings_typed_together_are_never_one(tmp_path: Path, small_fan: Path) -> None:
    async with driven(tmp_path / "bench", small_fan, to=HEARD) as at:
        await at.until_task("look")
        await at.keys("space", "space", "space")
        await at.until_task("read")
        assert at.workbench.entry.unit == "V"
        _together(at, "1\r2\r")
        await at.until(lambda: len(_readings(at)) > 0)
        await at.pilot.pause(0.3)
        # the second was typed before its question was shown
        assert _readings(at) == [1.0]
        assert at.screen.query_one("#entry", Input).value == ""


async def test_a_number_begun_before_its_question_is_dropped_whole(
    tmp_path: Path, small_fan: Path
) -> None:
    """Its end alone would be another number."""
    async with driven(tmp_path / "bench", small_fan, to=HEARD) as at:
        begun_s = Message().time - 5.0  # before any question was drawn
        await at.until_task("look")
        await at.keys("space", "space", "space")
        await at.until_task("read")
        field = at.screen.query_one("#entry", Input)
        for sign, after_s in (("4", 0.0), (".", 0.3)):
            key = events.Key(NAMES.get(sign, sign), sign)
            key.time = begun_s + after_s
            at.app.post_message(key)
        await at.until(lambda: "typed before this was asked" in at.screen.message)
        late = events.Key("9", "9")
        late.time = begun_s + 0.6
        at.app.post_message(late)
        at.app.post_message(events.Key("enter", "\r"))
        await at.pilot.pause(0.2)
        assert (field.value, _readings(at)) == ("", [])
        await at.keys("1", "enter")
        await at.until(lambda: _readings(at) == [1.0])


async def test_a_reading_that_is_refused_can_be_corrected(tmp_path: Path, small_fan: Path) -> None:
    async with driven(tmp_path / "bench", small_fan, to=HEARD) as at:
        await at.until_task("look")
        await at.keys("space", "space", "space")
        await at.until_task("read")
        _together(at, "1..2\r3")
        await at.until(lambda: "number" in at.screen.message)
        field = at.screen.query_one("#entry", Input)
        assert field.value == "1..2"
        await at.keys("backspace", "backspace", "backspace", "enter")
        await at.until(lambda: _readings(at) == [1.0])


async def test_lines_of_a_form_typed_together_stay_apart(tmp_path: Path, small_fan: Path) -> None:
    async with driven(tmp_path / "bench", small_fan, to=HEARD) as at:
        await at.until_task("look")
        await at.until(lambda: bool(at.workbench.clock.showing().any()))
        await at.keys("k")  # light where none should be: two lines
        await at.until(lambda: bool(at.app.screen.query("#line1")))
        at.app.screen.query_one("#line1", Input).value = ""
        _together(at, "2.3\rflicker\r")
        await at.pilot.pause(0.3)
        assert isinstance(at.app.screen, FormDialog)
        assert [line.value for line in at.app.screen.query(Input)] == ["2.3", ""]
        await at.type("flicker")
        await at.keys("enter")
        await at.until(lambda: not isinstance(at.app.screen, FormDialog))
        mark = at.workbench.session.events[-1].what
        assert isinstance(mark, MarkMade)
        assert (mark.strand, mark.nodes, mark.seen) == (2, "3", "flicker")
