"""The published schema describes the export, by an independent validator."""

from __future__ import annotations

import dataclasses
import json
from collections.abc import Callable
from pathlib import Path
from typing import Any, get_args

import pytest
from jsonschema import Draft202012Validator

from benchtest.errors import FileFaults
from benchtest.evidence.marks import SEEN
from benchtest.evidence.meter import DEFAULT_METER
from benchtest.records.json_lines import export_lines, import_lines, schema_text
from benchtest.records.models import STAGES
from benchtest.records.shelf import Shelf
from benchtest.session.log.events import (
    CHECKS,
    CheckMade,
    ColourSeen,
    Concluded,
    ControllerSeen,
    FirstLight,
    MarkMade,
    NoteMade,
    NotTaken,
    PartSeen,
    PictureSeen,
    ReadingTaken,
    Renamed,
    RepairDone,
    Retired,
    SessionEvent,
    SignedOff,
    SoakBegun,
    SoakSeen,
    SoakStopped,
    StageSet,
    Struck,
    Unknown,
    VerdictGiven,
    Wiggled,
)
from benchtest.session.session import Session

SCHEMA: dict[str, Any] = json.loads(schema_text())
VALID = Draft202012Validator(SCHEMA)
GOLDEN = Path(__file__).parent / "golden"

EVERYTHING: list[SessionEvent] = [
    StageSet("soldered"),
    VerdictGiven(1, passed=False, level=0.25),
    MarkMade("1", 1, "5-10", "warm"),
    ReadingTaken("1-3", "4B", 4.1),
    ReadingTaken("all", "main", None, 6.5),
    ReadingTaken("all", "foot:4", 4.9, source="bridge on /dev/ttyACM0", meter="0.5%+2/1000"),
    ReadingTaken("all", "4B", 4.86, again=4, decimals=3),
    Struck(5),
    NotTaken("all", "foot:4+>4A+"),
    RepairDone("4A+", "reflowed"),
    NoteMade("rain “all night”"),
    CheckMade("rails", "main", True, ohm=4700.0),
    CheckMade("fuse", "main", None),
    CheckMade("supply", "main", False, volts=5.4),
    CheckMade("supply", "main", True, volts=4.9, lit="1-3"),
    FirstLight(passed=True),
    ColourSeen("red", right=False),
    ColourSeen("red", right=True, strand=2, level=0.25),
    PictureSeen(as_drawn=True),
    PictureSeen(as_drawn=False, lit="1-3"),
    ControllerSeen(True),
    ControllerSeen(None),
    ControllerSeen(False, ["controller slots=512,packed=true"]),
    PartSeen(1, 5, right=False, strand=1),
    PartSeen(1, 20, right=True),
    Wiggled("4A", steady=False),
    SoakBegun(7200.0, 900.0, 0.5),
    SoakSeen(900.5, steady=True),
    SoakStopped(1800.0, over=False),
    SoakStopped(7200.0),
    Renamed("WF-13"),
    Retired(True, "scrapped"),
    Concluded(0.7, False, [{"where": "4A+", "fault": "open", "probability": 0.1, "ohms": None}]),
    SignedOff("Ada", "looks well"),
]


@pytest.fixture(scope="module")
def line(tmp_path_factory: pytest.TempPathFactory, design_text: str) -> dict[str, Any]:
    """An exported session with every kind of event, and with one of a later version."""
    with Shelf(tmp_path_factory.mktemp("bench")) as shelf:
        session = Session.start(shelf, design_text, "WF-03", DEFAULT_METER)
        for what in EVERYTHING:
            session.record(what)
        session.undo()
        shelf.append(session.row.id, "flexed", {"joint": "4A+"}, session.events[0].at)
        (text,) = export_lines(shelf)
    found: dict[str, Any] = json.loads(text)
    return found


def test_the_schema_is_valid() -> None:
    Draft202012Validator.check_schema(SCHEMA)


def test_an_export_with_every_kind_of_event_is_valid(line: dict[str, Any]) -> None:
    assert {event["kind"] for event in line["events"]} == {made.kind for made in KINDS} | {"flexed"}
    assert [fault.message for fault in VALID.iter_errors(line)] == []


KINDS: list[type[Any]] = [made for made in get_args(SessionEvent) if made is not Unknown]


def _form(made: type[Any]) -> dict[str, Any]:
    name = "stage-set" if made is StageSet else made.kind
    form: dict[str, Any] = SCHEMA["$defs"][name]
    return form


@pytest.mark.parametrize("made", KINDS)
def test_every_event_is_described_field_by_field(made: type[Any]) -> None:
    described = _form(made)
    slots = dataclasses.fields(made)
    assert set(described["properties"]) == {slot.name for slot in slots}
    needed = {
        slot.name
        for slot in slots
        if slot.default is dataclasses.MISSING and slot.default_factory is dataclasses.MISSING
    }
    assert set(described["required"]) == needed


