"""Temporary folders of killed programs, and of programs that still run."""

from __future__ import annotations

import os
import subprocess
import sys
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import pytest

from benchtest.session.temporary_folders import PREFIX, temporary_folder

HOLDS = """
from benchtest.session.temporary_folders import temporary_folder
with temporary_folder() as folder:
    (folder / "prop.toml").write_text("format = 1")
    print(folder, flush=True)
    input()
"""


@contextmanager
def _program() -> Iterator[tuple[subprocess.Popen[str], Path]]:
    with subprocess.Popen(
        [sys.executable, "-c", HOLDS], stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True
    ) as process:
        assert process.stdout is not None
        try:
            yield process, Path(process.stdout.readline().strip())
        finally:
            process.kill()


def test_folders_of_killed_programs_are_removed_and_no_others(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """They used to remain forever."""
    monkeypatch.setenv("TMPDIR", str(tmp_path))
    monkeypatch.setattr("tempfile.tempdir", None)  # so that it is read again
    with _program() as (killed, left), _program() as (_, held):
        killed.kill()
        killed.wait()
        assert (left / "prop.toml").exists()
        young, old = tmp_path / f"{PREFIX}young", tmp_path / f"{PREFIX}old"
        trap = tmp_path / f"{PREFIX}trap"
        for folder in (young, old):
            folder.mkdir()
        trap.symlink_to(young)
        os.utime(old, (0.0, 0.0))
        with temporary_folder() as mine:
            assert {path.name for path in tmp_path.iterdir()} == {
                mine.name, held.name, young.name, trap.name,
            }  # fmt: skip
        assert not mine.exists()
