"""The virtual prop drawn in a terminal, legible without colour, and the line typed below it.

`input` and readline echo at the cursor, which each redraw of the picture moves and overwrites, so
the line is kept here and drawn with the picture.
"""

from __future__ import annotations

import codecs
import json
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field
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
"""Character of a node that should be lit, by its appearance; a dark node that should be dark is a
dot."""
_LEGEND = "# lit  . off  x dark  - dim  w warm  s stuck  f flicker"
_HELP = "Type 4A to read, fault 4A+=0.8 to break, repair 4A+ to repair; Ctrl-C ends"
_MIN_VISIBLE_LIGHT = 0.02
"""Share of full light from which a node that should be dark looks lit."""

_MAX_LINE_LENGTH = 60
_ENTER, _BACKSPACE, _KILL_LINE = ("\r", "\n"), ("\x7f", "\x08"), "\x15"


def draw_prop(
    simulation: VirtualPropServer,
    where: ListenAddress,
    width: int,
    answers: Iterable[str],
    typed: str,
) -> RenderableType:
    """Return one picture of the prop as it is now, at most `width` columns wide."""
    state = simulation.state()
    sources = ", ".join(f"{s['name']} at {s['priority']}" for s in state["sources"]) or "no source"
    taken = state["packets"].get("accepted", 0)
    lowest, feeds = state["lowest_node"], state["feeds"].items()
    amps = ", ".join(f"{name} {value:.2f} A" for name, value in feeds)
    return Group(
        Text(f"{simulation.prop.design.name} (virtual), E1.31 on {where.host}:{where.port}"),
        Text(
            f"From {sources}. Packets: {taken} accepted{_discarded(state['packets'])}.", style="dim"
        ),
        Text(f"Lowest node {lowest['node']} at {lowest['volts']:.2f} V; {amps}"),
        Text(_LEGEND, style="dim"),
        Text(_HELP, style="dim"),
        *(Text(answer, no_wrap=True, overflow="ellipsis") for answer in answers),
        Text(f"> {typed}_"),
        *_strands(simulation, width),  # last: a short terminal cuts off the lowest lines
    )


def answer_line(simulation: VirtualPropServer, line: str) -> str:
    """Return the answer to a typed line: a reading, an action done, or an error."""
    word, _, rest = line.partition(" ")
    asked = {word: rest.strip()} if word in ("fault", "repair") else {"measure": line}
    found = simulation.answer(json.dumps(asked).encode())
    if "error" in found:
        return f"{line}: {found['error']}"
    if "volts" in found:
        return f"{line}: {found['volts']:.4f} V"
    if "fault" in found:
        return f"{line}: done"
    return f"{line}: done; " + (
        "it was faulty" if found["was_wrong"] else "nothing was faulty there"
    )


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
    """Draw a strand's nodes in their own light, with equal neighbours in one piece."""
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


@dataclass
class LineBuffer:
    r"""The line being typed.

    >>> line = LineBuffer()
    >>> line.type(b"4B"), line.text
    ([], '4B')
    >>> line.type(b"\x7fA\n")
    ['4A']
    """

    text: str = ""
    _decode: codecs.IncrementalDecoder = field(
        default_factory=lambda: codecs.getincrementaldecoder("utf-8")("replace")
    )

    def type(self, octets: bytes) -> list[str]:
        """Add keys as they come; return the lines that they complete."""
        done = []
        for char in self._decode.decode(octets):
            if char in _ENTER:
                done.append(self.text.strip())
                self.text = ""
            elif char in _BACKSPACE:
                self.text = self.text[:-1]
            elif char == _KILL_LINE:
                self.text = ""
            elif char.isprintable() and len(self.text) < _MAX_LINE_LENGTH:
                self.text += char
        return [line for line in done if line]
