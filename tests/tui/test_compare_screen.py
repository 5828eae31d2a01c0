"""The comparison, key by key, on a real shelf."""

from __future__ import annotations

from datetime import UTC, datetime
from functools import partial
from pathlib import Path

import pytest
from textual.widgets import DataTable

from benchtest.evidence.meter import DEFAULT_METER
from benchtest.records.shelf import Shelf
from benchtest.session.log.events import ReadingTaken
from benchtest.session.session import Session
from benchtest.tui.compare_screen import CompareScreen
from benchtest.tui.shelf_screen import ShelfScreen
from tests.tui.conftest import Driven, driven, shown
from tests.tui.test_snapshots import _legible


@pytest.fixture
def bench(tmp_path: Path, small_fan: Path) -> Path:
    """Make a shelf: SF-01 read in two years, 0.5 mV and then 30 mV across 2A+; SF-02 never.

    8 nodes of 3 x 12 mA and 0.8 mA draw 0.29 A: about 2 mΩ, and about 100 mΩ.
    """
    folder = tmp_path / "bench"
    with Shelf(folder) as shelf:
        for year, volts in ((2025, 0.0006), (2026, 0.030)):
            session = Session.start(
                shelf, small_fan.read_text(), "SF-01", DEFAULT_METER,
                partial(datetime, year, 11, 25, 12, tzinfo=UTC),
            )  # fmt: skip
            for _ in range(2):
                session.record(ReadingTaken("2", "foot:2+>2A+", volts))
        shelf.add_units(["SF-02"], "Small fan", small_fan.read_text())
    return folder


async def _shown(at: Driven, whole_design: bool) -> CompareScreen:
    def there() -> bool:
        screen = at.app.screen
        if not isinstance(screen, CompareScreen) or screen.found is None:
            return False
        return screen.whole_design is whole_design

    await at.until(there)
    assert isinstance(at.app.screen, CompareScreen)
    await at.pilot.pause()
    return at.app.screen


async def test_c_compares_the_unit_at_the_cursor_and_escape_goes_back(
    bench: Path, small_fan: Path
) -> None:
    async with driven(bench, small_fan, tag=None) as at:
        await at.until(lambda: isinstance(at.app.screen, ShelfScreen))
        await at.until(lambda: at.app.screen.query_one(DataTable).row_count == 2)
        await at.keys("c")
        screen = await _shown(at, whole_design=False)
        words = " ".join(at.words().split())
        assert "2A+ grew from at most" in words
        assert "repair it before it fails" in words
        assert "2025-11-25" in words
        table = screen.query_one(DataTable)
        assert [str(table.get_row_at(row)[0]) for row in range(table.row_count)] == ["2A+"]
        assert str(table.get_row_at(0)[2]).startswith("! ")  # a sign, not colour alone
        for _ in ("dark", "light"):
            _legible([list(strip) for strip in shown(at.app)])
            at.app.toggle_theme()
            await at.pilot.pause()
        await at.keys("a")
        assert table.row_count == 8  # 3 strands at the bus, two rails; and the feed's two
        await at.keys("d")
        await _shown(at, whole_design=True)
        assert "takes 3 units with readings" in " ".join(at.words().split())
        await at.keys("escape")
        assert isinstance(at.app.screen, ShelfScreen)


async def test_a_unit_without_readings_is_reported_in_ascii_too(
    bench: Path, small_fan: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv("BENCHTEST_ASCII", "1")
    async with driven(bench, small_fan, tag=None) as at:
        await at.until(lambda: isinstance(at.app.screen, ShelfScreen))
        await at.until(lambda: at.app.screen.query_one(DataTable).row_count == 2)
        await at.keys("down", "c")
        await at.until(lambda: "no test of it has readings yet" in at.words())
        await at.keys("escape", "up", "c")
        await _shown(at, whole_design=False)
        assert "mohm" in at.words()
        assert at.words().isascii()