def test_a_unit_without_a_session_fits_the_schema(shelf: Shelf, design_text: str) -> None:
    shelf.add_units(["WF-06"], "Small fan", design_text)
    (text,) = export_lines(shelf)
    assert sorted(json.loads(text)) == ["design", "format", "stage", "tag"]
    assert VALID.is_valid(json.loads(text))


def test_words_are_those_of_the_program() -> None:
    assert SCHEMA["$defs"]["stage"]["enum"] == list(STAGES)
    assert SCHEMA["$defs"]["mark"]["properties"]["seen"]["enum"] == list(SEEN)


def _without(key: str) -> Callable[[dict[str, Any]], dict[str, Any]]:
    return lambda line: {name: value for name, value in line.items() if name != key}


def _with(**changed: object) -> Callable[[dict[str, Any]], dict[str, Any]]:
    return lambda line: line | changed


BAD = [
    *(_without(key) for key in (*SCHEMA["required"], *SCHEMA["then"]["required"])),
    _with(format=2),
    _with(session=""),
    _with(tag="../etc"),
    _with(stage="lost"),
    _with(started_at="this evening"),
    _with(placed_ms=1.5),
    _with(placed_ms=10**18),
    _with(meter=6000),
    _with(events={}),
    _with(events=[{"seq": 1, "at": "2026-11-25T18:00:00Z", "kind": "note"}]),
    _with(events=[{"seq": "1", "at": "2026-11-25T18:00:00Z", "kind": "note", "data": {}}]),
    _with(events=[{"seq": 1, "at": "18:00", "kind": "note", "data": {"text": "x"}}]),
]


@pytest.mark.parametrize("spoil", BAD)
def test_schema_and_import_refuse_the_same_lines(
    line: dict[str, Any], shelf: Shelf, spoil: Callable[[dict[str, Any]], dict[str, Any]]
) -> None:
    bad = spoil(line)
    assert not VALID.is_valid(bad)
    with pytest.raises(FileFaults):
        import_lines(shelf, [json.dumps(bad)], "bad.jsonl")


def _with_event(line: dict[str, Any], kind: str, data: object) -> dict[str, Any]:
    event = {"seq": 1, "at": "2026-11-25T18:00:00Z", "kind": kind, "data": data}
    return line | {"events": [event]}


@pytest.mark.parametrize("made", KINDS)
def test_a_missing_or_invalid_field_of_any_kind_is_refused(
    line: dict[str, Any], made: type[Any]
) -> None:
    """Only that field makes the line invalid; with an unknown kind the same data are valid."""
    data = next(event["data"] for event in line["events"] if event["kind"] == made.kind)
    assert VALID.is_valid(_with_event(line, made.kind, data))
    for name in _form(made)["required"]:
        less = {other: value for other, value in data.items() if other != name}
        assert not VALID.is_valid(_with_event(line, made.kind, less)), name
    for name in _form(made)["properties"]:
        wrong = data | {name: {"no": "such thing"}}
        assert not VALID.is_valid(_with_event(line, made.kind, wrong)), name
        assert VALID.is_valid(_with_event(line, "of a later version", wrong))


@pytest.mark.parametrize(
    ("kind", "data"),
    [
        ("verdict", {"strand": 0, "passed": True}),
        ("mark", {"lit": "1", "strand": 1, "nodes": "1", "seen": "dimm"}),
        ("stage", {"stage": "lost"}),
        ("check", {"check": "smell", "feed": "main", "passed": True}),
        ("first-light", {"passed": True, "level": 1.5}),
        ("part", {"first": 0, "last": 4, "right": True}),
        ("soak-begun", {"planned_s": 0, "every_s": 60}),
        ("soak-seen", {"done_s": -1, "steady": True}),
    ],
)
def test_words_and_figures_that_no_event_has_are_refused(
    line: dict[str, Any], kind: str, data: dict[str, Any]
) -> None:
    assert not VALID.is_valid(_with_event(line, kind, data))


def test_words_of_checks_are_those_of_the_program() -> None:
    assert SCHEMA["$defs"]["check"]["properties"]["check"]["enum"] == list(CHECKS)


@pytest.mark.parametrize("file", sorted(GOLDEN.glob("*.jsonl")), ids=lambda file: file.stem)
def test_records_of_earlier_versions_fit_the_schema(file: Path) -> None:
    for text in file.read_text("utf-8").splitlines():
        assert [fault.message for fault in VALID.iter_errors(json.loads(text))] == []
