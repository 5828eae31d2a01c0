"""What takes anybody's octets, and what must hold whatever they are.

A target takes octets and says whether they were taken. It may raise an error of `errors.py`, whose
words are checked too; anything else that comes out of it is a defect.
"""

from __future__ import annotations

import atexit
import json
import os
import shutil
import signal
import sys
import tempfile
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field, replace
from functools import cache
from html.parser import HTMLParser
from importlib.resources import files
from pathlib import Path
from types import FrameType
from uuid import UUID
from xml.etree import ElementTree

import numpy as np
from cobs import cobs

from benchtest.circuit.predict import predict
from benchtest.circuit.review import review
from benchtest.cli.report import _file_name
from benchtest.diagnosis import Engine
from benchtest.drive.bridge.framing import Damaged, Reader, seal
from benchtest.drive.bridge.messages import Board as BoardTold
from benchtest.drive.bridge.messages import Message, Sample
from benchtest.drive.others import Others
from benchtest.errors import BenchError, InputError
from benchtest.evidence.marks import parse_marks
from benchtest.evidence.meter import DEFAULT_METER, Meter
from benchtest.evidence.reading import parse_readings
from benchtest.pattern.pattern import Pattern
from benchtest.pattern.reader import parse_pattern
from benchtest.prop.design import Design
from benchtest.prop.lit import everything
from benchtest.prop.names import joint_by_name, parse_probe
from benchtest.prop.reader import parse_design
from benchtest.prop.writer import write_design
from benchtest.records.backup import FILE
from benchtest.records.exchange import export_lines, import_lines
from benchtest.records.label import LabelContent, label_svg, read_code
from benchtest.records.report import ReportContent, render_report
from benchtest.records.shelf import Shelf, check_tag
from benchtest.session.exported import exported_evidence
from benchtest.session.live import Session
from benchtest.session.summary import label_content, report_content
from benchtest.virtual.controller import Controller
from tests.fuzz import board

MOST_S = 5.0
"""Processor time that one input of a few kilobytes may take, on a busy machine too. [s]"""
MOST_MIB = 128
"""Memory that one input may take beside what is there before. [MiB]"""
LONGEST_WORDS = 20_000
SMALL_NODES, SMALL_STRANDS = 200, 12
"""Designs that are also solved; larger ones are only read."""

SMALL_FAN = """\
format = 1
name = "Small fan"
[node]
kind = "ws2811-5v"
[[strand]]
count = 4
nodes = 10
pitch_mm = 30.0
lead_mm = [60.0, 60.0]
wire = "22 AWG"
[data]
path = "zigzag"
[[bus]]
name = "foot"
joins = "A"
copper = { weight_oz = 2.0, width_mm = 8.0 }
spacing_mm = 40.0
[[bus]]
name = "crown"
joins = "B"
wire = "18 AWG"
spacing_mm = 40.0
ring = true
[[link]]
from = "1B"
to = "2A"
length_mm = 50.0
rails = "-"
[[feed]]
name = "main"
at = "foot:1"
volts = 5.0
wire = "16 AWG"
length_mm = 1500.0
fuse_a = 7.5
supply_a = 20.0
[output]
universe = 1
channel = 1
"""
OVERRIDES = """\
kind = "ws2811-5v"
colour_order = "GRB"
channel_ma = 12.0
quiescent_ma = 0.8
volts = 5.0
lowest_v = 4.5
most_v = 5.5
logic_v = 3.0
backup_data = true
full_v = { red = 2.65, green = 3.75, blue = 3.75 }
dark_v = { red = 1.65, green = 2.75, blue = 2.75 }
"""
READINGS = """\
lit,probe,volts,amps,level,colour,meter,at
all,4A,4.871,,,,,
all,foot:4+>4A+,0.0312,,1.0,white,0.5%+3/6000,2026-11-25T18:00:00+00:00
1-3,main,,0.98,0.5,red,,
"""
MARKS = """\
lit,strand,nodes,seen,level,colour,at
all,4,all,ok,,,
all,4,7-9,dark,1.0,white,
2,2,3,wrong-colour,0.25,blue,
none,1,1,stuck,,,
"""
PARTED = b"\n--\n"
"""Parts two files, or two packets, of one input."""
TIME = "2026-11-25T18:00:00.000+00:00"


