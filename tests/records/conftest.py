"""A bench folder with one session, on a real disk."""

from __future__ import annotations

import subprocess
import sys
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from importlib.resources import files
from pathlib import Path

import pytest

from benchtest.records.shelf import Shelf

AT = "2026-11-25T18:00:00.000+00:00"


@pytest.fixture(scope="session")
def design_text() -> str:
    """Prop file of the Willow fan."""
    return files("benchtest.virtual").joinpath("willow-fan.toml").read_text("utf-8")


@pytest.fixture
def shelf(tmp_path: Path) -> Iterator[Shelf]:
    """An empty shelf."""
    with Shelf(tmp_path / "bench") as opened:
        yield opened


@pytest.fixture
def start(design_text: str) -> Callable[..., str]:
    """Starts a session of a unit on a shelf; returns its id."""

    def begin(shelf: Shelf, tag: str = "WF-03", at: str = AT) -> str:
        return shelf.start_session(tag, "Willow fan", design_text, at, "0.5%+3/6000")

    return begin


@contextmanager
def small_disk(folder: Path, options: str) -> Iterator[bool]:
    """A file system of its own; says whether this machine lets us have one."""
    folder.mkdir(exist_ok=True)
    mounted = (
        sys.platform == "linux"
        and subprocess.run(
            ["mount", "-t", "tmpfs", "-o", options, "tmpfs", str(folder)],
            capture_output=True,
            check=False,
        ).returncode
        == 0
    )
    try:
        yield mounted
    finally:
        if mounted:
            subprocess.run(["umount", "-l", str(folder)], check=True)
