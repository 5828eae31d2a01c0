"""Node kinds: the catalogue, and a builder's own figures in place of its figures."""

from __future__ import annotations

import tomllib
from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from functools import cache
from importlib.resources import files
from typing import Any, Literal

from benchtest.errors import InputError, did_you_mean
from benchtest.toml_table import TomlTable

Family = Literal["sink", "resistor", "series-colours", "regulated"]

MAX_FIGURES = {
    "volts": 60.0,
    "lowest_v": 60.0,
    "most_v": 60.0,
    "channel_ma": 1000.0,
    "quiescent_ma": 100.0,
    "logic_v": 60.0,
    "data_khz": 800.0,
    "one_ns": 2500.0,
}
"""Figures that a prop file may override, and the largest value that is not a typing error."""
DATA_KHZ = (800.0, 400.0)
"""Rates of data lines. [kHz]"""
FIGURES_BY_COLOUR = ("full_v", "dark_v")
"""Figures that a prop file may override colour by colour."""
OWN_SOURCE = "the prop file"
"""Source of a figure that the prop file gives."""
_KEYS = ("kind", "colour_order", "backup_data", *MAX_FIGURES, *FIGURES_BY_COLOUR)


@dataclass(frozen=True, slots=True)
class NodeKind:
    """One entry of the node catalogue, overrides applied. Mappings are by colour name.

    `benchtest.circuit.node_loads` gives the current that follows from the figures.
    """

    name: str
    title: str
    family: Family
    colours: tuple[str, ...]
    """Colour of each channel in the tool's own order: red, green, blue and, where fitted, white."""
    colour_order: str
    """Letters in the order that the wire carries them, such as `GRB` or `GRBW`."""
    volts: float
    """Nominal supply. [V]"""
    lowest_v: float
    """Least supply that the worst node should still have. [V]"""
    most_v: float
    """Highest permissible supply. [V]"""
    channel_ma: float
    """Current of one colour channel at level 1.0 and nominal supply. [mA]"""
    quiescent_ma: float
    """Current of a powered, dark node. [mA]"""
    logic_v: float
    """Supply below which the node's logic stops and its quiescent current collapses. [V]"""
    full_v: Mapping[str, float]
    """Supply at and above which a colour has all its light (sinks, regulators). [V]"""
    dark_v: Mapping[str, float]
    """Supply at and below which a colour has none. [V]"""
    backup_data: bool
    """True where a second data line bypasses one dead node."""
    data_khz: float = 800.0
    """Rate of the data line, 800 or 400. [kHz]"""
    one_ns: float = 700.0
    """High time of a 1 on the data line. [ns]"""
    channel_bins_ma: tuple[float, ...] = ()
    """Other channel currents that parts of this name are sold with. [mA]"""
    sources: Mapping[str, str] = field(default_factory=dict)
    """Source of each figure, by its key."""

    @property
    def channels(self) -> int:
        """Number of colour channels of one node."""
        return len(self.colours)

    @property
    def bit_s(self) -> float:
        """Time of one bit on the data line. [s]"""
        return 1e-3 / self.data_khz


@cache
def catalogue() -> Mapping[str, NodeKind]:
    """Return every kind that ships with the tool, by its name."""
    text = files("benchtest.prop").joinpath("nodes.toml").read_text(encoding="utf-8")
    return {name: _kind(name, table) for name, table in tomllib.loads(text).items()}


def _kind(name: str, table: Mapping[str, Any]) -> NodeKind:
    figures = dict(table)
    figures["colours"] = tuple(figures["colours"])
    figures["channel_bins_ma"] = tuple(figures["channel_bins_ma"])
    return NodeKind(name=name, **figures)


def with_figures(kind: NodeKind, **changes: Any) -> NodeKind:
    """Return a kind with the builder's own figures, each marked with `OWN_SOURCE`."""
    sources = {**kind.sources, **dict.fromkeys(changes, OWN_SOURCE)}
    return replace(kind, **changes, sources=sources)


def parse_colour_order(text: str, kind: NodeKind) -> str:
    """Read the letters of a kind's colours in the order that its wire carries them.

    Args:
        text: such as `GRB`; small letters are accepted.
        kind: kind of node, whose colours give the letters.

    Raises:
        InputError: other letters, or not each of them once.
    """
    order = text.strip().upper()
    letters = "".join(colour[0].upper() for colour in kind.colours)
    if sorted(order) != sorted(letters):
        raise InputError(
            f'"{text}" is not a colour order; write the letters {letters} in wire order, such as '
            f'"{kind.colour_order}"'
        )
    return order


def read_node(root: TomlTable) -> NodeKind | None:
    """Read the `[node]` table of a prop file.

    Args:
        root: the whole file; faults are added to its list.

    Returns:
        The kind with the file's own figures in place of the catalogue's; None after a fault.
    """
    if not root.has("node"):
        root.get("node", 'write a table [node] with kind = "ws2811-5v"')
        return None
    table = root.table("node")
    assert table is not None
    table.reject_other_keys(_KEYS)
    kinds = catalogue()
    name = table.text("kind", needed=f"give one of {', '.join(kinds)}")
    if name is None:
        return None
    if name not in kinds:
        hint = did_you_mean(name, kinds)
        table.fault("kind", f'is "{name[:40]}"; give one of {", ".join(kinds)}{hint}')
        return None
    return _overridden(table, kinds[name])


def _overridden(table: TomlTable, kind: NodeKind) -> NodeKind | None:
    changes: dict[str, Any] = {}
    for key, maximum in MAX_FIGURES.items():
        if table.has(key):
            exclusive = key != "quiescent_ma"
            changes[key] = table.number(key, minimum=0.0, maximum=maximum, exclusive=exclusive)
    for key in FIGURES_BY_COLOUR:
        if (figures := table.table(key)) is not None:
            changes[key] = {**getattr(kind, key), **_by_colour(figures, kind)}
    if table.has("backup_data"):
        changes["backup_data"] = table.flag("backup_data", default=kind.backup_data)
    if (order := _colour_order(table, kind)) is not None:
        changes["colour_order"] = order
    if any(value is None for value in changes.values()):
        return None
    found = with_figures(kind, **changes)
    return found if _is_consistent(table, found) else None


def _by_colour(figures: TomlTable, kind: NodeKind) -> dict[str, float]:
    figures.reject_other_keys(kind.colours)
    found = {}
    for colour in kind.colours:
        if figures.has(colour):
            volts = figures.number(colour, minimum=0.0, maximum=60.0)
            if volts is not None:
                found[colour] = volts
    return found


def _colour_order(table: TomlTable, kind: NodeKind) -> str | None:
    if not table.has("colour_order"):
        return None
    return table.parsed("colour_order", lambda text: parse_colour_order(text, kind))


def _is_consistent(table: TomlTable, kind: NodeKind) -> bool:
    good = True
    for colour in kind.colours:
        if kind.dark_v[colour] >= kind.full_v[colour]:
            table.fault("dark_v", f"{colour} is not below full_v; current falls between the two")
            good = False
        if kind.dark_v[colour] >= kind.volts:
            table.fault("dark_v", f"{colour} is not below the supply; it would never light")
            good = False
    if kind.data_khz not in DATA_KHZ:
        table.fault("data_khz", f"is {kind.data_khz:g}; give 800 or 400, as its data sheet does")
        good = False
    if kind.lowest_v > kind.volts:
        table.fault("lowest_v", f"is {kind.lowest_v:g}, above the supply of {kind.volts:g} V")
        good = False
    return good
