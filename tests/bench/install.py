"""Fresh installations of benchtest on every supported Python of this machine, with a trial run.

    python -m tests.bench.install [PYTHON ...]    also these, which are not found by themselves

By hand, since the libraries are installed again for each; without a compiler. Pythons are looked
for on PATH, in /usr/bin and under ~/.pyenv. On the first one also: the source archive, the oldest
libraries that `pyproject.toml` allows, an upgrade from version 0.1.0 with its records, and what
`uv tool` and `pipx` install where they are found. Ends with 1 if one of them fails.
"""

from __future__ import annotations

import json
import os
import re
import shutil
import subprocess
import sys
import tarfile
import tempfile
import time
import tomllib
from collections.abc import Callable, Iterator
from functools import partial
from io import BytesIO
from pathlib import Path

from tests.bench.figures import note
from tests.bench.figures import run as run_bench

ROOT = Path(__file__).parents[2]

Words = list[str | Path]
LEAST = (3, 11)
OLD, NEW = "0.1.0", "0.2.0"
MAX_MB = 250.0
COMMANDS = (
    "--version",
    "--help",
    "new fan.toml --yes --units WF-01..WF-03",
    "check fan.toml",
    "predict fan.toml",
    "diagnose fan.toml",
    "shelf",
    "doctor",
    "completion bash",
    "demo --auto",
)
ASK = "import sys, ensurepip; print(*sys.version_info[:3], sys.base_prefix)"


def pythons() -> Iterator[tuple[str, Path]]:
    """Yield each supported Python once, as its version and its program."""
    folders = [*map(Path, os.get_exec_path()), Path("/usr/bin")]
    folders += sorted((Path.home() / ".pyenv" / "versions").glob("*/bin"))
    found = [one for folder in folders for one in sorted(folder.glob("python3.*"))]
    programs = [one for one in found if one.name.removeprefix("python3.").isdigit()]
    seen = set()
    for program in [*programs, *map(Path, sys.argv[1:])]:
        done = subprocess.run([program, "-c", ASK], capture_output=True, text=True, check=False)
        *numbers, prefix = done.stdout.split() or ["0", ""]
        if tuple(map(int, numbers)) >= LEAST and prefix not in seen:
            seen.add(prefix)
            yield ".".join(numbers), program


def build(source: Path, folder: Path) -> tuple[Path, Path]:
    """Build the source archive and the wheel that is made of it; return both."""
    words: Words = [sys.executable, "-m", "build", "--no-isolation", "--outdir", folder, source]
    run(words, folder)
    (archive,), (wheel,) = folder.glob("*.tar.gz"), folder.glob("*.whl")
    return archive, wheel


def copy_here(source: Path) -> Path:
    """Copy what an archive is built of, since a build leaves files behind."""
    for name in ("benchtest", "patterns", "hw_notes/bridge"):
        shutil.copytree(ROOT / name, source / name)
    for name in ("pyproject.toml", "README.md"):
        shutil.copy(ROOT / name, source)
    return source


def old_version(source: Path) -> Path:
    """Check out the last commit of the earlier version."""
    search = f'-Sversion = "{NEW}"'
    words = ["git", "log", "-1", "--format=%H^", search, "--", "pyproject.toml"]
    before = subprocess.run(words, cwd=ROOT, capture_output=True, text=True, check=True)
    words = ["git", "archive", before.stdout.strip()]
    packed = subprocess.run(words, cwd=ROOT, capture_output=True, check=True)
    with tarfile.open(fileobj=BytesIO(packed.stdout)) as archive:
        archive.extractall(source, filter="data")
    return source


def oldest() -> str:
    """Return constraints with the lower bound of each library."""
    project = tomllib.loads((ROOT / "pyproject.toml").read_text("utf-8"))["project"]
    return "\n".join(
        re.sub(r">=([\w.]+).*", r"==\1", requirement) for requirement in project["dependencies"]
    )


def environment(python: Path, folder: Path) -> Path:
    """Make an environment; return the folder of its programs."""
    run([python, "-m", "venv", folder / "venv"], folder)
    return folder / "venv" / "bin"


def install(programs: Path, *words: str | Path) -> None:
    """Install with pip, without a compiler."""
    run([programs / "pip", "install", "--quiet", *words], programs.parent.parent)


def try_commands(program: Path, folder: Path) -> str:
    """Run commands with an installed program."""
    for command in COMMANDS:
        run([program, *command.split()], folder)
    return f"works, {len(COMMANDS)} commands"


def fresh(python: Path, archive: Path, folder: Path) -> str:
    """Install an archive with its libraries, and run commands."""
    programs = environment(python, folder)
    bare = _octets(folder)
    install(programs, archive)
    size_mb = (_octets(folder) - bare) / 1e6
    if archive.suffix == ".whl":
        rest_mb = size_mb - sum(_octets(one) for one in _numeric(folder)) / 1e6
        note(f"{python.name}: without numpy and SciPy", rest_mb, "MB")
    return f"{try_commands(programs / 'benchtest', folder)}, {size_mb:.0f} MB"


def _numeric(folder: Path) -> Iterator[Path]:
    """Yield the folders of numpy and SciPy."""
    for packages in folder.glob("venv/lib/python*/site-packages"):
        yield from packages.glob("numpy*")
        yield from packages.glob("scipy*")


