"""The terminal program on a real virtual prop, real packets and a real shelf."""

from __future__ import annotations

import asyncio
import atexit
import socket
import time
from collections.abc import AsyncIterator, Callable, Iterator
from contextlib import asynccontextmanager
from importlib.resources import files
from pathlib import Path

import pytest
import textual.app
import textual.pilot
from textual._context import visible_screen_stack
from textual.app import App
from textual.pilot import Pilot
from textual.strip import Strip

from benchtest.evidence.meter import DEFAULT_METER
from benchtest.records.shelf import Shelf
from benchtest.session.guidance.next_step import Task
from benchtest.session.launch_options import LaunchOptions
from benchtest.session.log.events import CheckMade, ColourSeen, FirstLight
from benchtest.session.log.power_checks import all_checks
from benchtest.session.session import Session
from benchtest.session.workbench.workbench import Workbench
from benchtest.tui.app import BenchApp
from benchtest.tui.bench_screen import BenchScreen
from benchtest.virtual.remote_prop import RemoteProp, start_simulation
from tests.waiting import until_soon

_IDLE_SLICES, _SLICE_S, _IDLE_CPU_S = 3, 0.003, 0.0003
_EAR = socket.socket(socket.AF_INET, socket.SOCK_DGRAM)
_EAR.bind(("127.0.0.1", 0))
atexit.register(_EAR.close)
HEARD = f"e131:127.0.0.1:{_EAR.getsockname()[1]}"
"""A loopback target that accepts packets and never reads them. A port without a listener refuses
packets, and then no verdict is recorded."""

SMALL_FAN = """
format = 1
name = "Small fan"
[node]
kind = "ws2811-5v"
[[strand]]
count = 3
nodes = 8
pitch_mm = 30.0
lead_mm = [60.0, 60.0]
wire = "22 AWG"
[[bus]]
name = "foot"
joins = "A"
copper = { weight_oz = 2.0, width_mm = 8.0 }
spacing_mm = 40.0
[[feed]]
name = "main"
at = "foot:1"
volts = 5.0
wire = "18 AWG"
length_mm = 500.0
fuse_a = 3.0
supply_a = 5.0
"""


async def _wait_for_idle(min_sleep: float = 0.0, max_sleep: float = 1.0) -> None:
    """Wait until the screen's thread has nothing to do.

    The library's own wait, after each key and click, takes at least 20 ms, and much longer while
    another thread of the program works.
    """
    due_s = time.monotonic() + max_sleep
    idle = 0
    while idle < _IDLE_SLICES and time.monotonic() < due_s:
        before_s = time.thread_time()
        await asyncio.sleep(_SLICE_S)
        idle = idle + 1 if time.thread_time() - before_s < _IDLE_CPU_S else 0


vars(textual.app)["wait_for_idle"] = vars(textual.pilot)["wait_for_idle"] = _wait_for_idle


class Driven:
    """The program under test, with a way to press keys."""

    def __init__(self, app: BenchApp, pilot: Pilot[None]) -> None:
        self.app = app
        self.pilot = pilot

    @property
    def screen(self) -> BenchScreen:
        assert isinstance(self.app.screen, BenchScreen)
        return self.app.screen

    @property
    def workbench(self) -> Workbench:
        return self.screen.workbench

    async def until(self, true: Callable[[], bool]) -> None:
        """Wait for a state, never for a time, and for the screen to show it."""
        await until_soon(true, words=lambda: f"on the screen:\n{self.words()}")
        await _wait_for_idle()

    async def until_task(self, *tasks: Task) -> Task:
        def there() -> bool:
            screen = self.app.screen
            drawn = isinstance(screen, BenchScreen) and bool(screen.query("#keys"))
            return drawn and self.workbench.advice.task in tasks

        await self.until(there)
        return self.workbench.advice.task

    async def keys(self, *keys: str) -> None:
        await self.pilot.press(*keys)

    async def type(self, text: str) -> None:
        names = {"-": "minus", ".": "full_stop", " ": "space"}
        await self.pilot.press(*(names.get(sign, sign) for sign in text))

    def words(self) -> str:
        """Return the text of the screen."""
        lines = shown(self.app)
        return "\n".join("".join(segment.text for segment in strip) for strip in lines)


def shown(app: App[None]) -> list[Strip]:
    """Return the screen as the program itself draws it.

    A window takes the screen below it from a context variable, and caches its drawing. If it is
    drawn without that variable just when a redraw is due, it caches an empty ground, for the
    program's own drawing too, until something below it changes.
    """
    visible_screen_stack.set(app._background_screens)
    return app.screen._compositor.render_strips()


def make_ready(folder: Path, prop: Path, tag: str) -> None:
    """Put a unit on the shelf whose next step is to look at its strands."""
    with Shelf(folder) as shelf:
        if any(unit.tag == tag for unit in shelf.units()):
            return
        session = Session.start(shelf, prop.read_text(), tag, DEFAULT_METER)
        for check, feed in all_checks(session.design):
            session.record(CheckMade(check, feed, passed=True))
        session.record(FirstLight(passed=True))
        for colour in session.design.node.colours:
            session.record(ColourSeen(colour, right=True))


@pytest.fixture
def small_fan(tmp_path: Path) -> Path:
    path = tmp_path / "small-fan.toml"
    path.write_text(SMALL_FAN)
    return path


@pytest.fixture(scope="module")
def prop(tmp_path_factory: pytest.TempPathFactory) -> Iterator[tuple[Path, RemoteProp]]:
    """Start a virtual prop in its own process, for all tests of a module; yield it and its file."""
    path = tmp_path_factory.mktemp("prop") / "small-fan.toml"
    path.write_text(SMALL_FAN)
    with start_simulation(path) as virtual:
        yield path, virtual


@pytest.fixture
def willow_fan() -> Path:
    return Path(str(files("benchtest.virtual").joinpath("willow-fan.toml")))


@asynccontextmanager
async def driven(
    folder: Path,
    prop: Path,
    *faults: str,
    tag: str | None = "SF-01",
    size: tuple[int, int] = (80, 24),
    to: str | None = None,
    ready: bool = True,
    readings_from: str | None = None,
    points: bool = False,
    hands_free: bool = False,
    say: bool = False,
) -> AsyncIterator[Driven]:
    """Run the program; with a tag, that unit is on the bench when this begins.

    A unit that is ready has passed the checks before power, first light and colours. A virtual prop
    is a process of its own, so without a target there is one only if it has faults. Only with
    `points` does the prop show where the leads go before a reading.
    """
    to = to or ("virtual" if faults else HEARD)
    if ready and tag is not None:
        make_ready(folder, prop, tag)
    bench = LaunchOptions(
        folder,
        to,
        prop,
        hidden=faults,
        seed=1,
        readings_from=readings_from,
        points=points,
        hands_free=hands_free,
        speaks=say,
    )
    app = BenchApp(bench, tag)
    try:
        async with app.run_test(size=size) as pilot:
            person = Driven(app, pilot)
            if tag is not None:
                await person.until(lambda: isinstance(app.screen, BenchScreen))
            yield person
    finally:
        app.end()
