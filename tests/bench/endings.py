"""Losses of the terminal at every screen. By hand: `python -m tests.bench.endings [TRIALS] [SEED]`.

The real program at a real terminal, in a multiplexer or behind a parent as a remote login has it,
which is ended at a random moment of each screen; half of the programs pass hang-ups over, as under
nohup. Each must be gone within 5 s, dark first. Prints figures, and what stayed.
"""

from __future__ import annotations

import random
import shutil
import sys
import tempfile
from pathlib import Path

from tests.bench.figures import note, run
from tests.tui.conftest import SMALL_FAN, make_ready
from tests.tui.ending_trials import GONE_S, SCREENS, SEATS, Ended, lose_terminal

TRIALS = 200


def main(trials: int = TRIALS, seed: int = 1) -> int:
    """Try so many losses; return 1 if a process kept running or a prop stayed lit."""
    chance = random.Random(seed)
    ended: list[Ended] = []
    wrong: list[str] = []
    places = [(kind, screen) for screen in SCREENS for kind in SEATS]
    with tempfile.TemporaryDirectory(prefix="endings-") as there:
        prop = Path(there, "small-fan.toml")
        prop.write_text(SMALL_FAN)
        make_ready(Path(there, "bench"), prop, "SF-01")
        for number in range(trials):
            if number % len(places) == 0:
                chance.shuffle(places)
            kind, screen = places[number % len(places)]
            folder = Path(there, str(number))
            shutil.copytree(Path(there, "bench"), folder / "bench")
            words, deaf = ["--bench", str(folder / "bench")], chance.random() < 0.5
            try:
                ended.append(lose_terminal(folder, words, kind, screen, chance, deaf=deaf))
            except AssertionError as error:
                wrong.append(f"{'deaf, ' if deaf else ''}{kind}, {screen}: {error}")
                print(wrong[-1], flush=True)
            shutil.rmtree(folder)
            if number % 10 == 9:
                print(f"{number + 1} trials, {len(wrong)} wrong", flush=True)
    longest_s = max((one.gone_s for one in ended), default=0.0)
    print(f"longest until gone {longest_s:.2f} s; {sum(one.was_lit for one in ended)} were lit")
    note("losses of the terminal", len(ended) + len(wrong))
    note("programs that stayed, or left light", len(wrong), most=0)
    note("longest until the process was gone", longest_s, "s", most=GONE_S)
    note("longest light after the loss", max((one.dark_s for one in ended), default=0.0), "s")
    return bool(wrong)


if __name__ == "__main__":
    run(lambda: main(*map(int, sys.argv[1:3])))
