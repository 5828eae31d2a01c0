"""The shell as a hurried or unlucky person uses it: streams closed or full, files in the way."""

from __future__ import annotations

import os
import resource
import subprocess
import sys
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

from benchtest.cli import main
from benchtest.cli.atomic_write import write_atomic
from benchtest.errors import RecordsFault
from benchtest.evidence.meter import DEFAULT_METER
from benchtest.records.backup import DATABASE_FILE
from benchtest.records.shelf import Shelf
from benchtest.session.log.events import VerdictGiven
from benchtest.session.session import Session
from tests.props import SMALL_FAN

Run = Callable[..., Any]
Said = pytest.CaptureFixture[str]


@pytest.fixture
def bench(tmp_path: Path) -> Path:
    """A bench with one tested unit."""
    folder = tmp_path / "bench"
    with Shelf(folder) as shelf:
        Session.start(shelf, SMALL_FAN, "WF-03", DEFAULT_METER).record(VerdictGiven(1, True))
    return folder


def _shell(script: str, folder: Path) -> subprocess.CompletedProcess[str]:
    command = ["sh", "-c", script.replace("benchtest", f"{sys.executable} -m benchtest")]
    # the caller's own choice would decide whether an answer fails at once or at the end
    clean = {name: value for name, value in os.environ.items() if name != "PYTHONUNBUFFERED"}
    return subprocess.run(
        command, cwd=folder, env=clean, capture_output=True, encoding="utf-8", timeout=60,
        check=False,
    )  # fmt: skip


@pytest.mark.parametrize(
    ("command", "code", "words"),
    [
        ("benchtest export --schema >/dev/full", 1, "standard output: cannot be written: No space"),
        ("PYTHONUNBUFFERED=1 benchtest --version >/dev/full", 1, "written: No space"),
        ("benchtest --version >&-", 1, "standard output: cannot be written: Bad file"),
        ("benchtest completion bash <&- >&- 2>&-", 1, ""),
        ("benchtest new fan.toml <&-", 2, "nobody answers"),
        ("benchtest check none.toml 2>/dev/full", 2, ""),
        ("ulimit -f 0; benchtest practice --auto --grade 1", 1, "temporary files cannot be kept"),
    ],
)
def test_what_is_closed_or_full_is_said(
    tmp_path: Path, command: str, code: int, words: str
) -> None:
    done = _shell(command, tmp_path)
    assert done.returncode == code
    assert words in done.stderr
    assert "failed" not in done.stderr
    assert "Traceback" not in done.stderr


def test_a_home_that_cannot_be_written_is_no_news(tmp_path: Path) -> None:
    """As of a user that only runs services; a library that keeps its fonts there would say so."""
    done = _shell("HOME=/proc MPLCONFIGDIR= benchtest doctor --json --bench bench", tmp_path)
    assert '"matplotlib"' in done.stdout
    assert done.stderr == ""


def test_a_disk_that_refuses_leaves_what_was_there_before(tmp_path: Path) -> None:
    """The system cuts a write short, as a full disk does."""
    file = tmp_path / "all.jsonl"
    file.write_text("before", encoding="utf-8")
    limits = resource.getrlimit(resource.RLIMIT_FSIZE)
    resource.setrlimit(resource.RLIMIT_FSIZE, (8192, limits[1]))
    try:
        with pytest.raises(RecordsFault, match=r"all\.jsonl: cannot be written: File too large"):
            write_atomic(file, bytes(20_000))
    finally:
        resource.setrlimit(resource.RLIMIT_FSIZE, limits)
    assert file.read_text("utf-8") == "before"
    assert list(tmp_path.iterdir()) == [file]


def test_what_is_written_takes_the_place_of_a_file_and_goes_where_a_link_leads(
    bench: Path, tmp_path: Path, capsys: Said
) -> None:
    before, link = tmp_path / "before.jsonl", tmp_path / "link.jsonl"
    before.write_text("older and longer than nothing", encoding="utf-8")
    before.chmod(0o640)
    link.symlink_to(before.name)
    assert main(["export", "--bench", str(bench), "-o", str(link)]) == 0
    assert link.is_symlink()
    assert before.read_text("utf-8").count("\n") == 1
    assert before.stat().st_mode & 0o777 == 0o640
    assert main(["export", "--bench", str(bench), "-o", os.devnull]) == 0
    assert sorted(path.name for path in tmp_path.iterdir()) == [
        "before.jsonl", "bench", "link.jsonl"
    ]  # fmt: skip


@pytest.mark.parametrize("command", [["export"], ["report", "WF-03"]], ids=lambda words: words[0])
def test_nothing_is_written_over_records(bench: Path, capsys: Said, command: list[str]) -> None:
    file = bench / DATABASE_FILE
    before = file.read_bytes()
    assert main([*command, "--bench", str(bench), "-o", str(file)]) == 2
    assert "holds the records of a bench" in capsys.readouterr().err
    assert file.read_bytes() == before


@pytest.mark.parametrize(
    ("words", "told"),
    [
        (["shelf", "--bench", ""], "is empty; give a folder"),
        (["shelf", "--bench", "x" * 300], "File name too long"),
        (["shelf", "--bench", "~nobody-of-this-name/x"], "home"),
        (["new", "x" * 300, "--yes"], "File name too long"),
        (["check", "fan.toml", "--celsius", "4,87"], 'with a point it is "4.87"'),
        (["demo", "--seed", "4,87"], '"4,87" is no whole number'),
    ],
    ids=lambda value: " ".join(word[:12] for word in value) if isinstance(value, list) else "",
)
def test_a_slip_is_said_in_words(capsys: Said, words: list[str], told: str) -> None:
    assert main(words) == 2
    assert told in capsys.readouterr().err


def test_a_home_is_found_where_the_shell_does_not(
    bench: Path, tmp_path: Path, capsys: Said, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv("HOME", str(tmp_path))
    assert main(["shelf", "--bench=~/bench"]) == 0
    assert "WF-03" in capsys.readouterr().out


def test_a_name_of_a_file_orders_no_terminal_about(
    bench: Path, tmp_path: Path, capsys: Said
) -> None:
    assert main(["export", "--bench", str(bench), "-o", str(tmp_path / "a\x1b[2J.jsonl")]) == 0
    assert capsys.readouterr().out.endswith("a?[2J.jsonl.\n")
    assert main(["doctor", "--bench", str(bench / DATABASE_FILE / "a\x1b[2J")]) == 1
    assert "\x1b" not in capsys.readouterr().out
