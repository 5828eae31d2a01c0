"""The content of a record is limited; a bench with larger records works without their data."""

from __future__ import annotations

import json
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

from benchtest.cli.main import main
from benchtest.errors import FileFaults, InputError
from benchtest.records.json_lines import export_lines, import_lines, schema_text
from benchtest.records.record_limits import (
    MAX_DEPTH,
    MAX_STAMP_MS,
    MAX_TEXT,
    OMITTED_DATA,
    SUSPECT_RANGES,
    VALUE_RANGES,
)
from benchtest.records.shelf import Shelf
from benchtest.session.log.events import _KINDS
from tests.fuzz.good import SMALL_FAN
from tests.held import AT, DEEP, hold_event, hold_session

Start = Callable[..., str]


def _line(**changes: Any) -> str:
    line = {
        "format": 1, "session": "one", "tag": "SF-01", "stage": "bare", "started_at": AT,
        "placed_ms": 1_795_629_600_000, "meter": "0.5%+3/6000", "design": SMALL_FAN, "events": [],
    }  # fmt: skip
    return json.dumps({**line, **changes})


def _event(kind: str, data: dict[str, Any], at: str = AT) -> str:
    return _line(events=[{"seq": 1, "at": at, "kind": kind, "data": data}])


def _nested(depth: int) -> list[Any]:
    inner: list[Any] = []
    for _ in range(depth - 1):
        inner = [inner]
    return inner


READ = {"lit": "all", "probe": "4A"}
FINDING = {"healthy": 0.1, "settled": True}
REFUSED = {
    "600 lists": (_event("note", {"text": _nested(600)}), "event 1: nested more than 16 deep"),
    "lists in a kind of later": (_event("later", {"x": _nested(16)}), "nested more than 16 deep"),
    "lists beside events": (_line(later=_nested(600)), "nested more than 16 deep"),
    "volts": (_event("reading", {**READ, "volts": 1e150}), "reading: volts is 1e+150; give -1000"),
    "volts of many digits": (
        _event("reading", {**READ, "volts": 10**400}), "volts is a number of many digits"
    ),
    "amps": (_event("reading", {**READ, "volts": None, "amps": -1e9}), "amps is -1e+09"),
    "level": (_event("verdict", {"strand": 1, "passed": True, "level": 7}), "level is 7; give 0"),
    "suspect": (
        _event("finding", {**FINDING, "suspects": [{"where": "x", "probability": 1e300}]}),
        "probability is 1e+300",
    ),
    "soak": (_event("soak-begun", {"planned_s": 1e300, "every_s": 60}), "planned_s is 1e+300"),
    "long text": (_event("note", {"text": "x" * MAX_TEXT}), "longer than 100000 characters"),
    "year 1": (_line(started_at="0001-01-01T00:00:00Z"), "between the years 1970 and 2199"),
    "year 9999": (_event("note", {"text": ""}, "9999-12-31T23:59:59Z"), "at is \"9999-12-31"),
    "before 1970": (_line(started_at="1970-01-01T00:00:00+14:00"), "years 1970 and 2199"),
    "place": (_line(placed_ms=253_402_300_799_999), "placed_ms is 253402300799999; give 0"),
    "place below": (_line(placed_ms=-1), "placed_ms is -1; give 0 to"),
}  # fmt: skip


@pytest.mark.parametrize("name", REFUSED)
def test_a_record_outside_the_limits_is_refused_with_a_message(shelf: Shelf, name: str) -> None:
    line, said = REFUSED[name]
    with pytest.raises(FileFaults, match=r"records\.jsonl: line 1: ") as refused:
        import_lines(shelf, [line], "records.jsonl")
    assert said in str(refused.value)
    assert len(str(refused.value)) < 300
    assert shelf.units() == []


def test_a_record_at_the_limits_is_accepted(shelf: Shelf) -> None:
    events = [
        {"seq": 1, "at": "1970-01-01T00:00:00Z", "kind": "later", "data": {"x": _nested(15)}},
        {"seq": 2, "at": "2199-12-31T23:59:59.999Z", "kind": "reading",
         "data": {**READ, "volts": -1000.0}},
        {"seq": 3, "at": AT, "kind": "reading", "data": {**READ, "volts": 1000}},
    ]  # fmt: skip
    import_lines(shelf, [_line(events=events)], "records.jsonl")
    assert [event.data for event in shelf.events("one")] == [row["data"] for row in events]
    assert shelf.beyond_limits() == []


def test_a_place_after_every_start_of_its_unit_is_refused(shelf: Shelf) -> None:
    """Otherwise each later test would be placed further ahead, up to the largest number."""
    start = 1_795_629_600_000
    import_lines(shelf, [_line(placed_ms=start + 1)], "one test, placed just after one before it")
    two = _line(session="two", placed_ms=start + 2, started_at="2026-11-25T17:00:00Z")
    import_lines(shelf, [two], "a clock that was set back")
    with pytest.raises(InputError, match="session three of SF-01: placed_ms is 7258118399999"):
        import_lines(shelf, [_line(session="three", placed_ms=MAX_STAMP_MS)], "far ahead")
    assert [row.id for row in shelf.sessions()] == ["one", "two"]


