"""Commands in adverse conditions: closed or full streams, and existing files."""

from __future__ import annotations

import os
import resource
import subprocess
import sys
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

from benchtest.cli.atomic_write import write_atomic
from benchtest.cli.main import main
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
    """Make a bench with one tested unit."""
    folder = tmp_path / "bench"
    with Shelf(folder) as shelf:
        Session.start(shelf, SMALL_FAN, "WF-03", DEFAULT_METER).record(VerdictGiven(1, True))
    return folder


def _shell(script: str, folder: Path) -> subprocess.CompletedProcess[str]:
    command = ["sh", "-c", script.replace("benchtest", f"{sys.executable} -m benchtest")]
    # the caller's setting would decide whether output fails at once or at the end
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
        ("benchtest new fan.toml <&-", 2, "no answer to"),
        ("benchtest check none.toml 2>/dev/full", 2, ""),
        ("ulimit -f 0; benchtest practice --auto --grade 1", 1, "cannot write temporary files"),
    ],
)
def test_closed_and_full_outputs_are_reported(
    tmp_path: Path, command: str, code: int, words: str
) -> None:
    done = _shell(command, tmp_path)
    assert done.returncode == code
    assert words in done.stderr
    assert "failed" not in done.stderr
    assert "Traceback" not in done.stderr


def test_a_read_only_home_causes_no_message(tmp_path: Path) -> None:
    """As for a service account; a library that keeps a cache there would print a warning."""
    done = _shell("HOME=/proc benchtest doctor --json --bench bench", tmp_path)
    assert '"textual"' in done.stdout
    assert done.stderr == ""


def test_a_failed_write_keeps_the_old_file(tmp_path: Path) -> None:
    """The system limits the file size, which fails a write like a full disk."""
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


def test_a_write_replaces_the_file_behind_a_link(bench: Path, tmp_path: Path, capsys: Said) -> None:
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
def test_records_are_never_overwritten(bench: Path, capsys: Said, command: list[str]) -> None:
    file = bench / DATABASE_FILE
    before = file.read_bytes()
    assert main([*command, "--bench", str(bench), "-o", str(file)]) == 2
    assert "contains the records of a bench" in capsys.readouterr().err
    assert file.read_bytes() == before


@pytest.mark.parametrize(
    ("words", "told"),
    [
        (["shelf", "--bench", ""], "is empty; give a folder"),
        (["shelf", "--bench", "x" * 300], "File name too long"),
        (["shelf", "--bench", "~nobody-of-this-name/x"], "home"),
        (["new", "x" * 300, "--yes"], "File name too long"),
        (["check", "fan.toml", "--celsius", "4,87"], 'write it with a point: "4.87"'),
        (["demo", "--seed", "4,87"], '"4,87" is not a whole number'),
    ],
    ids=lambda value: " ".join(word[:12] for word in value) if isinstance(value, list) else "",
)
def test_a_mistyped_value_is_explained(capsys: Said, words: list[str], told: str) -> None:
    assert main(words) == 2
    assert told in capsys.readouterr().err


def test_a_tilde_is_expanded(
    bench: Path, tmp_path: Path, capsys: Said, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv("HOME", str(tmp_path))
    assert main(["shelf", "--bench=~/bench"]) == 0
    assert "WF-03" in capsys.readouterr().out


def test_control_characters_of_file_names_are_not_printed(
    bench: Path, tmp_path: Path, capsys: Said
) -> None:
    assert main(["export", "--bench", str(bench), "-o", str(tmp_path / "a\x1b[2J.jsonl")]) == 0
    assert capsys.readouterr().out.endswith("a?[2J.jsonl.\n")
    assert main(["doctor", "--bench", str(bench / DATABASE_FILE / "a\x1b[2J")]) == 1
    assert "\x1b" not in capsys.readouterr().out
