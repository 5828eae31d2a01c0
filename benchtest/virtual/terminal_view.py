"""What the virtual prop shows, drawn in a terminal: legible without colour."""

from __future__ import annotations

import json
from collections.abc import Iterable, Mapping
from itertools import groupby

import numpy as np
from rich.console import Group, RenderableType
from rich.text import Text

from benchtest.virtual.observer import observe
from benchtest.virtual.server import ListenAddress, VirtualPropServer

_GLYPHS = {
    "ok": "#", "dark": "x", "dim": "-", "warm": "w", "wrong-colour": "c", "stuck": "s",
    "flicker": "f",
}  # fmt: skip
"""A node that should be lit, by how it looks; one that should be dark, and is, is a dot."""
_LEGEND = "# lit  . off  x dark  - dim  w warm  s stuck  f flicker"
_HELP = "Type 4A to read, fault 4A+=0.8 to break, repair 4A+ to mend; Ctrl-C ends"
_MIN_VISIBLE_LIGHT = 0.02
"""Share of full light from which a node that should be dark is seen to be lit."""


def draw_prop(
    simulation: VirtualPropServer,
    where: ListenAddress,
    width: int,
    answers: Iterable[str],
    typed: str,
) -> RenderableType:
    """One picture of the prop as it is now, at most `width` columns wide."""
    state = simulation.state()
    sources = ", ".join(f"{s['name']} at {s['priority']}" for s in state["sources"]) or "nobody"
    taken = state["packets"].get("accepted", 0)
    lowest, feeds = state["lowest_node"], state["feeds"].items()
    amps = ", ".join(f"{name} {value:.2f} A" for name, value in feeds)
    return Group(
        Text(f"{simulation.prop.design.name} (virtual), hears E1.31 on {where.host}:{where.port}"),
        Text(f"From {sources}. Packets: {taken} taken{_discarded(state['packets'])}.", style="dim"),
        Text(f"Lowest node {lowest['node']} at {lowest['volts']:.2f} V; {amps}"),
        Text(_LEGEND, style="dim"),
        Text(_HELP, style="dim"),
        *(Text(answer, no_wrap=True, overflow="ellipsis") for answer in answers),
        Text(f"> {typed}_"),
        *_strands(simulation, width),  # last: a short terminal cuts off what is lowest
    )


def answer_line(simulation: VirtualPropServer, line: str) -> str:
    """What to print below a line that was typed: a reading, what was done, or what is wrong."""
    word, _, rest = line.partition(" ")
    asked = {word: rest.strip()} if word in ("fault", "repair") else {"measure": line}
    found = simulation.answer(json.dumps(asked).encode())
    if "error" in found:
        return f"{line}: {found['error']}"
    if "volts" in found:
        return f"{line}: {found['volts']:.4f} V"
    if "fault" in found:
        return f"{line}: done"
    return f"{line}: done; " + ("that was it" if found["was_wrong"] else "nothing was wrong there")


def _discarded(packets: Mapping[str, int]) -> str:
    passed_over = [f"{count} {why}" for why, count in packets.items() if why != "accepted"]
    return "; " + ", ".join(passed_over) if passed_over else ""


def _strands(simulation: VirtualPropServer, width: int) -> list[Text]:
    prop = simulation.prop
    light = np.clip(prop.light(), 0.0, 1.0)
    signs = np.where(light.max(axis=1) > _MIN_VISIBLE_LIGHT, _GLYPHS["stuck"], ".")
    for sight in observe(prop):
        first = prop.design.index(sight.strand, sight.first)
        signs[first : first + sight.last - sight.first + 1] = _GLYPHS.get(sight.seen, "?")
    rows = []
    for strand, start in zip(prop.design.strands, prop.design.first_index, strict=True):
        shown = min(strand.nodes, max(width - 10, 10))
        row = Text(f"{strand.number:>4} A ", style="dim")
        row.append_text(_nodes(signs[start : start + shown], light[start : start + shown]))
        rows.append(row.append(" B" if shown == strand.nodes else " >", style="dim"))
    return rows


def _nodes(signs: np.ndarray, light: np.ndarray) -> Text:
    """Signs of a strand's nodes in their own light; neighbours alike are written in one go."""
    row = Text()
    styles = [_style(node) for node in light]
    for style, run in groupby(range(len(styles)), key=styles.__getitem__):
        row.append("".join(signs[place] for place in run), style=style)
    return row


def _style(light: np.ndarray) -> str:
    if light.max() < _MIN_VISIBLE_LIGHT:
        return "dim"
    white = light[3] if len(light) > 3 else 0.0
    shown = np.clip((light[:3] + white) ** 0.5 * 255, 0, 255).astype(int)
    return f"rgb({shown[0]},{shown[1]},{shown[2]})"
