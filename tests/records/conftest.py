"""A bench folder with one session, on a real disk."""

from __future__ import annotations

import os
import shutil
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
    """Open an empty shelf."""
    with Shelf(tmp_path / "bench") as opened:
        yield opened


@pytest.fixture
def start(design_text: str) -> Callable[..., str]:
    """Return a function that starts a session of a unit and returns its id."""

    def begin(shelf: Shelf, tag: str = "WF-03", at: str = AT) -> str:
        return shelf.start_session(tag, "Willow fan", design_text, at, "0.5%+3/6000")

    return begin


AS_ROOT = ["sudo", "-n"] if os.geteuid() != 0 and shutil.which("sudo") else []


@contextmanager
def small_disk(folder: Path, options: str) -> Iterator[bool]:
    """Give a folder a file system of its own; yield whether this machine allows that."""
    folder.mkdir(exist_ok=True)
    mounted = not _mount(folder, "-t", "tmpfs", "-o", f"uid={os.geteuid()},{options}", "tmpfs")
    try:
        yield mounted
    finally:
        if mounted:
            subprocess.run([*AS_ROOT, "umount", "-l", str(folder)], check=True)


@contextmanager
def lockable_folder(folder: Path) -> Iterator[Callable[[], None]]:
    """Make a folder; yield a function that makes it and its present contents read-only.

    It has a file system of its own. If none may be mounted, permissions are enough for an ordinary
    user; root may write in any case, so the test fails then.
    """
    with small_disk(folder, "size=8m") as mounted:
        if not mounted and os.geteuid() == 0:
            why = _mount(folder, "-t", "tmpfs", "tmpfs")
            pytest.fail(
                f"No folder can be made read-only for root here ({why}). Allow mount(2) "
                "(CAP_SYS_ADMIN), or run the tests as an ordinary user."
            )

        def lock() -> None:
            if mounted:
                why = _mount(folder, "-o", "remount,ro")
                assert why == "", why
                return
            for path in (folder, *folder.rglob("*")):
                path.chmod(0o500 if path.is_dir() else 0o400)

        try:
            yield lock
        finally:
            if not mounted:
                for path in (folder, *folder.rglob("*")):
                    path.chmod(0o700)


def _mount(folder: Path, *words: str) -> str:
    """Mount onto a folder; return why that failed, or an empty text."""
    if sys.platform != "linux":
        return "only Linux mounts a tmpfs"
    done = subprocess.run(
        [*AS_ROOT, "mount", *words, str(folder)], capture_output=True, text=True, check=False
    )
    return "" if done.returncode == 0 else done.stderr.partition("\n")[0] or "mount failed"
