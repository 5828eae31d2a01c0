"""Readers of untrusted octets, and the properties that must hold for any octets.

A target returns whether it accepted the octets. It may raise an error of `errors.py`, whose text is
checked too; any other exception is a defect.
"""

from __future__ import annotations

import json
from dataclasses import replace
from functools import cache
from html.parser import HTMLParser
from xml.etree import ElementTree

import numpy as np

from benchtest.circuit.design_review import review_design
from benchtest.circuit.prediction import predict
from benchtest.cli.report import _file_name
from benchtest.diagnosis import Engine
from benchtest.errors import BenchError, InputError
from benchtest.evidence.marks import parse_marks
from benchtest.evidence.meter import DEFAULT_METER, Meter
from benchtest.evidence.readings import parse_readings
from benchtest.pattern.pattern import Pattern
from benchtest.pattern.reader import parse_pattern
from benchtest.prop.design import Design
from benchtest.prop.joints import find_joint
from benchtest.prop.lit_set import all_lit
from benchtest.prop.notation import parse_probe
from benchtest.prop.reader import parse_design
from benchtest.prop.writer import write_design
from benchtest.records.backup import DATABASE_FILE
from benchtest.records.json_lines import export_lines, import_lines
from benchtest.records.label import LabelContent, label_svg, parse_code
from benchtest.records.models import check_tag
from benchtest.records.report import ReportContent, render_report
from benchtest.records.shelf import Shelf
from benchtest.session.report.export_tables import exported_evidence
from benchtest.session.report.report_content import label_content, report_content
from benchtest.session.session import Session, shelf_rows
from benchtest.wording import finding_json
from tests.fuzz.attempt import Defect, Target, check_words
from tests.fuzz.good import (
    CSV,
    JSON,
    MARKS,
    METER,
    OCTETS,
    OVERRIDES,
    PARTED,
    READINGS,
    SIGNS,
    SMALL_FAN,
    TOML,
    answers,
    made_bench,
    packets,
    record,
    said,
    shipped,
    small_fan,
)
from tests.fuzz.on_the_wire import take_artnet, take_firmware, take_meter, take_packets, take_serial
from tests.fuzz.scratch import fresh
from tests.outside.test_artnet_packets import reply

SMALL_NODES, SMALL_STRANDS = 200, 12
"""Largest design that is also solved; larger ones are only read."""


def _text(octets: bytes) -> str:
    """Decode text as every reader of a file does."""
    try:
        return octets.decode("utf-8-sig")
    except UnicodeDecodeError:
        raise InputError("is not UTF-8 text") from None


# -- prop, catalogue, patterns ----------------------------------------------------------------


def take_prop(octets: bytes) -> bool:
    design = parse_design(_text(octets), "fuzzed.toml")
    if design.node_count > SMALL_NODES or len(design.strands) > SMALL_STRANDS:
        return True
    if parse_design(write_design(design), "written.toml") != design:
        raise Defect("a design that is written is read as another")
    _solve(design)
    return True


def _solve(design: Design) -> None:
    """Check that errors are reported and results are finite numbers."""
    prediction = predict(design, all_lit(design))
    volts = np.array([(row.volts, row.sd) for row in prediction.probes])
    if not np.isfinite(volts).all():
        raise Defect("volts that are no numbers")
    review_design(design)


def take_overrides(octets: bytes) -> bool:
    head, tail = SMALL_FAN.split('kind = "ws2811-5v"\n')
    return take_prop(f"{head}{_text(octets)}\n{tail}".encode())


def take_pattern(octets: bytes) -> bool:
    pattern = parse_pattern("fuzzed", _text(octets), "fuzzed.toml")
    _play(pattern)
    return True


def _play(pattern: Pattern) -> None:
    design = small_fan()
    for number, step in enumerate(pattern.steps(design)):
        if step.duty.shape != (design.node_count, design.node.channels):
            raise Defect("a frame of another shape")
        if not ((step.duty >= 0.0) & (step.duty <= 1.0)).all():
            raise Defect("a level that is none")
        if number > 100:
            return


# -- evidence ---------------------------------------------------------------------------------


def take_readings(octets: bytes) -> bool:
    parse_readings(_text(octets), "fuzzed.csv", small_fan()).good_lines()
    return True


def take_marks(octets: bytes) -> bool:
    parse_marks(_text(octets), "fuzzed.csv", small_fan()).good_lines()
    return True


@cache
def _engine() -> Engine:
    return Engine(small_fan())


def take_evidence(octets: bytes) -> bool:
    """Give readings and marks together, up to the finding as `--json` prints it."""
    first, _, second = octets.partition(PARTED)
    design = small_fan()
    readings, _ = parse_readings(_text(first), "fuzzed.csv", design).good_lines()
    marks = parse_marks(_text(second), "fuzzed.csv", design).good_lines()[0] if second else []
    finding = _engine().diagnose(readings, marks, DEFAULT_METER)
    json.dumps(finding_json(finding, design), allow_nan=False)
    if not 0.0 <= finding.healthy <= 1.0:
        raise Defect(f"healthy with a probability of {finding.healthy}")
    return True


def take_words(octets: bytes) -> bool:
    """Give texts of a command line: probes, joints, meters, codes of labels."""
    text = octets.decode("utf-8", "replace")
    taken = False
    for read in (
        lambda: parse_probe(text, small_fan()),
        lambda: find_joint(text, small_fan()),
        lambda: Meter.parse(text),
        lambda: parse_code(text),
    ):
        try:
            read()
            taken = True
        except BenchError as error:
            check_words(str(error))
    return taken


# -- records ----------------------------------------------------------------------------------


