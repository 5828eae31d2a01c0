"""Memory of the terminal program through an evening of seven units.

    python -m tests.bench.evening_memory [--units N]

The real program, its screens driven by a person's keys, with a virtual prop in a process of its own
over loopback. Units of one design, 14 strands of 27 nodes between two ring boards, wait on the
shelf with all strands passed; each is read as the program asks until it asks for a repair, which is
done, and on until it is to be signed off. The next reading is typed once the finding is there, as
a person needs longer to move the leads. Prints resident memory of the program after each unit and
its peak, and the time from a reading's Enter key to the next question and to the finding. Asserts
nothing.
"""

from __future__ import annotations

import argparse
import asyncio
import tempfile
import time
from collections.abc import Callable
from functools import partial
from pathlib import Path

import numpy as np
from textual import events
from textual.pilot import Pilot

from benchtest.evidence.meter import DEFAULT_METER
from benchtest.records.shelf import Shelf
from benchtest.session.launch_options import LaunchOptions
from benchtest.session.log.events import CheckMade, ColourSeen, FirstLight, VerdictGiven
from benchtest.session.log.power_checks import all_checks
from benchtest.session.session import Session, unfinished_sessions
from benchtest.session.workbench.workbench import Workbench
from benchtest.tui.app import BenchApp
from benchtest.tui.bench_screen import BenchScreen
from benchtest.tui.prompt_panel import PromptPanel
from tests.bench.any_prop_designs import FIXED_TEXT
from tests.bench.figures import note, run
from tests.bench.findings import peak_mib, resident_mib

UNITS = 7
MOST_READINGS = 40
MOST_MIB = 350.0
FAULTS = ("4B+=0.3", "9A-=open")
WAIT_S = 300.0


def waiting(folder: Path, prop: Path, units: int) -> None:
    """Put units on the shelf whose readings are the next thing to take."""
    with Shelf(folder) as shelf:
        for number in range(1, units + 1):
            Session.start(shelf, prop.read_text("utf-8"), f"RS-{number}", DEFAULT_METER)
        for row in unfinished_sessions(shelf):
            session = Session.resume(shelf, row.id)
            for check, feed in all_checks(session.design):
                session.record(CheckMade(check, feed, passed=True))
            session.record(FirstLight(passed=True))
            for colour in session.design.node.colours:
                session.record(ColourSeen(colour, right=True))
            for strand in session.design.strands:
                session.record(VerdictGiven(strand.number, passed=True))


def _is_open(screen: BenchScreen) -> bool:
    return screen.query_one(PromptPanel).is_open


def _has_found(screen: BenchScreen) -> bool:
    return not screen.workbench.active.awaits_finding


def _has_more(workbench: Workbench, taken: int) -> bool:
    return len(workbench.session.state.taken) > taken


class Person:
    """A person at the keys of the program."""

    def __init__(self, app: BenchApp, pilot: Pilot[None]) -> None:
        self.app = app
        self.pilot = pilot
        self.asked_s: list[float] = []
        self.found_s: list[float] = []

    @property
    def screen(self) -> BenchScreen | None:
        return self.app.screen if isinstance(self.app.screen, BenchScreen) else None

    async def until(self, true: Callable[[], bool]) -> None:
        # a timeout of asyncio would keep what was on the screen until it is due
        end_s = time.monotonic() + WAIT_S
        while not true():
            if time.monotonic() > end_s:
                raise TimeoutError(f"nothing happened for {WAIT_S:g} s")
            await self.pilot.pause(0.01)

    def is_away_from(self, screen: BenchScreen) -> bool:
        return self.app.screen is not screen

    def is_at_another(self, screen: BenchScreen) -> bool:
        return self.screen not in (None, screen)

    def task(self) -> str:
        screen = self.screen
        return "" if screen is None or not screen.is_complete else screen.workbench.advice.task

    async def unit(self) -> tuple[int, int]:
        """Read and repair one unit; returns readings and repairs."""
        readings = repairs = 0
        while readings < MOST_READINGS:
            await self.until(lambda: self.task() not in ("", "think"))
            screen = self.screen
            assert screen is not None
            workbench, task = screen.workbench, self.task()
            if task == "read":
                taken = len(workbench.session.state.taken)
                await self.pilot.press("v")
                await self.until(partial(_is_open, screen))
                start_s = time.monotonic()
                self.app.post_message(
                    events.Key("enter", None)
                )  # the pilot waits until all is idle
                await self.until(partial(_has_more, workbench, taken))
                await self.until(lambda: self.task() != "think")
                self.asked_s.append(time.monotonic() - start_s)
                await self.until(partial(_has_found, screen))
                self.found_s.append(time.monotonic() - start_s)
                readings += 1
            elif task == "repair" and workbench.advice.suspect is not None:
                workbench.repair(workbench.advice.suspect.where, "reflowed")
                repairs += 1
                screen.go()
            elif task in ("check", "look", "walk", "picture", "colour", "glow", "search"):
                if task == "check" and workbench.advice.check is not None:
                    workbench.active.answer(CheckMade(*workbench.advice.check, True))
                    screen.go()
                else:
                    await self.pilot.press("space")
            else:
                break
        return readings, repairs


async def evening(units: int) -> list[float]:
    """Resident memory after each unit. [MiB]"""
    level: list[float] = []
    with tempfile.TemporaryDirectory() as folder:
        prop = Path(folder) / "reed-screen.toml"
        prop.write_text(FIXED_TEXT, "utf-8")
        waiting(Path(folder) / "bench", prop, units)
        app = BenchApp(
            LaunchOptions(
                Path(folder) / "bench", "virtual", prop, hidden=FAULTS, seed=1, points=False
            ),
            "RS-1",
        )
        async with app.run_test(size=(110, 40)) as pilot:
            person = Person(app, pilot)
            for number in range(units):
                await person.until(lambda: person.task() != "")
                screen = person.screen
                assert screen is not None
                tag = screen.workbench.session.tag
                readings, repairs = await person.unit()
                level.append(resident_mib())
                print(
                    f"{tag}: {readings} readings, {repairs} repairs, {level[-1]:.0f} MiB",
                    flush=True,
                )
                if number + 1 < units:
                    await pilot.press("N")
                    await person.until(partial(person.is_away_from, screen))
                    if person.screen is None:
                        await pilot.press("enter")
                        await person.until(partial(person.is_at_another, screen))
        app.end()
    waits = np.percentile(person.asked_s, [50, 99, 100])
    print(f"from Enter to the next question: {waits[0]:.2f} s median, {waits[2]:.2f} s at worst")
    print(f"peak {peak_mib():.0f} MiB")
    note("memory of the terminal program after an evening", level[-1], "MiB", most=MOST_MIB)
    note("its peak", peak_mib(), "MiB", most=MOST_MIB)
    note("from Enter to the next question, at worst", float(waits[2]), "s", most=0.3)
    found = np.percentile(person.found_s, [50, 99, 100])
    print(f"from Enter to the finding: {found[0]:.2f} s median, {found[2]:.2f} s at worst")
    note("from Enter to the finding, median", float(found[0]), "s")
    note("from Enter to the finding, 99th percentile", float(found[1]), "s")
    note("from Enter to the finding, at worst", float(found[2]), "s", most=3.0)
    return level


def main() -> None:
    """Run an evening."""
    parser = argparse.ArgumentParser()
    parser.add_argument("--units", type=int, default=UNITS)
    asyncio.run(evening(parser.parse_args().units))


if __name__ == "__main__":
    run(main)
