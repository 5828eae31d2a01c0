"""Records move between benches: complete, unchanged, or not at all."""

from __future__ import annotations

import json
from collections.abc import Callable, Iterator
from pathlib import Path
from tempfile import TemporaryDirectory
from typing import Any

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from benchtest.errors import FileFaults, InputError
from benchtest.records.json_lines import MAX_LINE_FAULTS, ImportResult, export_lines, import_lines
from benchtest.records.models import Stage
from benchtest.records.shelf import Shelf

AT = "2026-11-25T18:00:00.000+00:00"
Start = Callable[..., str]


@pytest.fixture
def other(tmp_path: Path) -> Iterator[Shelf]:
    """Open another bench."""
    with Shelf(tmp_path / "other") as opened:
        yield opened


@pytest.fixture
def line(shelf: Shelf, start: Start) -> dict[str, Any]:
    """Return an exported session of two events, as JSON."""
    session = start(shelf)
    shelf.append(session, "verdict", {"strand": 1, "passed": True}, AT)
    shelf.append(session, "note", {"text": "rain"}, AT)
    (text,) = export_lines(shelf)
    found: dict[str, Any] = json.loads(text)
    return found


def _take(shelf: Shelf, *lines: dict[str, Any]) -> ImportResult:
    return import_lines(shelf, [json.dumps(line) for line in lines], "records.jsonl")


def test_a_session_is_one_complete_line(line: dict[str, Any], design_text: str) -> None:
    assert line.pop("session")
    assert line == {
        "format": 1,
        "tag": "WF-03",
        "stage": "bare",
        "started_at": AT,
        "placed_ms": 1795629600000,  # 25 November 2026, 18:00 UTC, by `date -d … +%s`
        "meter": "0.5%+3/6000",
        "design": design_text,
        "events": [
            {"seq": 1, "at": AT, "kind": "verdict", "data": {"strand": 1, "passed": True}},
            {"seq": 2, "at": AT, "kind": "note", "data": {"text": "rain"}},
        ],
    }


_JSON = st.recursive(
    st.none()
    | st.booleans()
    | st.integers(-(2**63), 2**63)
    | st.floats(allow_nan=False, allow_infinity=False)
    | st.text(st.characters(exclude_categories=["Cs"])),
    lambda inner: st.lists(inner) | st.dictionaries(st.text("abc\n\x00é"), inner),
    max_leaves=8,
)


@given(data=st.dictionaries(st.text("xyz \t’"), _JSON))
@settings(
    suppress_health_check=[HealthCheck.function_scoped_fixture], max_examples=25, deadline=None
)
def test_any_event_arrives_unchanged(tmp_path: Path, start: Start, data: dict[str, Any]) -> None:
    with (
        TemporaryDirectory(dir=tmp_path) as folder,
        Shelf(Path(folder) / "one") as shelf,
        Shelf(Path(folder) / "other") as other,
    ):
        session = start(shelf)
        shelf.append(session, "of a later version", data, AT)
        lines = list(export_lines(shelf))
        assert all(text.isascii() and "\n" not in text for text in lines)
        import_lines(other, lines, "records.jsonl")
        assert other.events(session) == shelf.events(session)
        assert other.session(session) == shelf.session(session)
        assert import_lines(other, lines, "records.jsonl").new_events == 0


def test_empty_lines_are_ignored(other: Shelf, line: dict[str, Any]) -> None:
    taken = import_lines(other, ["\n", json.dumps(line) + "\n", " \n"], "records.jsonl")
    assert taken == ImportResult(1, 1, 2, new_units=1)


