"""The `[node]` table of a prop file: a kind of the catalogue, with overrides."""

from __future__ import annotations

import dataclasses
from typing import Any

from benchtest.errors import InputError, did_you_mean
from benchtest.prop.node_kinds import NodeKind, catalogue
from benchtest.toml_table import TomlTable

MAX_FIGURES = {
    "volts": 60.0,
    "lowest_v": 60.0,
    "most_v": 60.0,
    "channel_ma": 1000.0,
    "quiescent_ma": 100.0,
    "logic_v": 60.0,
}
"""Figures that a prop file may override, and the most that is not a slip of the pen."""
FIGURES_BY_COLOUR = ("full_v", "dark_v")
OWN_SOURCE = "the prop file"
"""Source of a figure that the prop file gives."""
KEYS = ("kind", "colour_order", "backup_data", *MAX_FIGURES, *FIGURES_BY_COLOUR)


def read_node(sheet: TomlTable) -> NodeKind | None:
    """The kind of node, with the file's own figures in place of the catalogue's."""
    if not sheet.has("node"):
        sheet.get("node", 'write a table [node] with kind = "ws2811-5v"')
        return None
    table = sheet.sheet("node")
    assert table is not None
    table.no_other_keys(KEYS)
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
    for key, most in MAX_FIGURES.items():
        if table.has(key):
            zero = key == "quiescent_ma"
            changes[key] = table.number(key, least=0.0, most=most, zero=zero)
    for key in FIGURES_BY_COLOUR:
        if (figures := table.sheet(key)) is not None:
            changes[key] = {**getattr(kind, key), **_by_colour(figures, kind)}
    if table.has("backup_data"):
        changes["backup_data"] = table.flag("backup_data", default=kind.backup_data)
    if (order := _order(table, kind)) is not None:
        changes["colour_order"] = order
    if any(value is None for value in changes.values()):
        return None
    found = with_figures(kind, **changes)
    return found if _makes_sense(table, found) else None


def with_figures(kind: NodeKind, **changes: Any) -> NodeKind:
    """A kind with the builder's own figures, which are marked as such."""
    sources = {**kind.sources, **dict.fromkeys(changes, OWN_SOURCE)}
    return dataclasses.replace(kind, **changes, sources=sources)


def _by_colour(figures: TomlTable, kind: NodeKind) -> dict[str, float]:
    figures.no_other_keys(kind.colours)
    found = {}
    for colour in kind.colours:
        if figures.has(colour):
            volts = figures.number(colour, least=0.0, most=60.0)
            if volts is not None:
                found[colour] = volts
    return found


def _order(table: TomlTable, kind: NodeKind) -> str | None:
    if not table.has("colour_order"):
        return None
    return table.parsed("colour_order", lambda text: parse_colour_order(text, kind))


def parse_colour_order(text: str, kind: NodeKind) -> str:
    """Letters of a kind's colours in the order that its wire carries them, such as `GRB`.

    Raises:
        InputError: they are other letters.
    """
    order = text.strip().upper()
    letters = "".join(colour[0].upper() for colour in kind.colours)
    if sorted(order) != sorted(letters):
        raise InputError(f'is "{text}"; write the letters {letters} in wire order')
    return order


def _makes_sense(table: TomlTable, kind: NodeKind) -> bool:
    good = True
    for colour in kind.colours:
        if kind.dark_v[colour] >= kind.full_v[colour]:
            table.fault("dark_v", f"{colour} is not below full_v; current falls between the two")
            good = False
        if kind.dark_v[colour] >= kind.volts:
            table.fault("dark_v", f"{colour} is not below the supply; it would never light")
            good = False
    if kind.lowest_v > kind.volts:
        table.fault("lowest_v", f"is {kind.lowest_v:g}, above the supply of {kind.volts:g} V")
        good = False
    return good
