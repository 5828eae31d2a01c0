"""Light of the prop on the bench, within the limits of fuses and supplies.

Faults of the drive that the user must see are notices: lost packets, and other sources that send.
"""

from __future__ import annotations

import time
from collections.abc import Collection, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from benchtest.circuit.feed_limits import LevelLimit, find_level_limit, surely_within_limits
from benchtest.circuit.network import Circuit
from benchtest.circuit.solution import highest_starting_share, solve
from benchtest.drive.driver import DriveStatus
from benchtest.drive.e131.other_sources import describe_universes
from benchtest.drive.frame_clock import RAMP_S, FrameClock
from benchtest.drive.universe_layout import Frame
from benchtest.errors import InputError
from benchtest.pattern import frame_from_duty, load_patterns, picture_duty
from benchtest.prop.design import Design, NodeName
from benchtest.prop.lit_set import LitSet

FIRST_LEVEL = 0.05
LOOK_LEVEL = 0.25
"""Level at which strands are looked at: bright enough to see, easy on eyes and wires."""
WALK_LEVEL = 0.5
LEVELS = (0.05, 0.1, 0.25, 0.5, 1.0)
"""Levels that the keys for brighter and dimmer step through."""
STEADY_S = 0.15
"""Time from the last frame of a change until a meter may be read. [s]"""
MIN_RAMP_STRANDS, MIN_RAMP_LEVEL = 3, 0.5
"""Number of strands and level from which light comes up by a ramp."""

Duty = NDArray[np.float64]