@pytest.mark.parametrize(
    ("spoil", "said"),
    [
        (lambda text: text.replace('"passed": true', '"passed": NaN'), "infinite"),
        (lambda text: text.replace('"strand": 1', '"strand": 1e999'), "infinite"),
        (lambda text: text.replace('"rain"', '"\\ud800"'), "half a character"),
        (lambda text: text.replace("WF-03", "../../etc"), "etc"),
        (lambda text: text.replace("WF-03", "WF-03\\n"), "WF-03"),
        (lambda text: text[:-20], "not JSON"),
        (lambda text: "[" * 100_000, "not JSON"),
        (lambda text: text.replace('"seq": 2', '"seq": 1'), "numbered"),
        (lambda text: text.replace('"seq": 2', '"seq": "2"'), "no number"),
        (lambda text: text.replace(AT, "this evening"), "date, time and offset"),
        (lambda text: text.replace(AT, "2026-11-25T18:00:00"), "date, time and offset"),
        (lambda text: text.replace(AT, "2026-02-30T18:00:00Z"), "date, time and offset"),
        (lambda text: text.replace("1795629600000", "1.5"), "placed_ms"),
        (lambda text: text.replace("1795629600000", "true"), "placed_ms"),
        (lambda text: text.replace("1795629600000", "1" + "0" * 30), "placed_ms"),
    ],
)
def test_an_invalid_line_is_reported_and_nothing_is_imported(
    other: Shelf, line: dict[str, Any], spoil: Callable[[str], str], said: str
) -> None:
    good = json.dumps(line)
    with pytest.raises(FileFaults, match=r"records\.jsonl: line 2: ") as refused:
        import_lines(other, [good, spoil(good)], "records.jsonl")
    assert said in str(refused.value)
    assert other.units() == []


def test_the_faults_of_another_format_are_limited(other: Shelf) -> None:
    with pytest.raises(FileFaults) as refused:
        import_lines(other, ["noise"] * 1000, "noise.txt")
    assert len(refused.value.faults) == MAX_LINE_FAULTS


def test_two_histories_in_one_file_are_not_imported_in_part(
    other: Shelf, line: dict[str, Any]
) -> None:
    changed = json.loads(json.dumps(line))
    changed["events"][0]["data"]["passed"] = False
    with pytest.raises(InputError, match="event 1: differs"):
        _take(other, line, changed)
    assert other.units() == []


def test_a_session_continued_on_two_benches_does_not_block_the_others(
    shelf: Shelf, other: Shelf, start: Start
) -> None:
    shared = start(shelf)
    import_lines(other, export_lines(shelf), "first")
    for bench, words in ((shelf, "here"), (other, "there")):
        bench.append(shared, "note", {"text": words}, AT)
    later = start(shelf, "WF-04")
    with pytest.raises(InputError, match=r"event 1: differs .*--leave-differing"):
        import_lines(other, export_lines(shelf), "second")
    assert [unit.tag for unit in other.units()] == ["WF-03"]
    taken = import_lines(other, export_lines(shelf), "second", leave_differing=True)
    assert (taken.sessions, taken.new_sessions, taken.new_events) == (2, 1, 0)
    assert [words.partition(":")[0] for words in taken.left_out] == [
        f"session {shared} of WF-03, event 1"
    ]
    assert other.events(shared)[0].data == {"text": "there"}
    assert other.sessions("WF-04")[0].id == later


def test_a_session_id_of_another_unit_is_refused(other: Shelf, line: dict[str, Any]) -> None:
    _take(other, line)
    with pytest.raises(InputError, match="of unit WF-03"):
        _take(other, {**line, "tag": "WF-08"})
    assert [unit.tag for unit in other.units()] == ["WF-03"]


def test_lines_of_earlier_versions_without_a_place_are_imported(other: Shelf) -> None:
    """The form of version 1 of the records."""
    old = (Path(__file__).parent / "golden" / "format-1-without-place.jsonl").read_text("utf-8")
    assert import_lines(other, old.splitlines(), "old.jsonl") == ImportResult(2, 2, 16, new_units=1)
    again = [json.loads(text) for text in export_lines(other)]
    assert [one.pop("placed_ms") for one in again] == [1793642407000, 1794252607000]
    assert again == [json.loads(text) for text in old.splitlines()]
    assert import_lines(other, old.splitlines(), "old.jsonl").new_events == 0


_ACTS = st.lists(
    st.tuples(
        st.sampled_from("ab"),  # which bench
        st.sampled_from(["WF-03", "WF-04", "WF-05"]),
        st.integers(0, 3),  # hours by the clock, which may be set back
        st.sampled_from(
            ["bare", "soldered", "sealed", "outdoors", "back", "undo", "note", "merge", "new"]
        ),
    ),
    max_size=12,
)


