"""What the virtual prop shows, drawn in a terminal: legible without colour."""

from __future__ import annotations

import numpy as np
from rich.console import Group, RenderableType
from rich.text import Text

from benchtest.virtual.observe import observe
from benchtest.virtual.server import Listening, Simulation

SIGNS = {"ok": "#", "dark": "x", "dim": "-", "warm": "w", "wrong-colour": "c", "stuck": "s"}
"""A node that should be lit, by how it looks; one that should be dark is a dot."""


def draw(simulation: Simulation, where: Listening, width: int) -> RenderableType:
    """One picture of the prop as it is now, at most `width` columns wide."""
    prop = simulation.prop
    state = simulation.state()
    lines = [Text(f"{prop.design.name} (virtual), hears E1.31 on {where.host}:{where.port}")]
    sources = ", ".join(f"{s['name']} at {s['priority']}" for s in state["sources"]) or "nobody"
    accepted = state["packets"].get("accepted", 0)
    lines.append(Text(f"From: {sources}. Packets: {accepted}.", style="dim"))
    lines += _strands(simulation, width)
    lowest, feeds = state["lowest_node"], state["feeds"].items()
    amps = ", ".join(f"{name} {value:.2f} A" for name, value in feeds)
    lines.append(Text(f"Lowest node {lowest['node']} at {lowest['volts']:.2f} V; {amps}"))
    lines.append(
        Text("# lit  . off  x dark  - dim  w warm  s stuck.  Type a probe (4A) to read it.")
    )
    return Group(*lines)


def _strands(simulation: Simulation, width: int) -> list[Text]:
    prop = simulation.prop
    signs = np.full(prop.design.node_count, ".")
    for sight in observe(prop):
        first = prop.design.index(sight.strand, sight.first)
        signs[first : first + sight.last - sight.first + 1] = SIGNS.get(sight.seen, "?")
    light = np.clip(prop.light(), 0.0, 1.0)
    rows = []
    for strand, start in zip(prop.design.strands, prop.design.first_index, strict=True):
        row = Text(f"{strand.number:>4} A ", style="dim")
        shown = min(strand.nodes, max(width - 10, 10))
        for place in range(start, start + shown):
            row.append(signs[place], style=_style(light[place]))
        row.append(" B" if shown == strand.nodes else " …", style="dim")
        rows.append(row)
    return rows


def _style(light: np.ndarray) -> str:
    if light.max() < 0.02:
        return "dim"
    white = light[3] if len(light) > 3 else 0.0
    shown = np.clip((light[:3] + white) ** 0.5 * 255, 0, 255).astype(int)
    return f"rgb({shown[0]},{shown[1]},{shown[2]})"
