"""`benchtest new` in a real terminal: questions answered key by key."""

from __future__ import annotations

import os
import select
import subprocess
import sys
import termios
import time
from collections.abc import Mapping
from pathlib import Path

import psutil
import pytest

from benchtest.cli.main import main
from benchtest.prop.reader import read_design
from tests.terminals import Ear
from tests.waiting import until

PATIENCE_S = 30.0
INTERRUPT, END_OF_INPUT = "\x03", "\x04"


class Terminal:
    """A pseudo-terminal with `benchtest new` in it."""

    def __init__(self, folder: Path, *words: str) -> None:
        self.master, slave = os.openpty()
        termios.tcsetwinsize(slave, (24, 80))
        environment = {"XDG_DATA_HOME": str(folder / "data"), "TERM": "xterm"}
        self.process = subprocess.Popen(
            ["setsid", "--ctty", "--wait", sys.executable, "-m", "benchtest", "new", *words],
            stdin=slave,
            stdout=slave,
            stderr=slave,
            cwd=folder,
            env=os.environ | environment,
        )
        os.close(slave)
        self._ear = Ear(self.master)
        self.seen = ""

    def read_until(self, words: str) -> str:
        """Return the new output up to these words, or up to the end of the program."""
        fresh, end_s = "", time.monotonic() + PATIENCE_S
        while words not in fresh and time.monotonic() < end_s:
            if not select.select([self.master], [], [], 0.5)[0]:
                continue
            try:
                fresh += self._ear.read()
            except OSError:  # Linux reports the end of the program this way
                break
        self.seen += fresh
        return fresh

    def type(self, keys: str) -> None:
        os.write(self.master, keys.encode())

    def answer(self, answers: Mapping[str, str | list[str]]) -> int:
        """Answer the questions that contain the given words; press Enter at all others."""
        left = {
            words: list(said) if isinstance(said, list) else [said]
            for words, said in answers.items()
        }
        while "]: " in (fresh := self.read_until("]: ")):
            question = fresh.splitlines()[-1]
            said = next((said for words, said in left.items() if words in question and said), [""])
            key = said.pop(0)
            if key == INTERRUPT:
                # the question is printed before the program waits for its answer
                until(lambda: psutil.Process(self.process.pid).status() == psutil.STATUS_SLEEPING)
            self.type(key if key in (INTERRUPT, END_OF_INPUT) else f"{key}\r")
        assert not any(left.values()), f"never asked: {left}"
        return self.end()

    def end(self) -> int:
        """Return the exit code of the program."""
        code = self.process.wait(PATIENCE_S)
        os.close(self.master)
        return code


def test_enter_at_every_question_gives_the_default_file(tmp_path: Path) -> None:
    terminal = Terminal(tmp_path, "tide.toml")
    assert terminal.answer({}) == 0
    assert "Wrote tide.toml." in terminal.seen
    assert main(["new", str(tmp_path / "by-option.toml"), "--yes", "--name", "Tide"]) == 0
    typed, by_option = tmp_path / "tide.toml", tmp_path / "by-option.toml"
    assert typed.read_text("utf-8") == by_option.read_text("utf-8")
    assert sorted(tmp_path.iterdir()) == [by_option, typed]  # and no partial file


WING: dict[str, str | list[str]] = {
    "Name of the design": "Gull wing",
    "Kind of node": "ws2812b-5v",
    "Order of the colours": "rgb",
    "Number of strands": "4",
    "Nodes per strand": "24 18, 18 24",
    "Pitch": "33.3",
    "Leads": "8 cm, 40 mm",
    "Wire of the strands": "0.75 mm2",
    "Data route": "1A 2B 4A 3B",
    "Power connections": "own",
    "next bus joins": ["1A 2A 4A", "none"],
    "Copper of the bus": "2 oz x 12.5 mm",
    "Spacing": "1.5 in",
    "bus a ring": "yes",
    "Joints of the strands": "12",
    "Name of the bus": "root",
    "Name of the feed": ["left", "right"],
    "Next link": ["1B~2B, 5 cm, 20 AWG", "3A~4B, 0", "none"],
    "Joints of the link": ["soldered", "plugs"],
    "Rails that the link joins": ["both", "return"],
    "Number of feeds": "2",
    "Place of feed": ["root:2", "3B"],
    "Supply volts": ["5", "4.9 V"],
    "Fuse of the feed": ["5", "none"],
    "with its holder": "20 mΩ",
    "Cable of the feed": ["16 AWG", "1.5 mm2"],
    "Length of the cable": ["1.2 m", "1.2 m"],
    "Rated current of the supply": ["10 A", "none"],
    "Joints of the cable": ["plugs", ""],
    "universe": "7",
    "First channel": "4",
    "Units to put": "GW-08..GW-10",
}  # fmt: skip