def take_records(octets: bytes) -> bool:
    """Give lines of another bench: imported whole and once, or not at all."""
    lines = _text(octets).split("\n")
    with Shelf(fresh("import")) as shelf:
        try:
            import_lines(shelf, lines, "fuzzed.jsonl")
        except BenchError:
            if shelf.sessions() or shelf.units():
                raise Defect("a file with a fault has left something") from None
            raise
        out = list(export_lines(shelf))
        if import_lines(shelf, out, "again.jsonl").new_events:
            raise Defect("taking its own records again changes a bench")
        for unit in shelf.units():
            _read_unit(shelf, out, unit.tag)
        shelf_rows(shelf)
        if any("was left out by" not in words for words in shelf.beyond_limits()):
            raise Defect("what is beyond the limits was taken")
    return True


def _read_unit(shelf: Shelf, lines: list[str], tag: str) -> None:
    """Check that imported records can be continued, read and labelled without harm."""
    for row in shelf.sessions(tag):
        session = Session.resume(shelf, row.id)
        for words in (row.id, row.meter, *session.state.notes):
            if not str(words).replace("\n", "").isprintable():
                raise Defect(f"{words!r} would reach a terminal")
    try:
        exported_evidence(lines, "again.jsonl", tag)
        ElementTree.fromstring(label_svg(label_content(shelf, tag), (62.0, 29.0)))
    except BenchError as error:
        check_words(str(error))


def take_database(octets: bytes) -> bool:
    """Give a corrupted database file: opened or refused with a message, never half read."""
    folder = fresh("database")
    folder.mkdir()
    (folder / DATABASE_FILE).write_bytes(octets)
    with Shelf(folder) as shelf:
        for row in shelf.sessions():
            shelf.events(row.id)
        shelf.units()
    return True


# -- names ------------------------------------------------------------------------------------


class _Page(HTMLParser):
    tags: set[str]

    def __init__(self, text: str) -> None:
        super().__init__()
        self.tags = set()
        self.feed(text)
        self.close()

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.tags.add(tag)
        if any(name.startswith("on") for name, _ in attrs):
            raise Defect(f"<{tag}> does something")


def take_name(octets: bytes) -> bool:
    """Give a tag and the name of a prop to the shelf, file names and paper."""
    word, _, rest = octets.decode("utf-8", "replace").partition("\n")
    taken = False
    try:
        name = check_tag(word)
        taken = True
        if name in (".", "..") or "/" in name or not name.isprintable():
            raise Defect(f"{name!r} is no file's name")
    except InputError as error:
        check_words(str(error))
    written = json.dumps(rest, ensure_ascii=False)  # nearly TOML's own rules
    design = parse_design(SMALL_FAN.replace('"Small fan"', written), "named.toml")
    file_name = _file_name(design.name)
    if not file_name.strip(".") or {"/", "\\", "\0"} & set(file_name):
        raise Defect(f"{file_name!r} is no file's name")
    if len(f"{file_name}.html".encode()) > 255:
        raise Defect(f"{file_name!r} is too long for a file's name")
    paper = replace(_paper(), tag=word, design=design, signed_by=rest, comment=rest, notes=(rest,))
    page = render_report(paper)
    if _Page(page).tags & {"script", "img", "iframe", "foreignobject", "a"}:
        raise Defect("a name became part of a page")
    if taken:
        label = LabelContent(word, design.name, "bare", "2026-11-25", design.name, True, word)
        ElementTree.fromstring(label_svg(label, (62.0, 29.0)))
    return taken


@cache
def _paper() -> ReportContent:
    """A report with replaced texts, without its plot, which contains none of them."""
    with Shelf(fresh("paper")) as shelf:
        import_lines(shelf, record().split("\n"), "begin")
        session = Session.resume(shelf, shelf.sessions()[0].id)
        return replace(report_content(session), plot=None)


# -- all of them ------------------------------------------------------------------------------


TARGETS: dict[str, Target] = {
    target.name: target
    for target in (
        Target("prop", "prop files, up to predicted volts", take_prop,
               lambda: [SMALL_FAN.encode(), *shipped("benchtest.virtual", ".toml")], TOML),
        Target("overrides", "a node's own figures in a prop file", take_overrides,
               lambda: [OVERRIDES.encode()], TOML),
        Target("pattern", "pattern files, up to their frames", take_pattern,
               lambda: shipped("benchtest.patterns", ".toml"), TOML),
        Target("readings", "readings as CSV", take_readings, lambda: [READINGS.encode()], CSV),
        Target("marks", "marks as CSV", take_marks, lambda: [MARKS.encode()], CSV),
        Target("evidence", "readings and marks, up to a finding", take_evidence,
               lambda: [READINGS.encode() + PARTED + MARKS.encode()], CSV),
        Target("words", "probes, joints, meters, labels' codes", take_words,
               lambda: [b"foot:4+>4A+", b"4A", b"0.5%+3/6000", b"1B~2A-", b"main"], CSV),
        Target("records", "records of another bench", take_records,
               lambda: [record().encode()], JSON),
        Target("database", "the bench's own file", take_database,
               lambda: [made_bench()], (*OCTETS, *SIGNS)),
        Target("name", "tags and names, on paper and as files", take_name,
               lambda: [b"WF-03\nWillow fan", b"..\n<b>&amp;</b>"], SIGNS),
        Target("e131", "E1.31 at the virtual prop and the listener", take_packets, packets,
               OCTETS),
        Target("artnet", "answers of Art-Net controllers", take_artnet, lambda: [reply()], OCTETS),
        Target("serial", "a bridge's octets at our decoder", take_serial, answers, OCTETS),
        Target("meter", "a bench meter's words over SCPI", take_meter, lambda: [METER], CSV),
        Target("firmware", "our octets at the bridge's firmware", take_firmware, said, OCTETS),
    )
}  # fmt: skip
