"""Fresh installation of benchtest on every supported Python of this machine, with a trial run.

By hand, since libraries are installed again for each: `python tests/bench/install.py`. Ends with 1
if one of them fails. Pythons are looked for on PATH, in /usr/bin and under ~/.pyenv.
"""

from __future__ import annotations

import os
import shutil
import subprocess
import sys
import tempfile
import time
from collections.abc import Iterator
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parents[2]))

from tests.bench import figures

ROOT = Path(__file__).parents[2]

LEAST = (3, 11)
COMMANDS = (
    "--version",
    "--help",
    "new fan.toml --yes --units WF-01..WF-03",
    "check fan.toml",
    "shelf",
    "doctor",
    "completion bash",
    "demo --auto",
)
ASK = "import sys, ensurepip; print(*sys.version_info[:3], sys.base_prefix)"


def pythons() -> Iterator[tuple[str, Path]]:
    """Each supported Python once, as its version and its program."""
    folders = [*map(Path, os.get_exec_path()), Path("/usr/bin")]
    folders += sorted((Path.home() / ".pyenv" / "versions").glob("*/bin"))
    seen = set()
    for folder in folders:
        for program in sorted(folder.glob("python3.*")):
            if not program.name.removeprefix("python3.").isdigit():
                continue
            done = subprocess.run([program, "-c", ASK], capture_output=True, text=True, check=False)
            *numbers, prefix = done.stdout.split() or ["0", ""]
            if tuple(map(int, numbers)) >= LEAST and prefix not in seen:
                seen.add(prefix)
                yield ".".join(numbers), program


def build(folder: Path) -> list[Path]:
    """The source archive, and the wheel that is made of it."""
    source = folder / "source"
    for name in ("benchtest", "patterns"):
        shutil.copytree(ROOT / name, source / name)
    for name in ("pyproject.toml", "README.md"):
        shutil.copy(ROOT / name, source)
    words = [sys.executable, "-m", "build", "--outdir", str(folder), str(source)]
    subprocess.run(words, check=True, stdout=subprocess.DEVNULL)
    return [*folder.glob("*.tar.gz"), *folder.glob("*.whl")]


def install(python: Path, archive: Path, folder: Path) -> None:
    """Make an environment, install the archive with its libraries, run commands."""
    own = folder / "venv"
    run([python, "-m", "venv", own], folder)
    run([own / "bin" / "pip", "install", "--quiet", archive], folder)
    for command in COMMANDS:
        run([own / "bin" / "benchtest", *command.split()], folder)


def run(words: list[str | Path], folder: Path) -> None:
    """Run a command in a folder, without this environment; raise its output if it fails."""
    environment = {k: v for k, v in os.environ.items() if not k.startswith(("PYTHON", "VIRTUAL"))}
    environment |= {"XDG_DATA_HOME": str(folder / "data")}
    done = subprocess.run(
        words, cwd=folder, env=environment, capture_output=True, text=True, check=False
    )
    if done.returncode != 0:
        raise RuntimeError(f"{' '.join(map(str, words))}:\n{done.stdout}{done.stderr}")


def main() -> int:
    """Try the wheel on each Python, and the source archive on the first; one line a try."""
    failed = 0
    with tempfile.TemporaryDirectory() as place:
        archives = build(Path(place))
        for number, (version, python) in enumerate(pythons()):
            for archive in archives if number == 0 else archives[-1:]:
                start_s = time.perf_counter()
                with tempfile.TemporaryDirectory() as folder:
                    try:
                        install(python, archive, Path(folder))
                        words = f"works, {len(COMMANDS)} commands"
                    except RuntimeError as error:
                        failed += 1
                        words = f"FAILED\n{error}"
                took_s = time.perf_counter() - start_s
                kind = "wheel" if archive.suffix == ".whl" else "source archive"
                figures.note(f"Python {version}, {kind}", words.partition("\n")[0])
                print(f"Python {version:8} {archive.name:32} {took_s:6.1f} s  {words}", flush=True)
    return 1 if failed else 0


if __name__ == "__main__":
    figures.run(main)