def test_an_event_of_our_own_outside_the_limits_is_not_stored(shelf: Shelf, start: Start) -> None:
    session = start(shelf)
    for kind, data in (("note", {"text": "x" * MAX_TEXT}), ("check", {"volts": 1e9})):
        with pytest.raises(InputError, match="cannot be stored: "):
            shelf.append(session, kind, data, AT)
    assert shelf.events(session) == []


HELD = {
    "note": (DEEP, f"event 2 (note): nested more than {MAX_DEPTH} deep"),
    "reading": (
        '{"lit": "all", "probe": "4A", "volts": 1e150}',
        "event 3 (reading): volts is 1e+150; give -1000 to 1000",
    ),
    "undone": ('{"seq": [1]}', ""),
}


@pytest.fixture
def held(tmp_path: Path) -> Path:
    """A bench with a healthy unit and a unit whose records are outside the limits in every way."""
    folder = tmp_path / "bench"
    with Shelf(folder) as shelf:
        good = shelf.start_session("SF-01", "Small fan", SMALL_FAN, AT, "0.5%+3/6000")
        shelf.append(good, "verdict", {"strand": 1, "passed": True}, AT)
        for kind, (text, _) in HELD.items():
            hold_event(folder, good, kind, text)
        shelf.append(good, "stage", {"stage": "soldered", "was": "bare"}, AT, "soldered")
        hold_event(folder, good, "note", '{"text": "late"}', "9999-12-31T23:59:59.999Z")
        shelf.append(good, "reading", {**READ, "volts": 4.87}, AT)
    hold_session(folder, "SF-02", "Small fan", SMALL_FAN, "0001-01-01T00:00:00+00:00", 5)
    hold_session(folder, "SF-02", "Small fan", SMALL_FAN, AT, 253_402_300_799_999)
    return folder


def test_a_bench_with_larger_records_opens_and_lists_them(
    held: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    assert main(["shelf", "--bench", str(held)]) == 0
    out, err = capsys.readouterr()
    assert "SF-01" in out
    assert "SF-02" in out
    for said in (
        *(words for _, words in HELD.values()),
        'event 6 (note): its time "9999-12-31T23:59:59.999Z" is not between',
        'SF-02: the start "0001-01-01T00:00:00+00:00" is not between the years 1970 and 2199',
        "SF-02: place 253402300799999 among its tests is out of range",
    ):
        assert said in err
    assert main(["shelf", "--json", "--bench", str(held)]) == 0
    assert len(json.loads(capsys.readouterr().out)["left_out"]) == 5


def test_its_report_shows_what_was_left_out(
    held: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    page = tmp_path / "page.html"
    for tag in ("SF-01", "SF-02"):
        assert main(["report", tag, "-o", str(page), "--bench", str(held)]) == 0
    capsys.readouterr()
    assert main(["report", "SF-01", "-o", str(page), "--bench", str(held)]) == 0
    assert "volts is 1e+150; give -1000 to 1000" in page.read_text("utf-8")
    assert "4.87" in page.read_text("utf-8")


def test_its_export_is_accepted_by_any_bench_and_by_itself(held: Path, tmp_path: Path) -> None:
    with Shelf(held) as shelf, Shelf(tmp_path / "other") as other:
        lines = list(export_lines(shelf))
        assert import_lines(shelf, lines, "its own").new_events == 0
        assert import_lines(other, lines, "of the first").new_sessions == 3
        assert list(export_lines(other)) == lines
        session = shelf.sessions("SF-01")[0].id
        data = [event.data for event in other.events(session)]
        assert data[1] == data[2] == OMITTED_DATA
        assert data[-1] == {**READ, "volts": 4.87}
        assert any("event 3 (reading): was left out by" in words for words in other.beyond_limits())


def test_its_next_tests_are_placed_after_the_earlier_ones(held: Path, tmp_path: Path) -> None:
    with Shelf(held) as shelf, Shelf(tmp_path / "other") as other:
        later = "2026-11-26T18:00:00.000+00:00"
        new = shelf.start_session("SF-02", "Small fan", SMALL_FAN, later, "0.5%+3/6000")
        assert shelf.sessions("SF-02")[-1].id == new
        assert shelf.session(new).placed_ms == 1_795_716_000_000  # `date -d … +%s`
        import_lines(other, export_lines(shelf), "bench")
        assert other.sessions("SF-02")[-1].id == new


def test_the_published_schema_has_the_same_limits() -> None:
    kinds = json.loads(schema_text())["$defs"]
    for kind, ranges in VALUE_RANGES.items():
        assert kind in _KINDS
        fields = kinds[kind]["properties"]
        suspects = fields.get("suspects", {}).get("items", {}).get("properties", {})
        found = [(fields, ranges)] + ([(suspects, SUSPECT_RANGES)] if suspects else [])
        for properties, expected in found:
            for name, (low, high) in expected.items():
                field = properties[name]
                field = kinds[field["$ref"].split("/")[-1]] if "$ref" in field else field
                least = field.get("minimum", field.get("exclusiveMinimum"))
                assert (least, field["maximum"]) == (low, high), (kind, name)
