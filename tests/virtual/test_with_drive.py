"""The virtual prop shows the frames that the drive room sends, node for node, over real UDP."""

from __future__ import annotations

from importlib.resources import as_file, files
from itertools import groupby
from uuid import UUID

import numpy as np
import pytest

from benchtest.drive.e131.driver import E131Driver, SourceSettings
from benchtest.drive.frame_clock import FrameClock
from benchtest.drive.universe_layout import universe_numbers
from benchtest.prop.design import Design
from benchtest.prop.lit_set import parse_lit_set
from benchtest.prop.reader import read_design
from benchtest.virtual.observer import Observation
from benchtest.virtual.remote_prop import RemoteProp, start_simulation
from tests.waiting import until

SOON_S = 30.0
SENDER = SourceSettings(UUID("00112233-4455-4677-8899-aabbccddeeff"))


def _spans(design: Design, lit: np.ndarray) -> list[Observation]:
    """Return the runs of lit nodes, strand by strand."""
    found = []
    for strand, start in zip(design.strands, design.first_index, strict=True):
        node = 1
        for on, run in groupby(lit[start : start + strand.nodes]):
            count = len(list(run))
            if on:
                found.append(Observation(strand.number, node, node + count - 1, "ok"))
            node += count
    return found


def _until(prop: RemoteProp, expected: list[Observation]) -> None:
    until(
        lambda: prop.look() == expected,
        SOON_S,
        lambda: f"{prop.look()} instead of {expected}",
    )


def _until_counted(prop: RemoteProp, expected: dict[str, int]) -> None:
    until(
        lambda: prop.state()["packets"] == expected,
        SOON_S,
        lambda: f"{prop.state()['packets']} instead of {expected}",
    )


@pytest.mark.parametrize("name", ["willow-fan", "tide-arch", "gull-wing"])
def test_every_node_sent_is_the_node_that_lights(name: str) -> None:
    rng = np.random.default_rng(1)
    with as_file(files("benchtest.virtual") / f"{name}.toml") as path:
        design = read_design(path)
        with start_simulation(path, seed=1) as prop:
            driver = E131Driver(design, SENDER, prop.host, prop.port)
            driver.open()
            try:
                for share in (0.0, 0.02, 0.3, 1.0):
                    lit = rng.random(design.node_count) < share
                    frame = np.where(lit[:, None], 40, 0) * np.ones(design.node.channels)
                    driver.show(frame.astype(np.uint8))
                    _until(prop, _spans(design, lit))
            finally:
                driver.close()
            _until(prop, [])
            universes = len(universe_numbers(design))
            _until_counted(prop, {"accepted": 5 * universes, "terminated": 3 * universes})


def test_a_whole_stream_arrives_without_loss() -> None:
    # the frame clock ramps up, repeats, keeps alive and ends the stream
    with as_file(files("benchtest.virtual") / "willow-fan.toml") as path:
        design = read_design(path)
        with start_simulation(path, ["7.12=dead"], seed=2) as prop:
            driver = E131Driver(design, SENDER, prop.host, prop.port)
            with FrameClock(driver, design.node_count, design.node.channels).start() as clock:
                for strands in ("all", "7", "none"):
                    duty = parse_lit_set(strands, design).duty(design)
                    clock.show(np.rint(duty * 255).astype(np.uint8))
                    _until(prop, _expected(strands))
            # three terminations for each of three universes
            _until_counted(prop, {"accepted": driver.status().packets - 9, "terminated": 9})


def _expected(strands: str) -> list[Observation]:
    # strand 7 is entered at A: node 12 and all after it are dark
    seventh = [Observation(7, 1, 11, "ok"), Observation(7, 12, 30, "dark")]
    sound = [Observation(number, 1, 30, "ok") for number in range(1, 7)]
    behind = [Observation(number, 1, 30, "dark") for number in range(8, 13)]
    return {"all": [*sound, *seventh, *behind], "7": seventh, "none": []}[strands]