@dataclass(frozen=True)
class Target:
    """Something that takes octets from outside."""

    name: str
    what: str
    take: Callable[[bytes], bool]
    begin: Callable[[], list[bytes]]
    """Good inputs that others are made from."""
    words: tuple[bytes, ...] = ()
    """What mutations put in."""


class Defect(AssertionError):
    """What must not come of any input."""


def attempt(target: Target, octets: bytes) -> bool:
    """Give an input to a target: whether it was taken.

    Raises:
        Defect: a foreign exception, words that hurt a terminal, too much time or memory.
    """
    of = f"{target.name}: {len(octets)} octets"
    before_kib = _peak_kib(afresh=True)
    try:
        with _no_longer_than(MOST_S):
            taken = target.take(octets)
    except _TooLong:
        raise Defect(f"{of} take more than {MOST_S:g} s") from None
    except BenchError as error:
        taken = False
        _check_words(str(error))
    except Defect:
        raise
    except Exception as error:
        raise Defect(f"{target.name}: {type(error).__name__}: {error}") from error
    if (took_mib := (_peak_kib() - before_kib) / 1024) > MOST_MIB:
        raise Defect(f"{of} take {took_mib:.0f} MiB")
    return taken


class _TooLong(BaseException):
    """No exception that anybody passes over."""


@contextmanager
def _no_longer_than(seconds: float) -> Iterator[None]:
    """Break off what runs on, so that a test of it fails instead of waiting for ever."""

    def stop(number: int, frame: FrameType | None) -> None:
        raise _TooLong

    before = signal.signal(signal.SIGPROF, stop)
    signal.setitimer(signal.ITIMER_PROF, seconds, 0.5)  # again, where a finalizer had it
    try:
        yield
    finally:
        signal.setitimer(signal.ITIMER_PROF, 0.0)
        signal.signal(signal.SIGPROF, before)


def _peak_kib(afresh: bool = False) -> int:
    """The most memory that this process had since it was last asked afresh. [KiB]

    Source: Linux, Documentation/filesystems/proc.rst, `clear_refs` and `VmHWM`.
    """
    if sys.platform != "linux":
        return 0
    if afresh:
        Path("/proc/self/clear_refs").write_text("5", "ascii")
    status = Path("/proc/self/status").read_text("ascii")
    return int(status.partition("VmHWM:")[2].split(maxsplit=1)[0])


def _check_words(words: str) -> None:
    if not words.strip() or len(words) > LONGEST_WORDS:
        raise Defect(f"an error of {len(words)} characters: {words[:200]!r}")
    if bad := {sign for sign in words if not (sign.isprintable() or sign == "\n")}:
        raise Defect(f"an error with the signs {sorted(bad)!r}: {words[:200]!r}")


def _text(octets: bytes) -> str:
    """As every reader of a file takes it."""
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
    """What cannot be solved must be said; what is said must be numbers."""
    prediction = predict(design, everything(design))
    volts = np.array([(row.volts, row.sd) for row in prediction.probes])
    if not np.isfinite(volts).all():
        raise Defect("volts that are no numbers")
    review(design)


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


@cache
def small_fan() -> Design:
    return parse_design(SMALL_FAN, "small-fan.toml")


@cache
def _engine() -> Engine:
    return Engine(small_fan())


# -- evidence ---------------------------------------------------------------------------------


def take_readings(octets: bytes) -> bool:
    parsed = parse_readings(_text(octets), "fuzzed.csv", small_fan())
    parsed.all_or_error()
    return True


def take_marks(octets: bytes) -> bool:
    parsed = parse_marks(_text(octets), "fuzzed.csv", small_fan())
    parsed.all_or_error()
    return True


def take_evidence(octets: bytes) -> bool:
    """Readings and marks together, up to the finding as `--json` prints it."""
    first, _, second = octets.partition(PARTED)
    design = small_fan()
    readings, _ = parse_readings(_text(first), "fuzzed.csv", design).good_lines()
    marks = parse_marks(_text(second), "fuzzed.csv", design).good_lines()[0] if second else []
    finding = _engine().diagnose(readings, marks, DEFAULT_METER)
    json.dumps(finding.as_json(design), allow_nan=False)
    if not 0.0 <= finding.healthy <= 1.0:
        raise Defect(f"healthy with a probability of {finding.healthy}")
    return True


