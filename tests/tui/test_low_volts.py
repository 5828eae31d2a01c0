"""A unit whose own volts are below what its nodes need: named before its sign-off and after it."""

from __future__ import annotations

import json
import subprocess
import sys
from pathlib import Path

from benchtest.circuit.prediction import predict
from benchtest.prop.lit_set import all_lit
from benchtest.prop.notation import parse_probe
from benchtest.records.shelf import Shelf
from benchtest.session.log.events import ReadingTaken, VerdictGiven
from benchtest.session.session import Session
from benchtest.tui.dialogs import FormDialog
from benchtest.tui.shelf_screen import ShelfScreen
from tests.tui.conftest import HEARD, SMALL_FAN, driven, make_ready

# 24 nodes of 36 mA over 8 m of 24 AWG, there and back, at 84 mΩ/m (ASTM B258): about half a volt
THIN = SMALL_FAN.replace(
    'wire = "18 AWG"\nlength_mm = 500.0', 'wire = "24 AWG"\nlength_mm = 4000.0'
)


def _read(folder: Path, path: Path) -> float:
    """Look at every strand and read the unit as it is designed; return its lowest volts. [V]"""
    make_ready(folder, path, "SF-01")
    with Shelf(folder) as shelf:
        session = Session.resume(shelf, shelf.sessions("SF-01")[0].id)
        design = session.design
        for number in (1, 2, 3):
            session.record(VerdictGiven(number, passed=True))
        ends = [f"{number}A" for number in (1, 2, 3)]
        drops = [f"foot:{number}{rail}>{number}A{rail}" for number in (1, 2, 3) for rail in "+-"]
        probes = [parse_probe(text, design) for text in ["main", *ends, *drops]]
        prediction = predict(design, all_lit(design), probes)
        for row in prediction.probes:
            session.record(ReadingTaken("all", str(row.probe), round(row.volts, 4)))
        return prediction.lowest_node[1]


def _shelf(folder: Path) -> dict[str, object]:
    """Return the unit as `benchtest shelf --json` has it."""
    words = [sys.executable, "-m", "benchtest", "--bench", str(folder), "shelf", "--json"]
    found = json.loads(subprocess.run(words, capture_output=True, check=True, text=True).stdout)
    (unit,) = found["units"]
    assert isinstance(unit, dict)
    return unit


async def test_low_volts_are_named_at_the_sign_off_and_stay_on_the_shelf(tmp_path: Path) -> None:
    path, folder = tmp_path / "thin-fan.toml", tmp_path / "bench"
    assert THIN != SMALL_FAN
    path.write_text(THIN)
    lowest_v = _read(folder, path)
    assert lowest_v < 4.5  # least supply of a WS2811: its data sheet has 4.5 to 5.5 V
    low = f"volts: only {lowest_v:.2f} V at full white, where a node needs 4.5 V"
    async with driven(folder, path, to=HEARD, size=(120, 30)) as at:
        await at.until_task("sign-off")
        assert low in at.workbench.advice.text
        await at.keys("enter")
        await at.until(lambda: isinstance(at.app.screen, FormDialog))
        await at.type("Ada")
        await at.keys("enter", "enter")
        await at.until_task("done")
        assert low in at.workbench.advice.text
        await at.keys("escape")
        await at.until(lambda: isinstance(at.app.screen, ShelfScreen))
        await at.until(lambda: f"only {lowest_v:.2f} V" in at.words())
    unit = _shelf(folder)
    assert low in str(unit["open"])
    assert low in str(unit["says"])
    words = ["report", "SF-01", "--json", "-o", str(tmp_path / "page.html")]
    done = subprocess.run(
        [sys.executable, "-m", "benchtest", "--bench", str(folder), *words],
        capture_output=True, check=True, text=True,
    )  # fmt: skip
    answer = json.loads(done.stdout)
    assert answer["verdict"] == "Signed off with low volts"
    assert answer["open"].count(low) == 1
