"""The light of one prop on the bench: what is shown now, and never more than it may carry."""

from __future__ import annotations

import time
from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from benchtest.circuit.feed_limits import LevelLimit, find_level_limit, surely_within_limits
from benchtest.circuit.network import Circuit
from benchtest.circuit.solution import solve
from benchtest.circuit.startup import highest_starting_share
from benchtest.drive.frame_clock import RAMP_S, FrameClock
from benchtest.drive.universe_layout import Frame
from benchtest.errors import InputError
from benchtest.pattern import frame_from_duty, load_patterns
from benchtest.prop.design import Design, NodeName
from benchtest.prop.lit_set import LitSet

STEADY_S = 0.15
"""From the last frame of a change until a meter may be read. [s]"""
MANY_STRANDS, MUCH = 3, 0.5
"""From so many strands above this level on, light comes up by a ramp."""

Duty = NDArray[np.float64]


class Lamp:
    """Lights a prop through its clock.

    Attributes:
        words: what is lit, in a few words.
        is_dark: nothing is.
        level: of what is lit.
        lit: the set that is lit; None where it is no set of whole strands.
        frame: what is shown once light has come up.
    """

    def __init__(self, design: Design, clock: FrameClock) -> None:
        self.design = design
        self.clock = clock
        self.words = "dark"
        self.is_dark = True  # so every clock begins
        self.level = 0.0
        self.frame: Frame = np.zeros((design.node_count, design.node.channels), np.uint8)
        self.lit: LitSet | None = None
        self._steady_s = 0.0
        self._circuit: Circuit | None = None
        self._limits: dict[object, LevelLimit | None] = {}

    def light(self, lit: LitSet, lower: bool = False) -> None:
        """Light a set of strands.

        Args:
            lit: the set.
            lower: where it is too much, light it as brightly as fits.

        Raises:
            InputError: fuse or supply cannot carry it, or its nodes do not start; says the highest
                level that fits.
        """
        level = self._fitting(lit, lit.duty(self.design), lit.level, lower)
        fits = LitSet(lit.strands, level, lit.colour)
        much = len(lit.strands) >= MANY_STRANDS and level > MUCH
        colour = "" if lit.colour == "white" else f" {lit.colour}"
        shown = "" if level == 1.0 else f" at {level:.0%}"
        words = f"{lit.text(self.design)}{colour}{shown}"
        self._show(frame_from_duty(fits.duty(self.design)), words, level, much)
        self.lit = fits

    def light_nodes(self, nodes: Sequence[NodeName], level: float) -> None:
        """Light some nodes alone, as brightly as fits."""
        duty = np.zeros((self.design.node_count, self.design.node.channels))
        duty[[self.design.index(node.strand, node.node) for node in nodes]] = level
        fits = self._fitting((tuple(nodes), level), duty, level, lower=True)
        more = f" to {nodes[-1]}" if len(nodes) > 1 else ""
        self._show(frame_from_duty(duty * (fits / level)), f"{nodes[0]}{more} at {fits:.0%}", fits)

    def light_ruler(self) -> None:
        """Light the ruler on every strand."""
        step = load_patterns()["ruler"].steps(self.design)[0]
        self._show(frame_from_duty(step.duty), "ruler: blue 5s, white 10s, red 50s", 0.25)

    def dark(self) -> None:
        """Everything off."""
        frame = np.zeros((self.design.node_count, self.design.node.channels), np.uint8)
        self._show(frame, "dark", 0.0)

    def wait_until_steady(self) -> None:
        """Wait until a meter may be read."""
        time.sleep(max(0.0, self._steady_s - time.monotonic()))

    def _show(self, frame: Frame, words: str, level: float, ramp: bool = False) -> None:
        ramp_s = RAMP_S if ramp else 0.0
        self._steady_s = time.monotonic() + ramp_s + STEADY_S
        self.clock.show(frame, ramp_s)
        self.words, self.level, self.lit, self.frame = words, level, None, frame
        self.is_dark = not frame.any()

    def _fitting(self, key: object, duty: Duty, level: float, lower: bool) -> float:
        """The level to light at: the one asked or, where that is too much, what fits."""
        if key not in self._limits:
            self._limits[key] = self._limit(duty, level)
        limit = self._limits[key]
        if limit is None:
            return level
        if lower and limit.level > 0.0:
            return limit.level
        raise InputError(f"{limit.why}; {limit.level:.0%} fits")

    def _limit(self, duty: Duty, level: float) -> LevelLimit | None:
        if not duty.any() or surely_within_limits(self.design, duty):
            return None
        self._circuit = self._circuit or Circuit(self.design)
        solution = solve(self._circuit, duty)
        if not solution.starts:
            share, _ = highest_starting_share(solution)
            fits = int(level * share * 100) / 100
            why = "nodes draw more as their volts fall, and here they would not start"
            return self._limit(duty * (fits / level), fits) or LevelLimit(fits, why)
        dark_a = solve(self._circuit, np.zeros_like(duty)).feed_a
        return find_level_limit(self.design, level, solution.feed_a, dark_a)
