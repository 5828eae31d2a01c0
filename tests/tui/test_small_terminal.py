"""Text that does not fit a terminal of 80 by 24: shown elsewhere, or scrolled."""

from __future__ import annotations

from pathlib import Path

from textual.widgets import DataTable, Static

from benchtest.tui.dialogs import KeysDialog, MessageDialog
from benchtest.tui.shelf_screen import ShelfScreen
from tests.tui.conftest import driven, make_ready, shown
from tests.tui.test_step_snapshots import _prepare as suspected

WAITS = "SF-02 to do: look at strands 1, 2, 3; readings; seal it, then retest; sign-off"


async def test_a_cut_row_is_shown_in_full_below(small_fan: Path, tmp_path: Path) -> None:
    for tag in ("SF-01", "SF-02"):
        make_ready(tmp_path / "bench", small_fan, tag)
    async with driven(tmp_path / "bench", small_fan, tag=None) as at:
        await at.until(lambda: "SF-02 to do: " in at.words())  # the last one left unfinished
        await at.keys("up")
        await at.until(lambda: "SF-01 to do: " in at.words())
        await at.keys("down")
        await at.until(lambda: WAITS in " ".join(at.words().split()))
        assert "Unfinished: SF-01, SF-02 (select one, Enter to resume)" in at.words()
        await at.pilot.resize_terminal(160, 24)
        await at.until(lambda: "SF-02 to do: " not in at.words())
        assert at.words().count(WAITS.partition("do: ")[2]) == 2


async def test_an_empty_shelf_has_nothing_to_do(small_fan: Path, tmp_path: Path) -> None:
    async with driven(tmp_path / "bench", small_fan, tag=None) as at:
        await at.until(lambda: "No units on this bench" in at.words())
        await at.until(lambda: at.app.screen.query_one("#message", Static).content == " ")  # read
        await at.pilot.pause(0.2)
        assert "to do: " not in at.words()


async def test_a_cell_drawn_too_early_is_redrawn(small_fan: Path, tmp_path: Path) -> None:
    """The cell used to stay cut to the earlier width of its column, until the cursor reached it."""
    make_ready(tmp_path / "bench", small_fan, "SF-01")
    async with driven(tmp_path / "bench", small_fan, tag=None) as at:
        await at.until(lambda: isinstance(at.app.screen, ShelfScreen))
        await at.until(lambda: "look at strands 1" in at.words())
        table = at.app.screen.query_one(DataTable)
        table.update_cell("SF-01", "design", "Gull wing of the river gate", update_width=True)
        shown(at.app)  # as a busy machine draws: before widths are worked out
        await at.until(lambda: "Gull wing of the river gate" in at.words())


async def test_a_long_message_can_be_scrolled(small_fan: Path, tmp_path: Path) -> None:
    """The message used to be cut off at the window, and any key closed it."""
    async with driven(tmp_path / "bench", small_fan, tag=None) as at:
        at.app.push_screen(MessageDialog("Why", "\n".join(f"reason {n}" for n in range(30))))
        await at.until(lambda: "up and down: scroll" in at.words())
        assert "reason 29" not in at.words()
        await at.keys("pagedown")
        await at.until(lambda: "reason 29" in at.words())
        await at.keys("up")
        await at.until(lambda: "reason 29" not in at.words())
        await at.keys("pagedown", "pagedown")  # a clicker goes on, and out
        await at.until(lambda: isinstance(at.app.screen, ShelfScreen))
        at.app.push_screen(MessageDialog("Why", "reason 1"))
        await at.until(lambda: "any key: back" in at.words())
        assert "up and down" not in at.words()
        await at.keys("up")
        await at.until(lambda: isinstance(at.app.screen, ShelfScreen))


async def test_the_keys_of_a_walk_fit_with_a_finding_and_its_plot(tmp_path: Path) -> None:
    async with driven(tmp_path / "bench", suspected(tmp_path), tag="SF-01", to="virtual") as at:
        await at.until_task("repair")
        await at.until(lambda: at.workbench.worker.details is not None)
        at.workbench.walk.choose_strand(2)
        at.workbench.walk.begin_by_hand()
        at.screen.go()
        await at.until_task("walk")
        await at.keys("question_mark")
        await at.until(lambda: isinstance(at.app.screen, KeysDialog))
        await at.until(lambda: "why this finding" in at.words())
        window = at.app.screen.query_one(".dialog")
        assert all(window.region.contains_region(w.region) for w in window.query(Static))
        assert "sensitive to changing light." in at.words()
        # what is too long for its column goes on below its own beginning
        rows = at.words().splitlines()
        (place,) = {row.index("undo") for row in rows if "Ctrl+Z" in row}
        assert all(row[place - 1] == " " for row in rows[4:18])
