"""Units renamed and retired by events that are exported too; no record is deleted."""

from __future__ import annotations

import json
from collections.abc import Callable
from pathlib import Path

import pytest

from benchtest.errors import InputError
from benchtest.evidence.meter import DEFAULT_METER
from benchtest.records.json_lines import export_lines, import_lines
from benchtest.records.report import render_report
from benchtest.records.shelf import Shelf
from benchtest.session.log.events import SignedOff, VerdictGiven
from benchtest.session.log.shelf_changes import rename_unit, retire_unit, why_retired
from benchtest.session.report.report_content import report_content
from benchtest.session.session import Session, last_test, shelf_rows, unfinished_sessions
from tests.props import SMALL_FAN

Opened = Callable[[str], Shelf]


@pytest.fixture
def opened(tmp_path: Path) -> Opened:
    """Return a function that opens a bench by its name."""
    return lambda name: Shelf(tmp_path / name)


def _tested(shelf: Shelf, tag: str) -> Session:
    session = Session.start(shelf, SMALL_FAN, tag, DEFAULT_METER)
    session.record(VerdictGiven(1, passed=True))
    return session


def _units(shelf: Shelf) -> list[tuple[str, str, bool]]:
    return [(unit.tag, unit.key, unit.retired) for unit in shelf.units()]


def test_a_renamed_unit_keeps_its_record_under_both_tags(opened: Opened) -> None:
    with opened("one") as shelf:
        session = _tested(shelf, "WF-3")
        rename_unit(shelf, "WF-3", "WF-13")
        assert _units(shelf) == [("WF-13", "WF-3", False)]
        for tag in ("WF-3", "WF-13"):
            assert [row.id for row in shelf.sessions(tag)] == [session.row.id]
            found = last_test(shelf, tag)
            assert found is not None
            assert found[1].verdicts == {1: True}
        assert [row.tag for row in unfinished_sessions(shelf)] == ["WF-13"]
        again = Session.resume(shelf, session.row.id)
        again.record(SignedOff("Ada"))
        assert (again.tag, unfinished_sessions(shelf)) == ("WF-13", [])
        rename_unit(shelf, "WF-13", "WF-3")  # back again
        assert _units(shelf) == [("WF-3", "WF-3", False)]
        assert [event.kind for event in shelf.events(session.row.id)] == [
            "verdict", "renamed", "signed-off", "renamed",
        ]  # fmt: skip


def test_a_tag_in_use_or_of_another_unit_is_refused(opened: Opened) -> None:
    with opened("one") as shelf:
        for tag in ("WF-1", "WF-2"):
            _tested(shelf, tag)
        rename_unit(shelf, "WF-1", "WF-9")
        for new, words in (
            ("WF-2", "is another unit"), ("../x", "letters"),
        ):  # fmt: skip
            with pytest.raises(InputError, match=words):
                rename_unit(shelf, "WF-9", new)
        with pytest.raises(InputError, match="was the tag of WF-9"):
            rename_unit(shelf, "WF-2", "WF-1")
        for act in (
            lambda: Session.start(shelf, SMALL_FAN, "WF-1", DEFAULT_METER),
            lambda: shelf.add_units(["WF-1"], "Small fan", SMALL_FAN),
        ):
            with pytest.raises(InputError, match="is called WF-9 now"):
                act()


def test_a_retired_unit_cannot_be_continued_and_returns_unchanged(opened: Opened) -> None:
    with opened("one") as shelf:
        _tested(shelf, "WF-1")
        before = shelf_rows(shelf)
        retire_unit(shelf, "WF-1", why="scrapped")
        assert (_units(shelf), unfinished_sessions(shelf)) == ([("WF-1", "WF-1", True)], [])
        assert why_retired(shelf, "WF-1") == "scrapped"
        with pytest.raises(InputError, match="is retired; first"):
            Session.start(shelf, SMALL_FAN, "WF-1", DEFAULT_METER)
        with pytest.raises(InputError, match="is retired already"):
            retire_unit(shelf, "WF-1")
        retire_unit(shelf, "WF-1", retired=False)
        assert shelf_rows(shelf) == before
        assert len(unfinished_sessions(shelf)) == 1


def test_the_report_names_the_former_tag_and_why_a_unit_was_retired(opened: Opened) -> None:
    with opened("one") as shelf:
        session = _tested(shelf, "WF-1")
        rename_unit(shelf, "WF-1", "WF-2")
        retire_unit(shelf, "WF-2", why="<b>scrapped</b>")
        page = render_report(report_content(Session.resume(shelf, session.row.id)))
        assert "<h1>WF-2</h1>" in page
        assert "formerly WF-1" in page
        assert "<b>Retired</b>: &lt;b&gt;scrapped&lt;/b&gt;" in page


def test_a_unit_without_a_test_still_has_none_once_it_is_renamed(opened: Opened) -> None:
    with opened("one") as shelf:
        shelf.add_units(["WF-1"], "Small fan", SMALL_FAN)
        rename_unit(shelf, "WF-1", "WF-2")
        assert (unfinished_sessions(shelf), last_test(shelf, "WF-2")) == ([], None)
        ((unit, row, waits),) = shelf_rows(shelf)
        assert (unit.tag, row, waits) == ("WF-2", None, ["a test"])


def test_a_signed_unit_stays_signed_off_once_it_is_renamed(opened: Opened) -> None:
    with opened("one") as shelf:
        _tested(shelf, "WF-1").record(SignedOff("Ada"))
        rename_unit(shelf, "WF-1", "WF-2")
        found = last_test(shelf, "WF-2")
        assert found is not None
        assert found[1].signed == SignedOff("Ada")


def test_names_and_retirements_merge_repeatedly(opened: Opened) -> None:
    with opened("one") as one, opened("two") as two:
        _tested(one, "WF-1")
        one.add_units(["WF-2"], "Small fan", SMALL_FAN)
        first = list(export_lines(one))
        import_lines(two, first, "one.jsonl")
        rename_unit(one, "WF-1", "WF-11")
        retire_unit(one, "WF-2", why="given away")
        lines = list(export_lines(one))
        assert [json.loads(line)["tag"] for line in lines] == ["WF-1", "WF-2"]
        for _ in range(2):
            import_lines(two, lines, "one.jsonl")
            assert _units(two) == _units(one) == [("WF-2", "WF-2", True), ("WF-11", "WF-1", False)]
        assert list(export_lines(two)) == lines
        assert list(export_lines(two, "WF-11")) == lines[:1]
        import_lines(one, list(export_lines(two)), "two.jsonl")
        import_lines(one, first, "old.jsonl")  # an earlier export undoes nothing
        assert _units(one) == _units(two)


def test_two_units_with_one_tag_are_both_found(opened: Opened) -> None:
    with opened("one") as one, opened("two") as two:
        _tested(one, "WF-1")
        _tested(two, "WF-2")
        rename_unit(one, "WF-1", "WF-2")
        import_lines(two, list(export_lines(one)), "one.jsonl")
        assert _units(two) == [("WF-1", "WF-1", False), ("WF-2", "WF-2", False)]
        import_lines(one, list(export_lines(two)), "two.jsonl")
        assert _units(one) == _units(two)


def test_a_program_with_the_records_open_shows_the_new_name(opened: Opened) -> None:
    with opened("one") as one, opened("one") as same:
        _tested(one, "WF-1")
        assert _units(same) == [("WF-1", "WF-1", False)]
        rename_unit(one, "WF-1", "WF-2")
        assert _units(same) == [("WF-2", "WF-1", False)]
