"""Behaviour of each kind of the node catalogue as its volts fall: arrays to draw, and sentences.

Every figure in the sentences is computed from the catalogue, so the notes cannot differ from the
tool's assumptions. `tests/plots.py` draws the arrays.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property
from pathlib import Path
from textwrap import fill

import numpy as np
from numpy.typing import NDArray

from benchtest.circuit.node_loads import node_light, node_loads
from benchtest.evidence.marks import DARK_SHARE, DIM_SHARE, WARM_SHARE
from benchtest.prop.node_kinds import NodeKind, catalogue

FloatArray = NDArray[np.float64]

NOTES = Path(__file__).parent.parent / "hw_notes" / "node_kinds.md"
FOLDER = NOTES.parent / "pictures"
HEADING = "## What each kind does as its volts fall\n"

STEP_V = 0.005


@dataclass(frozen=True)
class Sweep:
    """One kind at white, from 0 V to a little above its highest volts.

    Below `logic_v` a node has lost its frame: it is dark, independent of its data.
    """

    kind: NodeKind

    @cached_property
    def volts_v(self) -> FloatArray:
        """Volts at the node, shape (n,). [V]"""
        return np.arange(0.0, self.kind.most_v * 1.06, STEP_V)

    @cached_property
    def awake(self) -> NDArray[np.bool_]:
        """True at the volts at which the node's logic runs, shape (n,)."""
        return np.asarray(self.volts_v > self.kind.logic_v - STEP_V / 2)

    @cached_property
    def duty(self) -> FloatArray:
        """Duty of each colour when the data are white, shape (n, colours)."""
        return np.repeat(self.awake[:, None].astype(float), self.kind.channels, axis=1)

    @cached_property
    def channel_ma(self) -> FloatArray:
        """Current of each colour, shape (n, colours). [mA]"""
        return node_loads(self.kind, self.volts_v, self.duty).channel_a * 1e3

    @cached_property
    def white_ma(self) -> FloatArray:
        """Current of the node at white, shape (n,). [mA]"""
        return node_loads(self.kind, self.volts_v, self.duty).node_a * 1e3

    @cached_property
    def dark_ma(self) -> FloatArray:
        """Current of the dark node, shape (n,). [mA]"""
        return node_loads(self.kind, self.volts_v, np.zeros_like(self.duty)).node_a * 1e3

    @cached_property
    def light(self) -> FloatArray:
        """Light of each colour over that at nominal volts, shape (n, colours)."""
        return node_light(self.kind, self.volts_v) * self.duty

    @cached_property
    def looks(self) -> list[str]:
        """Appearance of white to an attentive eye at each of the volts."""
        red = self.light[:, self.kind.colours.index("red")]
        strongest, weakest = self.light.max(axis=1), self.light.min(axis=1)
        words = np.full(len(red), "white", dtype="<U10")
        shifted = weakest < WARM_SHARE * strongest
        words[shifted & (red >= strongest)] = "warm"
        words[shifted & (red <= weakest)] = "cold"
        words[(weakest < DARK_SHARE * strongest) & (red >= strongest)] = "red"
        dim = strongest < DIM_SHARE
        words[dim] = np.char.add("dim ", words[dim])
        words[strongest < DARK_SHARE] = "dark"
        return [str(word) for word in words]

    @cached_property
    def screen_rgb(self) -> NDArray[np.uint8]:
        """The mix as a screen shows it (IEC 61966-2-1), shape (n, 3).

        A node brighter than at nominal volts keeps its colour and loses what is above white.
        """
        mix = self.light[:, :3].copy()
        if "white" in self.kind.colours:
            mix = (mix + self.light[:, 3:]) / 2.0
        mix /= np.maximum(mix.max(axis=1, keepdims=True), 1.0)
        coded = np.where(mix <= 0.0031308, 12.92 * mix, 1.055 * mix ** (1 / 2.4) - 0.055)
        return np.rint(255.0 * coded).astype(np.uint8)

    def at(self, volts_v: float) -> int:
        """Place of these volts in the arrays."""
        return int(np.argmin(np.abs(self.volts_v - volts_v)))

    def lowest_as(self, look: str) -> float:
        """Volts down to which white, falling from nominal, looks like this. [V]"""
        place = self.at(self.kind.volts)
        while self.looks[place] != look:
            place -= 1
        while self.looks[place] == look:
            place -= 1
        return float(self.volts_v[place + 1])


