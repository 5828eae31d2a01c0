"""Every command in the documentation is run, in a folder with a small bench.

Commands that cannot run here are in `NOT_RUN` with the reason; their words are still parsed by the
program's own parser, or their module is looked for. Options, keys, files and links are checked too.
"""

from __future__ import annotations

import argparse
import contextlib
import importlib.util
import re
import shlex
import shutil
from collections.abc import Iterator
from pathlib import Path

import pytest
from textual.binding import Binding

import benchtest.virtual
from benchtest.cli.main import main
from benchtest.cli.parser import build_parser, parse
from benchtest.evidence.meter import DEFAULT_METER
from benchtest.records.json_lines import export_lines
from benchtest.records.shelf import Shelf
from benchtest.session.log.events import ReadingTaken, SignedOff, VerdictGiven
from benchtest.session.session import Session
from benchtest.tui.actions import KEYS
from benchtest.tui.compare_screen import CompareScreen
from benchtest.tui.shelf_screen import ShelfScreen
from tests.props import SMALL_FAN
from tests.receiver import Watcher

ROOT = Path(__file__).parents[1]
NOTES = sorted(f"hw_notes/{path.name}" for path in ROOT.glob("hw_notes/*.md"))
DOCS = ["README.md", "DEVELOPERS.md", *NOTES]
HOST = "e131:127.0.0.1"
"""Target in the commands, replaced by a receiver with a port of its own."""
EXAMPLE = Path(benchtest.virtual.__file__).parent / "willow-fan.toml"

MEANT = {
    "PROP": "willow-fan.toml",
    "PATTERN": "by-strand",
    "FILE": "session.jsonl",
    "SHELL": "bash",
    "TAG": "WF-03",
    "NAME": "by-strand",
    "e131:HOST": HOST,
}
"""Values for the words in capitals."""

NOT_RUN = {
    "serial:": "needs a board on USB; tests/drive runs it on a simulated one",
    "192.0.2.7": "drives a controller that is not here; tests/drive does so on loopback",
    "demo --auto": "takes as long as a hundred others; tests/windows runs it",
    "simulate": "ends when it is told to; tests/virtual runs it",
    "serve": "ends when it is told to; tests/tui runs it, with a real browser",
    "new fan.toml --ports": "reads a table of ports; tests/cli runs it with one",
    "e131:127.0.0.1": "needs a receiver at that address; tests/cli/test_wiring_notes.py has one",
    "artnet:HOST": "drives a controller that is not here; tests/drive/artnet does so on loopback",
    "ddp:HOST": "drives a controller that is not here; tests/outside does so on loopback",
    "drive --controllers": "asks the network; tests/drive/artnet does so in one of its own",
    "bridge install": "needs a board on USB; tests/drive/bridge/test_install.py has simulated ones",
    "volts": "needs a meter or a board; tests/cli/test_volts.py has simulated ones",
    "shelf --restore": "needs a damaged bench; tests/records restores several",
}
"""Parts of commands that are only parsed, with the reason."""

ALONE = ("netlist", "new", "report", "label", "import")
"""Commands that the text names without required arguments: their help is run."""

SCREEN: tuple[list[str], ...] = ([], ["demo"], ["practice"])
"""Arguments that open the terminal program, which tests/tui tests by its keys."""

MORE = {
    "new": ["--yes"],
    "drive": ["--seconds", "0.2"],
}
"""Options that skip questions and waiting."""


def _inline(name: str) -> list[str]:
    """Return the code between backticks in prose."""
    text = (ROOT / name).read_text("utf-8")
    prose = re.sub(r"^```.*?^```", "", text, flags=re.MULTILINE | re.DOTALL)
    return [" ".join(code.split()) for code in re.findall(r"`([^`]+)`", prose)]


def _commands(name: str) -> Iterator[str]:
    """Yield each command in shell blocks, inline code and indented lines."""
    text = (ROOT / name).read_text("utf-8")
    blocks = re.findall(r"^```(?:sh|bash|console)\n(.*?)^```", text, re.MULTILINE | re.DOTALL)
    lines = [line.partition(" #")[0] for block in blocks for line in block.splitlines()]
    starts = ("benchtest ", ".venv/", "python", "bash ", "make ", "eval ", "cd ", "sudo ")
    indented = re.findall(r"(?<=\n) {4}(\S.*)", text)
    inline = [*_inline(name), *(line.partition(" #")[0].strip() for line in indented)]
    lines += [code for code in inline if code == "benchtest" or code.startswith(starts)]
    for line in lines:
        yield from (part.strip() for part in re.split(r"&&|;", line) if part.strip())