def with_oldest(python: Path, archive: Path, folder: Path) -> str:
    """Install the oldest libraries that are allowed."""
    programs = environment(python, folder)
    (folder / "oldest.txt").write_text(oldest(), encoding="utf-8")
    install(programs, "--constraint", folder / "oldest.txt", archive)
    return try_commands(programs / "benchtest", folder)


def upgraded(python: Path, archive: Path, folder: Path) -> str:
    """Keep records with the earlier version, install this one, and read them."""
    programs = environment(python, folder)
    (folder / "old").mkdir()
    (folder / "built").mkdir()
    install(programs, build(old_version(folder / "old"), folder / "built")[1])
    bench: Words = [programs / "benchtest", "--bench", folder / "bench"]
    demo: Words = [programs / "benchtest", "--bench", folder / "bench" / "demo"]
    run([*bench, "new", "fan.toml", "--yes", "--units", "WF-01..WF-07"], folder)
    run([*bench, "demo", "--auto"], folder)
    found = []
    for version in (OLD, NEW):
        if version == NEW:
            install(programs, archive)
        assert version in run([*bench, "--version"], folder)
        kept = [json.loads(run([*one, "shelf", "--json"], folder)) for one in (bench, demo)]
        tags = [[unit["tag"] for unit in one["units"]] for one in kept]
        run([*demo, "export", "-o", f"{version}.jsonl"], folder)
        lines = (folder / f"{version}.jsonl").read_text("utf-8").splitlines()
        sessions = [json.loads(line) for line in lines]
        found.append((tags, [event for one in sessions for event in one.get("events", [])]))
        run([*demo, "report", "WF-01", "-o", f"{version}.html"], folder)
    assert found[0] == found[1], "the records are not the same"
    run([programs / "benchtest", "--bench", "other", "import", f"{OLD}.jsonl"], folder)
    return f"works, {len(found[1][1])} events unchanged"


def as_tool(name: str, python: Path, archive: Path, folder: Path) -> str:
    """Install as a tool of its own by `uv` or `pipx`."""
    places = {
        "UV_TOOL_DIR": folder / "tools", "UV_TOOL_BIN_DIR": folder / "bin",
        "PIPX_HOME": folder / "tools", "PIPX_BIN_DIR": folder / "bin",
    }  # fmt: skip
    words: Words = ["uv", "tool"] if name == "uv tool" else ["pipx"]
    run([*words, "install", "--python", python, archive], folder, places)
    size_mb = _octets(folder / "tools") / 1e6
    return f"{try_commands(folder / 'bin' / 'benchtest', folder)}, {size_mb:.0f} MB"


def _octets(folder: Path) -> int:
    return sum(path.lstat().st_size for path in folder.rglob("*") if not path.is_dir())


def run(words: Words, folder: Path, more: dict[str, Path] | None = None) -> str:
    """Run a command in a folder, without this environment; raise its output if it fails."""
    own = {k: v for k, v in os.environ.items() if not k.startswith(("PYTHON", "VIRTUAL"))}
    own |= {"XDG_DATA_HOME": str(folder / "data"), "CC": "/bin/false", "CXX": "/bin/false"}
    own |= {name: str(place) for name, place in (more or {}).items()}
    done = subprocess.run(words, cwd=folder, env=own, capture_output=True, text=True, check=False)
    if done.returncode != 0:
        raise RuntimeError(f"{' '.join(map(str, words))}:\n{done.stdout}{done.stderr}")
    return done.stdout


def tries(archive: Path, wheel: Path) -> Iterator[tuple[str, Callable[[Path], str]]]:
    """Yield each installation by its name, to be made in a folder."""
    for number, (version, python) in enumerate(pythons()):
        yield f"Python {version}, wheel", partial(fresh, python, wheel)
        if number == 0:
            yield f"Python {version}, source archive", partial(fresh, python, archive)
            yield f"Python {version}, oldest libraries", partial(with_oldest, python, wheel)
            yield f"Python {version}, upgrade from {OLD}", partial(upgraded, python, wheel)
            for name in ("uv tool", "pipx"):
                if shutil.which(name.split()[0]):
                    yield f"Python {version}, {name}", partial(as_tool, name, python, wheel)


def main() -> int:
    """Make each installation; one line for each."""
    failed = 0
    with tempfile.TemporaryDirectory() as place:
        built = Path(place) / "built"
        built.mkdir()
        archive, wheel = build(copy_here(Path(place) / "source"), built)
        for name, work in tries(archive, wheel):
            start_s = time.perf_counter()
            with tempfile.TemporaryDirectory() as folder:
                try:
                    words = work(Path(folder))
                except (RuntimeError, AssertionError) as error:
                    failed += 1
                    words = f"FAILED\n{error}"
            took_s = time.perf_counter() - start_s
            text, comma, size = words.partition("\n")[0].rpartition(", ")
            if comma and size.endswith(" MB"):
                note(f"{name}: size with all libraries", float(size[:-3]), "MB", most=MAX_MB)
            note(name, text if size.endswith(" MB") else words.partition("\n")[0])
            print(f"{name:36} {took_s:6.1f} s  {words}", flush=True)
    return 1 if failed else 0


if __name__ == "__main__":
    run_bench(main)
