"""Content of an installation: every room, every data file, and nothing outside the package."""

from __future__ import annotations

import os
import shutil
import subprocess
import sys
import sysconfig
import tomllib
import venv
import zipfile
from pathlib import Path

import pytest

ROOT = Path(__file__).parents[2]
FIRMWARE = ROOT / "hw_notes" / "bridge"
DATA = ("*.toml", "*.tcss", "*.html", "*.sql", "py.typed")


def test_every_room_is_named_in_the_project_file() -> None:
    named = set(
        tomllib.loads((ROOT / "pyproject.toml").read_text())["tool"]["setuptools"]["packages"]
    )
    rooms = {
        ".".join(path.parent.relative_to(ROOT).parts)
        for path in (ROOT / "benchtest").rglob("__init__.py")
    }
    assert named == rooms | {"benchtest.firmware", "benchtest.patterns"}


@pytest.fixture(scope="module")
def built(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Build the source archive, and a wheel from that archive alone; return their folder."""
    folder = tmp_path_factory.mktemp("built")
    source = folder / "source"  # a build leaves files behind
    for name in ("benchtest", "patterns", "hw_notes/bridge"):
        shutil.copytree(ROOT / name, source / name)
    for name in ("pyproject.toml", "README.md"):
        shutil.copy(ROOT / name, source)
    # what builds it is among the test tools, so that no network is needed
    words = [sys.executable, "-m", "build", "--no-isolation", "--outdir", str(folder), str(source)]
    subprocess.run(words, check=True, capture_output=True, timeout=300)
    return folder


def _wheel(built: Path) -> Path:
    (wheel,) = built.glob("*.whl")
    return wheel


def test_a_wheel_has_every_file_and_no_other_top_level_name(built: Path) -> None:
    assert _wheel(built).name.endswith("-py3-none-any.whl")  # no compiler, any system
    held = set(zipfile.ZipFile(_wheel(built)).namelist())
    wanted = {
        str(path.relative_to(ROOT))
        for pattern in ("*.py", *DATA)
        for path in (ROOT / "benchtest").rglob(pattern)
    }
    wanted |= {f"benchtest/patterns/{path.name}" for path in (ROOT / "patterns").glob("*.toml")}
    wanted |= {
        f"benchtest/firmware/{path.relative_to(FIRMWARE)}"
        for path in [*FIRMWARE.glob("*.hex"), *FIRMWARE.glob("micropython/*.py")]
    }
    assert wanted <= held, wanted - held
    assert {name.split("/")[0].split("-")[0] for name in held} == {"benchtest"}


def test_a_fresh_installation_works_outside_the_source(built: Path, tmp_path: Path) -> None:
    """Install into a new environment that borrows only the libraries, so that no network is needed.

    `python tests/bench/install.py` does the same with every Python of this machine, and installs
    the libraries too.
    """
    own = tmp_path / "venv"
    venv.create(own, with_pip=False)
    words = ["--python", str(own), "install", "--quiet", "--no-deps", "--no-index"]
    pip = [sys.executable, "-m", "pip", "--disable-pip-version-check", *words]
    subprocess.run([*pip, str(_wheel(built))], check=True, capture_output=True, timeout=120)
    (packages,) = (own / "lib").glob("python*/site-packages")
    lent = tmp_path / "lent"
    lent.mkdir()
    for path in Path(sysconfig.get_path("purelib")).iterdir():
        if "benchtest" not in path.name and path.suffix != ".pth":
            (lent / path.name).symlink_to(path)
    (packages / "lent.pth").write_text(f"{lent}\n")
    for command in ("new fan.toml --yes", "check fan.toml", "doctor", "completion bash"):
        done = subprocess.run(
            [own / "bin" / "benchtest", *command.split()],
            cwd=tmp_path,
            env={"PATH": os.environ["PATH"], "HOME": str(tmp_path)},
            capture_output=True,
            text=True,
            check=False,
        )
        assert done.returncode == 0, done.stdout + done.stderr
    found = subprocess.run(
        [own / "bin" / "python", "-c", "import benchtest.patterns as p; print(p.__file__)"],
        cwd=tmp_path, capture_output=True, text=True, check=True,
    )  # fmt: skip
    assert Path(found.stdout.strip()).is_relative_to(own)
