"""Excessive sizes are refused quickly and in little memory."""

from __future__ import annotations

import subprocess
import sys
import time
import tracemalloc
from pathlib import Path

import pytest

from benchtest.errors import BenchError, FileFaults, InputError
from benchtest.evidence.marks import parse_marks
from benchtest.evidence.readings import parse_readings, read_readings
from benchtest.prop.reader import parse_design, read_design
from tests.fuzz.good import SMALL_FAN, small_fan

MOST_S, MOST_MIB = 5.0, 120
MANY = SMALL_FAN.replace("count = 4", "count = 1000")
LARGE = {
    "tables of strands": MANY
    + '[[strand]]\ncount=1000\nnodes=1\npitch_mm=1\nwire="22 AWG"\n' * 999,
    "links of links": MANY + '[[link]]\nfollow="data"\n' * 2000,
    "buses of buses": MANY
    + '[[bus]]\nname="b"\njoins="A"\nwire="18 AWG"\nspacing_mm=1\n' * 900,
    "unknown keys": "".join(f"a{number}=1\n" for number in range(20_000)) + SMALL_FAN,
    "ends": SMALL_FAN.replace('"A"', "[" + '"x",' * 100_000 + "]"),
    "a path": SMALL_FAN.replace('"zigzag"', "[" + '"1A",' * 100_000 + "]"),
    "a million octets": SMALL_FAN + "#" * 1_000_000,
}  # fmt: skip


@pytest.mark.parametrize("case", LARGE)
def test_a_prop_file_that_expands_is_refused_quickly(case: str) -> None:
    start_s = time.process_time()
    tracemalloc.start()
    try:
        with pytest.raises(FileFaults) as caught:
            parse_design(LARGE[case], "swollen.toml")
        peak = tracemalloc.get_traced_memory()[1]
    finally:
        tracemalloc.stop()
    assert time.process_time() - start_s < MOST_S
    assert peak < MOST_MIB << 20
    assert len(str(caught.value)) < 20_000


def test_a_table_of_too_many_rows_is_refused_quickly() -> None:
    start_s = time.process_time()
    rows = "lit,probe,volts\n" + "all,4X,1\n" * 300_000
    with pytest.raises(FileFaults, match="more than 20000 rows"):
        parse_readings(rows, "r.csv", small_fan()).good_lines()
    marks = "lit,strand,nodes,seen\n" + "all,4,1-9,dark\nall,4,1-8,warm\n" * 5_000
    with pytest.raises(FileFaults, match=r"node 4\.1, .* marked dark and warm"):
        parse_marks(marks, "m.csv", small_fan()).good_lines()
    assert time.process_time() - start_s < MOST_S


def test_an_endless_file_is_read_only_up_to_the_limit() -> None:
    endless = Path("/dev/zero")
    with pytest.raises(InputError, match="larger than 1 MB"):
        read_design(endless)
    with pytest.raises(InputError, match="larger than 10 MB"):
        read_readings(endless, small_fan())


def test_a_link_to_itself_and_an_endless_name_are_reported(tmp_path: Path) -> None:
    loop = tmp_path / "loop.toml"
    loop.symlink_to(loop)
    for path in (loop, tmp_path / ("x" * 5000), tmp_path / "a\0b"):
        with pytest.raises(BenchError, match=r"cannot be read|no such file"):
            read_design(path)


def test_a_pipe_is_read_like_a_file(tmp_path: Path) -> None:
    (tmp_path / "fan.toml").write_text(SMALL_FAN, encoding="utf-8")
    words = f"{sys.executable} -m benchtest check <(cat {tmp_path}/fan.toml)"
    done = subprocess.run(["bash", "-c", words], capture_output=True, text=True, check=False)
    assert done.returncode == 0, done.stderr
    assert "Small fan" in done.stdout


def test_no_text_of_a_file_controls_the_terminal(
    tmp_path: Path, capfd: pytest.CaptureFixture[str]
) -> None:
    from benchtest.cli.main import main

    folder = tmp_path / "\x1b]0;title\x07"
    folder.mkdir()
    (folder / "fan.toml").write_text(SMALL_FAN, encoding="utf-8")
    (folder / "r.csv").write_text("lit,probe,volts\n\x1b[2J,4A,1\n", encoding="utf-8")
    assert main(["check", str(folder / "none.toml")]) == 2
    assert main(["diagnose", str(folder / "fan.toml"), "--readings", str(folder / "r.csv")]) == 2
    assert "\x1b" not in "".join(capfd.readouterr())