class PropLight:
    """The light of one prop, sent through its frame clock.

    Attributes:
        words: what is lit, in a few words.
        is_dark: True if nothing is lit.
        level: level of what is lit.
        lit: the lit set; None unless whole strands are lit.
        frame: the frame after the light has come up.
        look_level: level for looking at strands.
        walk_level: level for walking node by node.
        put_out: True after the user took the prop dark, until something is lit again.
    """

    def __init__(self, design: Design, clock: FrameClock) -> None:
        self.design = design
        self.clock = clock
        self.words = "dark"
        self.is_dark = True  # as every clock begins
        self.level = 0.0
        self.frame: Frame = np.zeros((design.node_count, design.node.channels), np.uint8)
        self.lit: LitSet | None = None
        self.look_level, self.walk_level = LOOK_LEVEL, WALK_LEVEL
        self.put_out = False
        self._steady_s = 0.0
        self._circuit: Circuit | None = None
        self._limits: dict[object, LevelLimit | None] = {}

    def light(self, lit: LitSet, lower: bool = False) -> None:
        """Light a set of strands.

        Args:
            lit: the set.
            lower: dim the set to what fuses and supplies carry; else refuse one beyond that.

        Raises:
            InputError: fuse or supply cannot carry the set, or its nodes do not start; names the
                highest level that fits.
        """
        level = self._fitting(lit, lit.duty(self.design), lit.level, lower)
        fits = LitSet(lit.strands, level, lit.colour)
        ramp = len(lit.strands) >= MIN_RAMP_STRANDS and level > MIN_RAMP_LEVEL
        colour = "" if lit.colour == "white" else f" {lit.colour}"
        shown = "" if level == 1.0 else f" at {level:.0%}"
        words = f"{lit.text(self.design)}{colour}{shown}"
        self._show(frame_from_duty(fits.duty(self.design)), words, level, ramp)
        self.lit = fits

    def light_nodes(self, nodes: Sequence[NodeName], level: float) -> None:
        """Light some nodes alone, as brightly as fits."""
        duty = np.zeros((self.design.node_count, self.design.node.channels))
        duty[[self.design.index(node.strand, node.node) for node in nodes]] = level
        fits = self._fitting((tuple(nodes), level), duty, level, lower=True)
        more = f" to {nodes[-1]}" if len(nodes) > 1 else ""
        self._show(frame_from_duty(duty * (fits / level)), f"{nodes[0]}{more} at {fits:.0%}", fits)

    def light_picture(self, turn: int, strands: Collection[int], words: str) -> None:
        """Light one turn of the picture, as brightly as fits.

        Args:
            turn: number of the turn, from 0.
            strands: strands that light.
            words: what is lit.
        """
        self.light_duty(picture_duty(self.design, turn, strands), words)

    def light_duty(self, duty: Duty, words: str) -> None:
        """Light nodes in any colours, as brightly as fits.

        Args:
            duty: share of full current of each channel, shape (nodes, colours).
            words: what is lit.
        """
        level = float(duty.max(initial=0.0))
        fits = self._fitting(duty.tobytes(), duty, level, lower=True) if level else 0.0
        self._show(frame_from_duty(duty * (fits / level) if level else duty), words, fits)

    def light_ruler(self) -> None:
        """Light the ruler on every strand."""
        step = load_patterns()["ruler"].steps(self.design)[0]
        self._show(frame_from_duty(step.duty), "ruler: blue 5s, white 10s, red 50s", 0.25)

    def dark(self) -> None:
        """Switch everything off."""
        frame = np.zeros((self.design.node_count, self.design.node.channels), np.uint8)
        self._show(frame, "dark", 0.0)

    def step_look_level(self, step: int) -> None:
        """Change the level for looking at strands by one step, up or down."""
        self.look_level = _next_level(self.look_level, step)

    def step_walk_level(self, step: int) -> None:
        """Change the level for walking by one step, up or down."""
        self.walk_level = _next_level(self.walk_level, step)

    def wait_until_steady(self) -> None:
        """Wait until a meter may be read."""
        time.sleep(max(0.0, self._steady_s - time.monotonic()))

    @property
    def unreached(self) -> str | None:
        """Reason that frames do not reach the prop; None without a known one."""
        status = self.clock.status()
        return status.trouble or status.refused

    @property
    def is_seen(self) -> bool:
        """True while something is lit and its frames reach the prop, as far as is known."""
        return not self.is_dark and self.unreached is None and self.clock.held is None

    def require_visible(self) -> None:
        """Check that the prop shows what it is sent, so that the user may judge it.

        Raises:
            InputError: frames do not arrive, or the user took the prop dark.
        """
        if self.unreached is not None:
            raise InputError(f"not saved: frames do not reach the prop ({self.unreached})")
        if self.clock.held is not None:
            raise InputError(f"not saved: the prop is dark, {self.clock.held}")
        if self.put_out:
            raise InputError("not saved: you took the prop dark; b lights it again")

    def _show(self, frame: Frame, words: str, level: float, ramp: bool = False) -> None:
        ramp_s = RAMP_S if ramp else 0.0
        self._steady_s = time.monotonic() + ramp_s + STEADY_S
        self.clock.show(frame, ramp_s)
        self.words, self.level, self.lit, self.frame = words, level, None, frame
        self.is_dark = not frame.any()
        self.put_out = self.put_out and self.is_dark

    def _fitting(self, key: object, duty: Duty, level: float, lower: bool) -> float:
        """Return the level asked for or, if that is too high, the highest that fits."""
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


def _next_level(level: float, step: int) -> float:
    """Return the next brighter level, or the next dimmer one."""
    beyond = [one for one in LEVELS if (one - level) * step > 1e-9]
    return (min(beyond) if step > 0 else max(beyond)) if beyond else level


@dataclass(frozen=True, slots=True)
class DriveNotice:
    """A reason that the light may differ from what is sent."""

    short: str
    """For a line with little room."""
    whole: str


def drive_notice(status: DriveStatus) -> DriveNotice | None:
    """Return the worst fault of the drive; None without one."""
    if status.trouble is not None:
        return DriveNotice(status.trouble, status.trouble)
    heard = [other for other in status.other_sources if other.priority is not None]
    if heard:
        worst = max(heard, key=lambda other: other.priority or 0)
        more = f" and {len(heard) - 1} more" if len(heard) > 1 else ""
        verb = "send" if more else "sends"
        return DriveNotice(f"{worst.label}{more} {verb}, priority {worst.priority}", str(worst))
    if status.refused is not None:
        return DriveNotice("packets refused", status.refused)
    if status.other_sources:
        listed = status.other_sources[0]
        short = f"{listed.label} lists {describe_universes(listed.universes)}"
        return DriveNotice(short, str(listed))
    return None
