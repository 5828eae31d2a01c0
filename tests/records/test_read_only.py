"""A read-only bench can be read; a copy of its file alone has every event at rest."""

from __future__ import annotations

import shutil
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest

from benchtest.cli.main import main
from benchtest.errors import RecordsFault
from benchtest.records.backup import DATABASE_FILE
from benchtest.records.json_lines import export_lines
from benchtest.records.shelf import Shelf
from tests.fuzz.good import SMALL_FAN
from tests.records.conftest import lockable_folder

AT = "2026-11-25T18:00:00.000+00:00"
Start = Callable[..., str]


def _begun(folder: Path) -> str:
    with Shelf(folder) as shelf:
        session = shelf.start_session("SF-01", "Small fan", SMALL_FAN, AT, "0.5%+3/6000")
        shelf.append(session, "verdict", {"strand": 1, "passed": True}, AT)
    return session


@pytest.fixture
def locked(tmp_path: Path) -> Iterator[tuple[Path, Callable[[], None]]]:
    """Return a bench folder, and a function that makes it read-only."""
    with lockable_folder(tmp_path / "disk") as lock:
        yield tmp_path / "disk" / "bench", lock


@pytest.mark.parametrize("killed", [False, True], ids=["closed", "killed"])
def test_a_read_only_bench_is_read(
    locked: tuple[Path, Callable[[], None]],
    tmp_path: Path,
    capsys: pytest.CaptureFixture[str],
    killed: bool,
) -> None:
    """Events that a killed program left only in the log are read too."""
    folder, lock = locked
    session = _begun(folder)
    shelf = Shelf(folder)
    shelf.append(session, "note", {"text": "only in the log"}, AT)
    if killed:  # as the files are while the program runs
        aside = tmp_path / "aside"
        aside.mkdir()
        for side in ("", "-wal"):
            shutil.copy(folder / f"{DATABASE_FILE}{side}", aside)
    shelf.close()
    if killed:
        for side in ("", "-wal"):
            shutil.copy(aside / f"{DATABASE_FILE}{side}", folder)
    before = sorted(path.name for path in folder.rglob("*"))
    lock()
    with Shelf(folder) as shelf:
        assert not shelf.is_writable
        assert [event.kind for event in shelf.events(session)] == ["verdict", "note"]
        assert len(list(export_lines(shelf))) == 1
        with pytest.raises(RecordsFault, match=r"may not be written; .*--bench"):
            shelf.append(session, "note", {"text": "lost"}, AT)
        assert len(shelf.events(session)) == 2
    assert main(["shelf", "--bench", str(folder)]) == 0
    assert main(["export", "--bench", str(folder)]) == 0
    page = tmp_path / "page.html"
    assert main(["report", "SF-01", "-o", str(page), "--bench", str(folder)]) == 0
    assert "only in the log" in capsys.readouterr().out + page.read_text("utf-8")
    assert sorted(path.name for path in folder.rglob("*")) == before


def test_a_copy_of_the_file_alone_has_every_event_once_at_rest(
    tmp_path: Path, start: Start
) -> None:
    with Shelf(tmp_path / "bench") as shelf:
        session = start(shelf)
        shelf.append(session, "note", {"text": "acknowledged"}, AT)

        def copied() -> int:
            copy = tmp_path / "copy"
            shutil.rmtree(copy, ignore_errors=True)
            copy.mkdir()
            shutil.copy(tmp_path / "bench" / DATABASE_FILE, copy)
            try:
                with Shelf(copy) as other:
                    return len(other.events(session))
            except RecordsFault:
                return 0

        shelf.checkpoint(quiet_s=3600.0)
        assert copied() == 0  # in the log alone
        shelf.checkpoint()
        assert copied() == 1