def test_typed_answers_give_the_same_design_as_options(tmp_path: Path) -> None:
    """The options below describe the same prop."""
    terminal = Terminal(tmp_path, "wing.toml")
    assert terminal.answer(WING) == 0, terminal.seen
    assert "On the shelf: GW-08, GW-09, GW-10." in terminal.seen
    by_option = tmp_path / "by-option.toml"
    words = ["--name", "Gull wing", "--kind", "ws2812b-5v", "--colour-order", "RGB"]
    words += ["--strands", "4", "--nodes", "24 18 18 24", "--pitch-mm", "33.3"]
    words += ["--lead-mm", "80 40", "--wire", "0.75 mm2", "--data", "1A 2B 4A 3B"]
    words += ["--bus", "root, 1A 2A 4A, 2 oz x 12.5 mm, 38.1 mm, ring, plugs 12 mohm"]
    words += ["--link", "1B~2B, 50 mm, 20 AWG", "--link", "3A~4B, 0, return only, plugs"]
    words += [
        "--feed",
        "left, root:2, 5 V, 16 AWG, 1200 mm, fuse 5 A, supply 10 A, holder 20, plugs",
    ]
    words += ["--feed", "right, 3B, 4.9 V, 1.5 mm2, 1200", "--universe", "7", "--channel", "4"]
    assert main(["new", str(by_option), *words]) == 0
    wing = read_design(tmp_path / "wing.toml")
    assert wing == read_design(by_option)
    assert [strand.nodes for strand in wing.strands] == [24, 18, 18, 24]
    assert [str(pad) for pad in wing.buses[0].pads] == ["root:1", "root:2", "root:4"]
    assert wing.buses[0].ring
    assert [feed.fuse_a for feed in wing.feeds] == [5.0, None]
    assert [link.length_mm for link in wing.links] == [50.0, 0.0]


SLIPS = [
    ("Kind of node", "ws2811", 'did you mean "ws2811-5v"?'),
    ("Number of strands", "a dozen", "give a whole number from 1 to 1000"),
    ("Nodes per strand", "30 30", "one for all strands, or 12, one for each"),
    ("Pitch", "3,3", "with a point, not a comma"),
    ("Wire of the strands", "22", 'write it as "22 AWG"'),
    ("Data route", "1A 2B", "leaves out strand 3, 4, 5"),
    ("Power connections", "glue", "give one of both, A, B"),
    ("Copper of the bus at the A ends", "2 oz", 'write weight and width of the copper'),
    ("Name of the bus [crown]", "foot", "used 2 times"),
    ("Joints of the strands", "glued", "give a number from 0 up to 25, in mohm"),
    ("Place of feed 1", "feet:1", 'no bus is called "feet"; choose from foot, crown'),
    ("Supply volts", "12", "to 5.5, in V"),
    ("universe", "63999", "universes above 63999"),
    ("Units to put", "WF-1 WF-1", "names WF-1 twice"),
]  # fmt: skip


@pytest.fixture(scope="module")
def slips(tmp_path_factory: pytest.TempPathFactory) -> list[str]:
    """Return the screen after an invalid first answer to each of these questions."""
    terminal = Terminal(tmp_path_factory.mktemp("slips"), "fan.toml")
    assert terminal.answer({question: [wrong, ""] for question, wrong, _ in SLIPS}) == 0
    return terminal.seen.splitlines()


@pytest.mark.parametrize(("question", "wrong", "words"), SLIPS)
def test_a_bad_answer_is_explained_and_asked_again(
    slips: list[str], question: str, wrong: str, words: str
) -> None:
    (place,) = [n for n, line in enumerate(slips) if question in line and line.endswith(wrong)]
    assert slips[place + 1].startswith("  ")
    assert words in slips[place + 1]
    assert slips[place + 2].partition(" [")[0] == slips[place].partition(" [")[0]


@pytest.mark.parametrize("question", ["Name of the design", "Units to put"])
def test_control_c_leaves_nothing_behind(tmp_path: Path, question: str) -> None:
    terminal = Terminal(tmp_path, "fan.toml")
    assert terminal.answer({question: INTERRUPT}) == 130
    assert "interrupted" in terminal.seen
    assert "Traceback" not in terminal.seen
    assert list(tmp_path.iterdir()) == []


def test_the_end_of_input_names_the_missing_option(tmp_path: Path) -> None:
    terminal = Terminal(tmp_path, "fan.toml")
    assert terminal.answer({"Pitch": END_OF_INPUT}) == 2
    assert "give --pitch-mm, or --yes" in terminal.seen
    assert list(tmp_path.iterdir()) == []


@pytest.mark.parametrize(("answer", "code"), [("", 2), ("yes", 0)])
def test_overwriting_an_existing_file_is_asked(tmp_path: Path, answer: str, code: int) -> None:
    (tmp_path / "fan.toml").write_text("mine", encoding="utf-8")
    terminal = Terminal(tmp_path, "fan.toml")
    assert terminal.answer({"fan.toml exists already": answer}) == code
    kept = (tmp_path / "fan.toml").read_text("utf-8") == "mine"
    assert kept == (code != 0)
    assert ("Number of strands" in terminal.seen) == (code == 0)


def test_help_is_printed_and_unfed_strands_get_a_feed(tmp_path: Path) -> None:
    terminal = Terminal(tmp_path, "fan.toml", "--strands", "2", "--joins", "none")
    kind = ["?", "sk6812-rgbw-5v"]
    assert terminal.answer({"Kind of node": kind, "Number of feeds": "1"}) == 0
    assert "one LED per colour and one white" in terminal.seen
    assert read_design(tmp_path / "fan.toml").node.channels == 4
    assert "Strand 2 has no supply yet: one more feed." in terminal.seen
    assert [str(feed.at) for feed in read_design(tmp_path / "fan.toml").feeds] == ["1A", "2A"]
