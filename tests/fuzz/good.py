"""Valid inputs to derive others from, and texts to insert."""

from __future__ import annotations

import json
from functools import cache
from importlib.resources import files

from benchtest.drive.bridge.messages import encode_frame
from benchtest.prop.design import Design
from benchtest.prop.reader import parse_design
from benchtest.records.backup import DATABASE_FILE
from benchtest.records.json_lines import import_lines
from benchtest.records.shelf import Shelf
from tests.fuzz.scratch import fresh

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
METER = b"""\
+4.87100000E+00
RIVERBANK INSTRUMENTS,BM-6,0017,1.04
-113,"Undefined header"
9.9E37
"""
PARTED = b"\n--\n"
"""Separates two files, or two packets, of one input."""
TIME = "2026-11-25T18:00:00.000+00:00"


@cache
def small_fan() -> Design:
    return parse_design(SMALL_FAN, "small-fan.toml")


def made_bench() -> bytes:
    folder = fresh("begin")
    with Shelf(folder) as shelf:
        import_lines(shelf, record().split("\n"), "begin")
    return (folder / DATABASE_FILE).read_bytes()


def record() -> str:
    """Return one session as another bench exports it."""
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


def shipped(package: str, suffix: str) -> list[bytes]:
    return [
        entry.read_bytes()
        for entry in sorted(files(package).iterdir(), key=lambda entry: entry.name)
        if entry.name.endswith(suffix)
    ]


def packets() -> list[bytes]:
    from tests.conftest import _data, _sync

    one = _data(bytes(range(90)), universe=1, sequence=1)
    two = _data(bytes(512), universe=300, priority=200, sequence=2, sync_universe=7)
    end = _data(bytes(90), universe=1, sequence=3, streamTerminated=True)
    return [one, PARTED.join([one, two, _sync(7, 1), end])]


def said() -> list[bytes]:
    hello = encode_frame(bytes([1, 1, 1]))
    wired = encode_frame(bytes([2, 2, 0, 3, 0, 30]))
    runs = encode_frame(bytes([3, 3, 0, 0, 1, 1, 255, 128, 64, 0, 0x0F, 0x0D]))
    show, read, scale = (
        encode_frame(b"\x04\x04"),
        encode_frame(b"\x05\x05\0\x10"),
        encode_frame(b"\x06\x06\0\0\0\x10\0"),
    )
    return [hello + wired + runs, hello + wired + runs + show + read + scale + read]


def answers() -> list[bytes]:
    told = encode_frame(bytes([0x81, 1, 1, 4, 8, 0, 5, 0x78, 0x0F, 0xA0, 4, 200]))
    return [told, told + encode_frame(bytes([0x85, 2, 0, 16, 0, 0, 32, 0, 255, 255, 255, 255]))]


NUMBERS = (
    b"0", b"-1", b"1e308", b"-1e308", b"1e-308", b"nan", b"inf", b"-inf", b"1_000", b"1000000000",
    b"9" * 5000, b"0x" + b"f" * 300, b"0.1", b"true", b"2147483648", b"18446744073709551616",
)  # fmt: skip
SIGNS = (
    b"\0", b"\x1b[2J", b"\xef\xbb\xbf", b"\r\n", b"\xff\xfe", b"\xe2\x80\xae", b"<script>",
    b"../../", b"\xc2\x85", b"\xf0\x9f\x92\xa1", b'"', b"'", b"\\", b"\t",
)  # fmt: skip
TOML = (*NUMBERS, *SIGNS, b"a." * 50, b"[" * 300, b"[[strand]]\n", b"[[feed]]\n", b"[[link]]\n")
CSV = (*NUMBERS, *SIGNS, b",", b"all", b"none", b"1-4", b"4A", b"foot:4+", b"4.10", b">", b"1,5",
       b'"', b'""', b"\n")  # fmt: skip
JSON = (*NUMBERS, *SIGNS, b"NaN", b"Infinity", b"null", b"\\ud800", b"[" * 300, b"{", b'"seq": 2',
        b"[" * 600 + b"]" * 600, b"1e150", b"0001-01-01", b"9999-12-31", b"253402300799999",
        b'{"left_out": true}', b'"kind": "reading"', b'"kind": "finding"',
        b"[@click=app.bell]")  # fmt: skip
OCTETS = (b"\0", b"\xff", b"\x7f\xff", b"\0\0\0\x04", b"\x01", PARTED, bytes(300))