def take_words(octets: bytes) -> bool:
    """Words of a command line: probes, joints, meters, codes of labels."""
    text = octets.decode("utf-8", "replace")
    taken = False
    for read in (
        lambda: parse_probe(text, small_fan()),
        lambda: joint_by_name(text, small_fan()),
        lambda: Meter.parse(text),
        lambda: read_code(text),
    ):
        try:
            read()
            taken = True
        except BenchError as error:
            _check_words(str(error))
    return taken


# -- records ----------------------------------------------------------------------------------


SCRATCH = "FUZZ_SCRATCH"
"""Names the folder of a process that may end without cleaning up."""


def in_memory() -> Path | None:
    """Where a file is in memory; None where the machine has no such place."""
    shared = Path("/dev/shm")
    return shared if shared.is_dir() else None


@cache
def _scratch() -> Path:
    """A folder in memory, where the machine has one: what is asked here is not of the disk."""
    if given := os.environ.get(SCRATCH):
        return Path(given)
    folder = Path(tempfile.mkdtemp(prefix="fuzz-", dir=in_memory()))
    atexit.register(shutil.rmtree, folder, ignore_errors=True)
    return folder


def _fresh(name: str) -> Path:
    folder = _scratch() / name
    shutil.rmtree(folder, ignore_errors=True)
    return folder


def take_records(octets: bytes) -> bool:
    """Lines of another bench: taken whole and the same again, or not at all."""
    lines = _text(octets).split("\n")
    with Shelf(_fresh("import")) as shelf:
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
    return True


def _read_unit(shelf: Shelf, lines: list[str], tag: str) -> None:
    """What came in can be gone on with, read and labelled; no word in it moves a terminal."""
    for row in shelf.sessions(tag):
        session = Session.resume(shelf, row.id)
        for words in (row.id, row.meter, *session.state.notes):
            if not str(words).replace("\n", "").isprintable():
                raise Defect(f"{words!r} would reach a terminal")
    try:
        exported_evidence(lines, "again.jsonl", tag)
        ElementTree.fromstring(label_svg(label_content(shelf, tag), (62.0, 29.0)))
    except BenchError as error:
        _check_words(str(error))


def take_database(octets: bytes) -> bool:
    """The bench's own file, spoilt in any way: opened, or refused with words; never half read."""
    folder = _fresh("database")
    folder.mkdir()
    (folder / FILE).write_bytes(octets)
    with Shelf(folder) as shelf:
        for row in shelf.sessions():
            shelf.events(row.id)
        shelf.units()
    return True


def _made_bench() -> bytes:
    folder = _fresh("begin")
    with Shelf(folder) as shelf:
        import_lines(shelf, _record().split("\n"), "begin")
    return (folder / FILE).read_bytes()


def _record() -> str:
    """One session as another bench exports it."""
    happened = [
        ("verdict", {"strand": 1, "passed": True, "level": 0.25}),
        ("mark", {"lit": "all", "strand": 4, "nodes": "7-9", "seen": "dark"}),
        ("reading", {"lit": "all", "probe": "4A", "volts": 4.871}),
        ("reading", {"lit": "1-3", "probe": "main", "volts": None, "amps": 0.98}),
        ("repair", {"where": "4A+", "what": "reflowed"}),
        ("note", {"text": "by the window"}),
        ("stage", {"stage": "soldered", "was": "bare"}),
        ("soak-begun", {"planned_s": 3600.0, "every_s": 600.0}),
        ("soak-seen", {"done_s": 600.0, "steady": True}),
        ("undone", {"seq": 6}),
        ("signed-off", {"by": "R", "comment": "good"}),
    ]
    events = [
        {"seq": seq, "at": TIME, "kind": kind, "data": data}
        for seq, (kind, data) in enumerate(happened, 1)
    ]
    line = {
        "format": 1,
        "session": "3f2b8e1c-0000-4000-8000-000000000001",
        "tag": "WF-03",
        "stage": "soldered",
        "started_at": TIME,
        "placed_ms": 1_795_629_600_000,
        "meter": "0.5%+3/6000",
        "design": SMALL_FAN,
        "events": events,
    }
    return json.dumps(line) + "\n"


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
    """A tag and the name of a prop, on the shelf, in a file's name and on paper."""
    word, _, rest = octets.decode("utf-8", "replace").partition("\n")
    taken = False
    try:
        name = check_tag(word)
        taken = True
        if name in (".", "..") or "/" in name or not name.isprintable():
            raise Defect(f"{name!r} is no file's name")
    except InputError as error:
        _check_words(str(error))
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
    """A report whose words are replaced, without its plot, which has none of them."""
    with Shelf(_fresh("paper")) as shelf:
        import_lines(shelf, _record().split("\n"), "begin")
        session = Session.resume(shelf, shelf.sessions()[0].id)
        return replace(report_content(session), plot=None)


