"""The published schema says what is exported, as an independent library reads it."""

from __future__ import annotations

import dataclasses
import json
from collections.abc import Callable
from typing import Any

import pytest
from jsonschema import Draft202012Validator

from benchtest.errors import FileFaults
from benchtest.evidence.marks import SEEN
from benchtest.records.exchange import export_lines, import_lines, schema_text
from benchtest.records.shelf import STAGES, Shelf
from benchtest.session.events import (
    Concluded,
    Happening,
    MarkMade,
    NoteMade,
    ReadingTaken,
    RepairDone,
    SignedOff,
    StageSet,
    Undone,
    VerdictGiven,
)
from benchtest.session.live import Session

Begin = Callable[..., Session]

SCHEMA: dict[str, Any] = json.loads(schema_text())
VALID = Draft202012Validator(SCHEMA)

EVERYTHING: list[Happening] = [
    StageSet("soldered"),
    VerdictGiven(1, passed=False, level=0.25),
    MarkMade("1", 1, "5-10", "warm"),
    ReadingTaken("1-3", "4B", 4.1),
    ReadingTaken("all", "main", None, 6.5),
    RepairDone("4A+", "reflowed"),
    NoteMade("rain “all night”"),
    Concluded(0.7, False, [{"where": "4A+", "fault": "open", "probability": 0.1, "ohms": None}]),
    SignedOff("Ada", "looks well"),
]


@pytest.fixture
def line(begin: Begin, shelf: Shelf) -> dict[str, Any]:
    """An exported session with every kind of event."""
    session = begin()
    for what in EVERYTHING:
        session.record(what)
    session.undo()
    shelf.append(session.row.id, "flexed", {"joint": "4A+"}, session.happened[0].at)
    (text,) = export_lines(shelf)
    found: dict[str, Any] = json.loads(text)
    return found


def test_the_schema_is_one() -> None:
    Draft202012Validator.check_schema(SCHEMA)


def test_what_is_exported_fits_the_schema(line: dict[str, Any]) -> None:
    assert {event["kind"] for event in line["events"]} >= {what.kind for what in EVERYTHING}
    assert [fault.message for fault in VALID.iter_errors(line)] == []


@pytest.mark.parametrize(
    "made",
    [
        Concluded, MarkMade, NoteMade, ReadingTaken, RepairDone, SignedOff, StageSet, Undone,
        VerdictGiven,
    ],
)  # fmt: skip
def test_every_event_is_described_field_by_field(made: type[Any]) -> None:
    name = "stage-set" if made is StageSet else made.kind
    described = SCHEMA["$defs"][name]
    slots = dataclasses.fields(made)
    assert set(described["properties"]) == {slot.name for slot in slots}
    needed = {
        slot.name
        for slot in slots
        if slot.default is dataclasses.MISSING and slot.default_factory is dataclasses.MISSING
    }
    assert set(described["required"]) == needed


def test_words_are_those_of_the_program() -> None:
    assert SCHEMA["$defs"]["stage"]["enum"] == list(STAGES)
    assert SCHEMA["$defs"]["mark"]["properties"]["seen"]["enum"] == list(SEEN)


def _without(key: str) -> Callable[[dict[str, Any]], dict[str, Any]]:
    return lambda line: {name: value for name, value in line.items() if name != key}


def _with(**changed: object) -> Callable[[dict[str, Any]], dict[str, Any]]:
    return lambda line: line | changed


BAD = [
    *(_without(key) for key in SCHEMA["required"]),
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


@pytest.mark.parametrize(
    ("kind", "data"),
    [
        ("verdict", {"strand": 0, "passed": True}),
        ("mark", {"lit": "1", "strand": 1, "nodes": "1", "seen": "dimm"}),
        ("reading", {"lit": "1", "probe": "4A", "volts": "4.1"}),
        ("stage", {"stage": "lost"}),
        ("undone", {}),
    ],
)
def test_data_of_a_known_kind_is_described_too(
    line: dict[str, Any], kind: str, data: dict[str, Any]
) -> None:
    event = {"seq": 1, "at": "2026-11-25T18:00:00Z", "kind": kind, "data": data}
    assert not VALID.is_valid(line | {"events": [event]})
    assert VALID.is_valid(line | {"events": [event | {"kind": "of a later version"}]})
