"""The shelf returns what was put on it, in order, and nothing else."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from benchtest.errors import InputError, NameFault, RecordsFault
from benchtest.records.models import Event, SessionRow, Unit, check_tag, encode_event_data
from benchtest.records.shelf import Shelf, default_folder

AT = "2026-11-25T18:00:00.000+00:00"
Start = Callable[..., str]


@pytest.mark.parametrize("tag", ["WF-03", "a", "7", "A.b_c-9", "x" * 40])
def test_plain_tags_are_accepted(tag: str) -> None:
    assert check_tag(tag) == tag


@pytest.mark.parametrize(
    "tag",
    [
        "",
        ".",
        "..",
        "../WF-03",
        "WF/03",
        "WF\\03",
        "C:WF",
        "-o",
        ".hidden",
        "WF 03",
        "WF-03\n",
        "WF-03\x00",
        "\x1b[2J",
        "WF-0３",  # a digit of another script
        "Wéf",
        "x" * 41,
        "<b>",
        "WF'03",
    ],
)
def test_tags_that_trick_paths_or_terminals_are_refused(tag: str) -> None:
    with pytest.raises(InputError, match="write 1 to 40 letters") as refused:
        check_tag(tag)
    assert str(refused.value).isprintable()


@given(st.text(max_size=50))
@settings(deadline=None)
def test_an_accepted_tag_is_safe_as_a_file_name(tag: str) -> None:
    try:
        check_tag(tag)
    except InputError:
        return
    assert Path(f"{tag}.html").name == f"{tag}.html"
    assert tag.isascii()
    assert tag.isprintable()
    assert not tag.startswith((".", "-"))


def test_events_are_returned_in_order_unchanged(shelf: Shelf, start: Start) -> None:
    session = start(shelf)
    data: list[dict[str, Any]] = [
        {"text": "rain “all night” \u2028 50 Ω"},
        {"n": 1.5, "deep": [{"a": None}]},
        {},
    ]
    kept = [shelf.append(session, "note", one, AT) for one in data]
    assert [event.seq for event in kept] == [1, 2, 3]
    assert shelf.events(session) == kept
    with Shelf(shelf.folder) as again:
        assert again.events(session) == kept


def test_each_session_numbers_its_own_events(shelf: Shelf, start: Start) -> None:
    one, other = start(shelf), start(shelf)
    assert [shelf.append(one, "note", {}, AT).seq for _ in range(2)] == [1, 2]
    assert shelf.append(other, "note", {}, AT).seq == 1


def test_an_event_without_a_session_is_refused(shelf: Shelf) -> None:
    with pytest.raises(RecordsFault, match="not on this bench"):
        shelf.append("no such session", "note", {}, AT)


@pytest.mark.parametrize("data", [{"x": float("nan")}, {"x": float("inf")}, {"x": "half \ud800"}])
def test_data_outside_json_are_refused_and_not_stored(
    shelf: Shelf, start: Start, data: dict[str, object]
) -> None:
    session = start(shelf)
    with pytest.raises(InputError, match="again"):
        shelf.append(session, "note", data, AT)
    assert shelf.events(session) == []


@given(st.dictionaries(st.text(), st.text() | st.floats() | st.integers() | st.none()))
@settings(deadline=None)
def test_stored_json_is_strict_utf_8(data: dict[str, object]) -> None:
    try:
        text = encode_event_data(data)
    except InputError:
        return
    assert text.encode("utf-8")
    assert not {"NaN", "Infinity"} & set(text.replace(":", " ").replace(",", " ").split())


def test_a_stage_is_stored_with_its_event(shelf: Shelf, start: Start) -> None:
    session = start(shelf)
    shelf.append(session, "stage", {"stage": "sealed"}, AT, "sealed")
    assert shelf.unit("WF-03") == Unit("WF-03", "Willow fan", "sealed")
    with pytest.raises(RecordsFault, match="CHECK"):
        shelf.append(session, "stage", {}, AT, "lost")  # type: ignore[arg-type]
    assert [event.seq for event in shelf.events(session)] == [1]
    assert shelf.unit("WF-03").stage == "sealed"


def test_units_and_sessions_are_listed_in_order(shelf: Shelf, start: Start) -> None:
    late = start(shelf, "WF-04", "2026-11-25T19:00:00.000+00:00")
    early = start(shelf, "WF-03", "2026-11-25T18:00:00.000+00:00")
    assert [unit.tag for unit in shelf.units()] == ["WF-03", "WF-04"]
    assert [row.id for row in shelf.sessions()] == [early, late]
    assert [row.id for row in shelf.sessions("WF-04")] == [late]
    assert shelf.session(early).tag == "WF-03"


def test_a_session_keeps_its_prop_file_unchanged(
    shelf: Shelf, start: Start, design_text: str
) -> None:
    assert shelf.session(start(shelf)).design_text == design_text


def test_unknown_names_get_a_suggestion_without_control_characters(
    shelf: Shelf, start: Start
) -> None:
    start(shelf)
    with pytest.raises(NameFault, match='did you mean "WF-03"'):
        shelf.unit("WF-30")
    with pytest.raises(NameFault) as refused:
        shelf.unit("\x1b[2J")
    assert str(refused.value).isprintable()
    with pytest.raises(RecordsFault, match="not on this bench"):
        shelf.session("none")


def test_a_tag_belongs_to_one_design(shelf: Shelf, start: Start) -> None:
    start(shelf)
    with pytest.raises(InputError, match="is a Willow fan, not a Tide arch"):
        shelf.start_session("WF-03", "Tide arch", "x", AT, "0.5%+3/6000")
    assert len(shelf.sessions()) == 1


def test_units_can_be_added_before_any_test(shelf: Shelf, start: Start) -> None:
    start(shelf, "WF-02")
    shelf.append(shelf.sessions()[0].id, "stage", {"stage": "sealed"}, AT, "sealed")
    shelf.add_units(["WF-01", "WF-02"], "Willow fan", "text of the file")
    assert [(unit.tag, unit.stage) for unit in shelf.units()] == [
        ("WF-01", "bare"),
        ("WF-02", "sealed"),  # existing units are not changed
    ]
    assert shelf.sessions("WF-01") == []


def test_units_are_added_all_or_none(shelf: Shelf, start: Start) -> None:
    start(shelf, "WF-02")
    for tags, words in ((["TA-1", "WF-02"], "is a Willow fan"), (["TA-1", "T/A"], "letters")):
        with pytest.raises(InputError, match=words):
            shelf.add_units(tags, "Tide arch", "text")
    assert [unit.tag for unit in shelf.units()] == ["WF-02"]


def test_a_unit_has_the_prop_file_of_its_last_test_or_the_last_of_its_design(
    shelf: Shelf, start: Start, design_text: str
) -> None:
    start(shelf, "WF-02")
    for text in ("first", "second", "first"):
        shelf.add_units([f"WF-1{len(text)}"], "Willow fan", text)
        assert shelf.design_text("WF-15") == text
    assert shelf.design_text("WF-02") == design_text
    with pytest.raises(NameFault):
        shelf.design_text("WF-99")


def test_sessions_of_another_bench_are_imported_all_or_none(shelf: Shelf, design_text: str) -> None:
    unit = Unit("WF-07", "Willow fan", "soldered")
    row = SessionRow("one", "WF-07", design_text, AT, "0.5%+3/6000")
    good, other = Event(1, AT, "note", {"text": "a"}), Event(1, AT, "note", {"text": "b"})
    with pytest.raises(InputError, match="event 1: differs"):
        shelf.import_records([(row, unit, [good]), (row, unit, [other])])
    assert shelf.units() == []
    assert shelf.import_records([(row, unit, [good]), (row, unit, [good])]) == 1
    assert shelf.events("one") == [good]


def test_one_session_id_is_one_session(shelf: Shelf, start: Start, design_text: str) -> None:
    session = start(shelf, "WF-03")
    row = SessionRow(session, "WF-09", design_text, AT, "0.5%+3/6000")
    note = Event(1, AT, "note", {"text": "of the ninth"})
    with pytest.raises(InputError, match="is another session on this bench, of unit WF-03"):
        shelf.import_records([(row, Unit("WF-09", "Willow fan", "bare"), [note])])
    assert shelf.events(session) == []
    assert [unit.tag for unit in shelf.units()] == ["WF-03"]


def test_records_are_in_the_platforms_user_data_folder(monkeypatch: pytest.MonkeyPatch) -> None:
    # XDG Base Directory Specification: $XDG_DATA_HOME holds user-specific data files
    monkeypatch.setenv("XDG_DATA_HOME", "/somewhere")
    assert default_folder() == Path("/somewhere/benchtest")