def file_name(kind: NodeKind) -> str:
    """Return the name of its picture."""
    return f"kind-{kind.name}.svg"


def caption(kind: NodeKind) -> str:
    """Return the result that its plot shows, in one sentence."""
    sweep = Sweep(kind)
    if kind.family == "regulated":
        return _regulated(sweep)
    if kind.family == "resistor":
        return _resistor(sweep)
    if kind.family == "series-colours":
        return _series_colours(sweep)
    return _sink(sweep)


def _sink(sweep: Sweep) -> str:
    kind = sweep.kind
    names = "green and blue" if kind.channels == 3 else "green, blue and white"
    end = f"until the logic stops at {kind.logic_v:g} V"
    if kind.full_v["red"] > kind.logic_v:
        end = f"until that too looks dim, from {sweep.lowest_as('red'):.2f} V"
    return (
        f"At {kind.lowest_v:g} V nothing shows yet: {names} begin to fade below "
        f"{kind.full_v['blue']:g} V, the eye sees white go warm below "
        f"{sweep.lowest_as('white'):.2f} V, and only red is left from {kind.dark_v['blue']:g} V "
        f"{end}."
    )


def _resistor(sweep: Sweep) -> str:
    kind = sweep.kind
    red, _, blue = (100 * part for part in sweep.light[sweep.at(kind.lowest_v)])
    high = 100 * sweep.light[sweep.at(kind.most_v), 2]
    return (
        f"Every colour fades from the first tenth of a volt below {kind.volts:g} V, white looks "
        f"warm below {sweep.lowest_as('white'):.2f} V, at {kind.lowest_v:g} V red has {red:.0f} % "
        f"of its light but green and blue only {blue:.0f} %, and at {kind.most_v:g} V those two "
        f"have {high:.0f} %: too many volts show as a colder, brighter white."
    )


def _series_colours(sweep: Sweep) -> str:
    kind = sweep.kind
    return (
        f"White stays white and all of it begins to fade below {kind.full_v['blue']:g} V, looks "
        f"dim below {sweep.lowest_as('white'):.2f} V and is out at {kind.dark_v['blue']:g} V; "
        f"one colour alone draws as much as white: {sweep.white_ma[sweep.at(kind.volts)]:.1f} mA."
    )


def _regulated(sweep: Sweep) -> str:
    kind = sweep.kind
    fade_v = kind.full_v["blue"]
    most, nominal, least = (
        sweep.white_ma[sweep.at(volts)] for volts in (kind.most_v, kind.volts, fade_v)
    )
    return (
        f"The eye gets no warning: light is the same from {kind.most_v:g} V down to {fade_v:g} V "
        f"while the node's current rises from {most:.1f} mA through {nominal:.1f} mA at "
        f"{kind.volts:g} V to {least:.1f} mA; then white looks dim below "
        f"{sweep.lowest_as('white'):.2f} V and is out at {kind.dark_v['blue']:g} V."
    )


def currents(kind: NodeKind) -> str:
    """Return the node's current at nominal volts, in a sentence for the picture's file."""
    sweep = Sweep(kind)
    place = sweep.at(kind.volts)
    return (
        f"At {kind.volts:g} V the node draws {sweep.white_ma[place]:.1f} mA at white "
        f"and {sweep.dark_ma[place]:.1f} mA dark."
    )


INTRODUCTION = f"""
One node at white (every channel at full), drawn from the catalogue by `python -m tests.plots`. Top:
its current. Bottom: the light of each colour relative to nominal volts, and the resulting colour of
white. In the grey part the logic has stopped: the node has lost its frame and is dark. An observer
is assumed to see *warm* if the weakest colour has less than {100 * WARM_SHARE:.0f} % of the
strongest, and *dim* below {100 * DIM_SHARE:.0f} % of full light; without attention the eye notices
less. The colours are an estimate: light is assumed to follow current (behind a regulator, power),
and your screen is not an LED.
"""


def section() -> str:
    """The part of the notes that shows every plot."""
    parts = [
        f"### `{kind.name}`\n\n{fill(caption(kind), 100)}\n\n"
        f"![{kind.name}: current, light and colour against volts](pictures/{file_name(kind)})\n"
        for kind in catalogue().values()
    ]
    return "\n".join([HEADING, f"{fill(INTRODUCTION.strip(), 100)}\n", *parts])