# -- packets and the serial line --------------------------------------------------------------


def take_packets(octets: bytes) -> bool:
    """E1.31 at the virtual prop and at the listener."""
    controller = Controller.of([1, 2, 300])
    others = Others([1, 2, 300], UUID(int=1), 100)
    taken = False
    for number, packet in enumerate(octets.split(PARTED)):
        now_s = number * 0.7
        taken |= controller.take(packet, now_s)
        others.hear(packet, ("127.0.0.1", 5000 + number % 7), {5000}, now_s)
        controller.tick(now_s)
        for slots in controller.slots().values():
            if len(slots) > 512:
                raise Defect("more than 512 slots")
        for name, _ in controller.sources():
            if not name.isprintable():
                raise Defect(f"a source named {name!r}")
        for other in others.present(now_s):
            _check_words(str(other))
    return taken


def take_serial(octets: bytes) -> bool:
    """What a board says, at our decoder; the package cobs, by somebody else, agrees."""
    bodies = Reader().feed(octets)
    if bodies != _by_another(octets):
        raise Defect("another decoder finds other messages")
    for body in bodies:
        try:
            message = Message.read(body)
        except Damaged:
            continue
        for read in (BoardTold.read, Sample.read):
            try:
                told = read(message.said)
            except Damaged:
                continue
            if isinstance(told, Sample) and not 0.0 <= told.counts <= 2**32:
                raise Defect("counts that are none")
    return bool(bodies)


def _by_another(octets: bytes) -> list[bytes]:
    from binascii import crc_hqx

    found = []
    for piece in octets.split(b"\0")[:-1]:
        if not piece or len(piece) > 512:
            continue
        try:
            data = cobs.decode(piece)
        except cobs.DecodeError:
            continue
        if len(data) >= 2 and crc_hqx(data, 0xFFFF) == 0:
            found.append(data[:-2])
    return found


@cache
def _board() -> board.Board:
    program = _scratch() / "board"
    board.build(program)
    made = board.Board(program)
    atexit.register(made.close)
    return made


def take_firmware(octets: bytes) -> bool:
    """What we say, at the board's decoder: it finds what ours finds, and answers well."""
    octets = octets[:60_000]
    messages, answers = _board().hear(octets)
    ours = [body for body in Reader().feed(octets) if 2 <= len(body) <= 200]
    if messages != ours:
        raise Defect(f"the board finds {len(messages)} messages and we {len(ours)}")
    reader = Reader()
    answered = reader.feed(answers)
    if reader.damaged or len(answered) != len(messages):
        raise Defect(f"{len(answered)} answers to {len(messages)} messages")
    return bool(messages)


# -- all of them ------------------------------------------------------------------------------


def _shipped(package: str, suffix: str) -> list[bytes]:
    return [
        entry.read_bytes()
        for entry in sorted(files(package).iterdir(), key=lambda entry: entry.name)
        if entry.name.endswith(suffix)
    ]


def _packets() -> list[bytes]:
    from tests.conftest import _data, _sync

    one = _data(bytes(range(90)), universe=1, sequence=1)
    two = _data(bytes(512), universe=300, priority=200, sequence=2, sync_universe=7)
    end = _data(bytes(90), universe=1, sequence=3, streamTerminated=True)
    return [one, PARTED.join([one, two, _sync(7, 1), end])]