EVERY = sorted({(command, name) for name in DOCS for command in _commands(name)})
OURS = [(c, n) for c, n in EVERY if re.match(r"(\.venv/bin/)?benchtest\b|eval ", c)]
OTHERS = [(c, n) for c, n in EVERY if (c, n) not in OURS]


def _words(command: str) -> list[str]:
    """Words behind `benchtest`, as a person would type them."""
    if within := re.search(r"\$\((benchtest [^)]*)\)", command):
        command = within[1]
    words = shlex.split(command)[1:]
    if words[:1] == ["new"]:
        return [word.replace("FILE", "fan.toml") for word in words]
    return [MEANT.get(word, word) for word in words]


def _why_not(words: list[str]) -> str:
    if words in SCREEN:
        return "opens the terminal program; tests/tui presses its keys"
    return next((why for piece, why in NOT_RUN.items() if piece in " ".join(words)), "")


@pytest.fixture(scope="module")
def bench(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A folder with the files of the documentation: a prop file, a tested unit, its export."""
    folder = tmp_path_factory.mktemp("documented")
    shutil.copy(EXAMPLE, folder)
    written = main(
        ["check", str(folder / EXAMPLE.name), "--write-ports", str(folder / "ports.csv")]
    )
    assert written == 0
    text = SMALL_FAN.replace("Small fan", "Willow fan")  # a report of it is soon made
    with Shelf(folder / "bench") as shelf:
        for tag in ("WF-01", "WF-02", "WF-03"):
            session = Session.start(shelf, text, tag, DEFAULT_METER)
            session.record(VerdictGiven(1, True))
            session.record(ReadingTaken("all", "4A", 3.9))
            session.record(SignedOff("R"))
        again = Session.start(shelf, text, "WF-03", DEFAULT_METER)
        again.record(ReadingTaken("all", "4A", 3.8))
        (folder / "session.jsonl").write_text("\n".join(export_lines(shelf, "WF-03")), "utf-8")
    notes = (ROOT / "hw_notes" / "measuring.md").read_text("utf-8")
    for name, table in zip(
        ("readings", "marks"), re.findall(r"```csv\n(.*?)```", notes, re.S), strict=True
    ):
        (folder / f"{name}.csv").write_text(table, encoding="utf-8")
    return folder


def test_the_documents_have_commands_and_no_stale_exceptions() -> None:
    assert len(OURS) > 20
    assert {name for _, name in EVERY} >= {"README.md", "DEVELOPERS.md", "hw_notes/wiring.md"}
    for piece in NOT_RUN:  # a reason that nothing needs any more goes
        assert piece == "serve" or any(piece in command for command, _ in OURS), piece


@pytest.mark.parametrize("command", sorted({c.removeprefix(".venv/bin/") for c, _ in OURS}))
def test_a_documented_command_runs(
    command: str,
    bench: Path,
    tmp_path: Path,
    monkeypatch: pytest.MonkeyPatch,
    capsys: pytest.CaptureFixture[str],
) -> None:
    words = _words(command)
    if _why_not(words):
        parse(words)  # raises where it is no command
        return
    folder = tmp_path / "here"
    shutil.copytree(bench, folder)
    monkeypatch.chdir(folder)
    if words[0] == "new":  # it writes no file that is there
        (folder / "willow-fan.toml").unlink()
    more = [word for word in MORE.get(words[0], []) if word not in words]
    words += ["--help"] if words in [[name] for name in ALONE] else [*more, "--bench", "bench"]
    with contextlib.closing(Watcher()) as controller:
        code = main([controller.to if word == HOST else word for word in words])
    said = capsys.readouterr()
    assert code == 0, f"{' '.join(words)}: {said.err}"
    assert said.out or words[0] == "drive"


@pytest.mark.parametrize(("command", "name"), OTHERS)
def test_a_documented_script_exists(command: str, name: str) -> None:
    """Environments, pictures and benches take minutes, so only their existence is checked."""
    words = shlex.split(command)
    program, rest = words[0].removeprefix(".venv/bin/"), words[1:]
    if program == "bash":
        assert (ROOT / rest[0]).is_file(), name
    elif program == "cd":
        assert (ROOT / rest[0]).is_dir(), name
    elif program == "sudo":
        assert rest[:2] in (["apt", "install"], ["apt-get", "install"]) or rest[0] in (
            "lsof", "ufw",
        ), name  # fmt: skip
    elif program == "make":
        target = [word for word in rest if "=" not in word and not word.startswith("-")]
        make = (ROOT / "hw_notes" / "bridge" / "Makefile").read_text("utf-8")
        assert all(f"\n{word}:" in make for word in target if word != "hw_notes/bridge"), name
    elif program == "pip" or rest[:2] == ["-m", "venv"]:
        assert rest[0] in ("install", "-m"), name
    elif rest[0] == "-m":
        found = importlib.util.find_spec(rest[1])
        assert found is not None, command
        source = Path(str(found.origin)).read_text("utf-8")
        assert all(f'"{word}"' in source for word in rest if word.startswith("--")), command
    else:
        assert program in ("python", "python3"), command
        assert rest == ["--version"] or (ROOT / rest[0]).is_file(), command


def _options() -> set[str]:
    """Every option of every command."""
    found, waiting = set(), [build_parser()]
    for parser in waiting:  # grows while it is gone through
        for action in parser._actions:
            found |= set(action.option_strings)
            if isinstance(action, argparse._SubParsersAction):
                waiting += action.choices.values()
    return found


@pytest.mark.parametrize("name", [name for name in DOCS if name != "DEVELOPERS.md"])
def test_a_documented_option_exists(name: str) -> None:
    """Options of other programs stand inside their own commands, which are left out."""
    ours = [code for code in _inline(name) if not re.match(r"\.venv|python|bash|pip", code)]
    named = {word for code in ours for word in re.findall(r"(?<!\S)--[a-z-]+", code)}
    assert named <= _options()


ROWS = [
    (command, code)
    for line in (ROOT / "README.md").read_text("utf-8").splitlines()
    if line.startswith("| `benchtest")
    for command in re.findall(r"`([^`]+)`", line.split("|")[1])[:1]
    for code in re.findall(r"`([^`]+)`", line.split("|")[2])
    if code.startswith("--") or command.startswith(f"benchtest {code.split()[0]} ")
]
"""Rows of the table of commands: a command and another form of it."""


@pytest.mark.parametrize(("command", "code"), ROWS)
def test_an_option_in_a_commands_row_is_one_of_its_options(command: str, code: str) -> None:
    more = ["3" if word == "N" else word for word in shlex.split(code)]
    words = _words(command)
    parse([*words, *more] if code.startswith("--") else more)


ABOUT_KEYS = ["README.md", "hw_notes/evening.md", "hw_notes/measuring.md", "hw_notes/bridge.md"]


@pytest.mark.parametrize("name", ABOUT_KEYS)
def test_a_documented_key_does_something(name: str) -> None:
    keys = {code for code in _inline(name) if len(code) == 1 and (code.isalpha() or code == "?")}
    known = {key for _, keys in KEYS.values() for key in keys.split(", ")}
    for binding in (*ShelfScreen.BINDINGS, *CompareScreen.BINDINGS):
        assert isinstance(binding, Binding)
        known |= set(binding.key.split(","))
    assert keys <= known


FILES = [
    path.as_posix()
    for path in (path.relative_to(ROOT) for path in ROOT.rglob("*.*"))
    if not any(part.startswith(".") for part in path.parts)  # environments and caches
]


@pytest.mark.parametrize("name", DOCS)
def test_a_documented_file_exists(name: str) -> None:
    """Compare by the part of the path that the text gives."""
    ends = r"[\w./-]+\.(?:py|toml|md|json|sql|c|S|tcss)"
    named = {code for code in _inline(name) if re.fullmatch(ends, code)}
    assert not {one for one in named if not any(f"/{file}".endswith(f"/{one}") for file in FILES)}


@pytest.mark.parametrize("name", DOCS)
def test_a_link_leads_somewhere(name: str) -> None:
    text = (ROOT / name).read_text("utf-8")
    for link in re.findall(r"\]\(([^)\s]+)\)", text):
        path, _, heading = link.partition("#")
        target = (ROOT / name).parent / path if path else ROOT / name
        assert target.exists(), link
        if heading:
            titles = re.findall(r"^#+ (.*)$", target.read_text("utf-8"), re.MULTILINE)
            assert heading in [re.sub(r"[^\w -]", "", t).lower().replace(" ", "-") for t in titles]


def test_the_map_has_every_room() -> None:
    """Rooms of the product and folders of tests are in the map."""
    (house,) = re.findall(
        r"```\nbenchtest/\n(.*?)```", (ROOT / "DEVELOPERS.md").read_text(), re.DOTALL
    )
    for top in ("benchtest", "tests"):
        rooms = {path.parent.name for path in (ROOT / top).glob("*/*.py")}
        named = set(re.findall(r"^  (\w+)/" if top == "benchtest" else r"tests/(\w+)", house, re.M))
        assert rooms == named, top