@given(acts=_ACTS)
@settings(
    suppress_health_check=[HealthCheck.function_scoped_fixture], max_examples=15, deadline=None
)
def test_two_benches_that_test_one_batch_end_up_equal(
    tmp_path: Path, start: Start, design_text: str, acts: list[tuple[str, str, int, str]]
) -> None:
    with (
        TemporaryDirectory(dir=tmp_path) as folder,
        Shelf(Path(folder) / "a") as a,
        Shelf(Path(folder) / "b") as b,
    ):
        benches = {"a": a, "b": b}
        for whose, tag, hour, what in acts:
            beside = benches["b" if whose == "a" else "a"]
            _act(benches[whose], beside, start, design_text, tag, hour, what)
        import_lines(a, export_lines(b), "b")
        import_lines(b, export_lines(a), "a")
        assert list(export_lines(a)) == list(export_lines(b))
        assert a.units() == b.units()
        for bench, lines in ((a, export_lines(b)), (b, export_lines(a))):
            taken = import_lines(bench, lines, "again")
            assert (taken.new_events, taken.new_units) == (0, 0)


def _act(
    bench: Shelf, other: Shelf, start: Start, design_text: str, tag: str, hour: int, what: str
) -> None:
    if what == "merge":
        import_lines(bench, export_lines(other), "the other")
        return
    if what == "new":
        bench.add_units([tag], "Willow fan", design_text)
        return
    session = start(bench, tag, f"2026-11-25T{hour:02}:00:00.000+00:00")
    assert (
        bench.sessions(tag)[-1].id == session
    )  # the session started last is the last, by any clock
    if what == "note":
        bench.append(session, "note", {"text": "x"}, AT)
        return
    stage: Stage = "sealed" if what == "undo" else what  # type: ignore[assignment]
    was = bench.unit(tag).stage
    bench.append(session, "stage", {"stage": stage, "was": was}, AT, stage)
    if what == "undo":
        bench.append(session, "undone", {"seq": 1}, AT, was)


def test_a_newer_stage_moves_the_unit_and_an_older_one_does_not(
    shelf: Shelf, other: Shelf, start: Start
) -> None:
    session = start(shelf)
    old = list(export_lines(shelf))
    import_lines(other, old, "old")
    sealed: Stage = "sealed"
    shelf.append(session, "stage", {"stage": sealed}, AT, sealed)
    import_lines(other, export_lines(shelf), "new")
    assert other.unit("WF-03").stage == "sealed"
    import_lines(other, old, "old")
    assert other.unit("WF-03").stage == "sealed"


def test_units_without_a_session_are_exported_too(
    shelf: Shelf, other: Shelf, start: Start, design_text: str
) -> None:
    start(shelf)
    shelf.add_units(["WF-03", "WF-06", "WF-07"], "Willow fan", design_text)
    lines = list(export_lines(shelf))
    assert [json.loads(text).get("session") is None for text in lines] == [False, True, True]
    taken = import_lines(other, lines, "batch")
    assert (taken.sessions, taken.new_sessions, taken.new_units) == (1, 1, 3)
    assert other.units() == shelf.units()
    assert other.design_text("WF-07") == design_text
    assert list(export_lines(other)) == lines
    assert import_lines(other, lines, "batch") == ImportResult(1, 0, 0)
    assert list(export_lines(other)) == lines
    assert len(list(export_lines(shelf, "WF-06"))) == 1


def test_another_bench_does_not_change_the_design_of_untested_units(
    shelf: Shelf, other: Shelf, design_text: str
) -> None:
    theirs = design_text.replace("nodes = 30", "nodes = 31")
    shelf.add_units(["WF-06"], "Willow fan", design_text)
    other.add_units(["WF-06", "WF-07"], "Willow fan", theirs)
    import_lines(shelf, export_lines(other), "other")
    assert [unit.tag for unit in shelf.units()] == ["WF-06", "WF-07"]
    assert shelf.design_text("WF-06") == shelf.design_text("WF-07") == design_text


def test_an_untested_unit_of_another_design_under_a_tag_is_refused(
    shelf: Shelf, other: Shelf, design_text: str
) -> None:
    shelf.add_units(["WF-06"], "Willow fan", design_text)
    arch = design_text.replace("Willow fan", "Tide arch")
    other.add_units(["WF-06", "WF-08"], "Tide arch", arch)
    with pytest.raises(InputError, match="is a Willow fan here and a Tide arch in the file"):
        import_lines(shelf, export_lines(other), "other")
    assert [unit.tag for unit in shelf.units()] == ["WF-06"]