def _said() -> list[bytes]:
    hello = seal(bytes([1, 1, 1]))
    wired = seal(bytes([2, 2, 0, 3, 0, 30]))
    runs = seal(bytes([3, 3, 0, 0, 1, 1, 255, 128, 64, 0, 0x0F, 0x0D]))
    show, read, scale = seal(b"\x04\x04"), seal(b"\x05\x05\0\x10"), seal(b"\x06\x06\0\0\0\x10\0")
    return [hello + wired + runs, hello + wired + runs + show + read + scale + read]


def _answers() -> list[bytes]:
    told = seal(bytes([0x81, 1, 1, 4, 8, 0, 5, 0x78, 0x0F, 0xA0, 4, 200]))
    return [told, told + seal(bytes([0x85, 2, 0, 16, 0, 0, 32, 0, 255, 255, 255, 255]))]


NUMBERS = (
    b"0", b"-1", b"1e308", b"-1e308", b"1e-308", b"nan", b"inf", b"-inf", b"1_000", b"1000000000",
    b"9" * 5000, b"0x" + b"f" * 300, b"0.1", b"true", b"2147483648", b"18446744073709551616",
)  # fmt: skip
SIGNS = (
    b"\0", b"\x1b[2J", b"\xef\xbb\xbf", b"\r\n", b"\xff\xfe", b"\xe2\x80\xae", b"<script>",
    b"../../", b"\xc2\x85", b"\xf0\x9f\x92\xa1", b'"', b"'", b"\\", b"\t",
)  # fmt: skip
TOML = (*NUMBERS, *SIGNS, b"a." * 50, b"[" * 300, b"[[strand]]\n", b"[[feed]]\n", b"[[link]]\n")
CSV = (*NUMBERS, *SIGNS, b",", b"all", b"none", b"1-4", b"4A", b"foot:4+", b"4.10", b">", b"1,5")
JSON = (*NUMBERS, *SIGNS, b"NaN", b"Infinity", b"null", b"\\ud800", b"[" * 300, b"{", b'"seq": 2')
OCTETS = (b"\0", b"\xff", b"\x7f\xff", b"\0\0\0\x04", b"\x01", PARTED, bytes(300))

TARGETS: dict[str, Target] = {
    target.name: target
    for target in (
        Target("prop", "prop files, up to predicted volts", take_prop,
               lambda: [SMALL_FAN.encode(), *_shipped("benchtest.virtual", ".toml")], TOML),
        Target("overrides", "a node's own figures in a prop file", take_overrides,
               lambda: [OVERRIDES.encode()], TOML),
        Target("pattern", "pattern files, up to their frames", take_pattern,
               lambda: _shipped("benchtest.patterns", ".toml"), TOML),
        Target("readings", "readings as CSV", take_readings, lambda: [READINGS.encode()], CSV),
        Target("marks", "marks as CSV", take_marks, lambda: [MARKS.encode()], CSV),
        Target("evidence", "readings and marks, up to a finding", take_evidence,
               lambda: [READINGS.encode() + PARTED + MARKS.encode()], CSV),
        Target("words", "probes, joints, meters, labels' codes", take_words,
               lambda: [b"foot:4+>4A+", b"4A", b"0.5%+3/6000", b"1B~2A-", b"main"], CSV),
        Target("records", "records of another bench", take_records,
               lambda: [_record().encode()], JSON),
        Target("database", "the bench's own file", take_database,
               lambda: [_made_bench()], (*OCTETS, *SIGNS)),
        Target("name", "tags and names, on paper and as files", take_name,
               lambda: [b"WF-03\nWillow fan", b"..\n<b>&amp;</b>"], SIGNS),
        Target("e131", "E1.31 at the virtual prop and the listener", take_packets, _packets,
               OCTETS),
        Target("serial", "a bridge's octets at our decoder", take_serial, _answers, OCTETS),
        Target("firmware", "our octets at the bridge's firmware", take_firmware, _said, OCTETS),
    )
}  # fmt: skip


@dataclass
class Counts:
    """What came of a run."""

    tried: int = 0
    taken: int = 0
    defects: list[str] = field(default_factory=list)
