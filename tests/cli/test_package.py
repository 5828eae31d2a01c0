"""What an installation holds: every room, every data file, and nothing beside the package."""

from __future__ import annotations

import shutil
import subprocess
import sys
import tomllib
import zipfile
from pathlib import Path

ROOT = Path(__file__).parents[2]
DATA = ("*.toml", "*.tcss", "*.html", "*.sql", "py.typed")


def test_every_room_is_named_in_the_project_file() -> None:
    named = set(
        tomllib.loads((ROOT / "pyproject.toml").read_text())["tool"]["setuptools"]["packages"]
    )
    rooms = {
        ".".join(path.parent.relative_to(ROOT).parts)
        for path in (ROOT / "benchtest").rglob("__init__.py")
    }
    assert named == rooms | {"benchtest.patterns"}


def test_a_wheel_holds_every_file_and_no_other_top_level_name(tmp_path: Path) -> None:
    source = tmp_path / "source"  # a build leaves files behind
    for name in ("benchtest", "patterns"):
        shutil.copytree(ROOT / name, source / name)
    for name in ("pyproject.toml", "README.md"):
        shutil.copy(ROOT / name, source)
    words = [sys.executable, "-m", "pip", "wheel", "--quiet", "--no-deps", "-w", str(tmp_path)]
    subprocess.run([*words, str(source)], check=True, capture_output=True, timeout=300)
    (wheel,) = tmp_path.glob("*.whl")
    held = set(zipfile.ZipFile(wheel).namelist())
    wanted = {
        str(path.relative_to(ROOT))
        for pattern in ("*.py", *DATA)
        for path in (ROOT / "benchtest").rglob(pattern)
    }
    wanted |= {f"benchtest/patterns/{path.name}" for path in (ROOT / "patterns").glob("*.toml")}
    assert wanted <= held, wanted - held
    assert {name.split("/")[0].split("-")[0] for name in held} == {"benchtest"}
