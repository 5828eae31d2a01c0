"""Pictures of each shipped pattern on a fan, drawn from the pattern by `python -m tests.stills`.

Writes `hw_notes/pictures/pattern-NAME.svg` and `hw_notes/patterns.md`. A test holds both against
the patterns of today.
"""

from __future__ import annotations

import math
from collections import defaultdict
from collections.abc import Iterator
from html import escape
from importlib.resources import files
from pathlib import Path

from benchtest.pattern import Pattern, Step, load_patterns
from benchtest.pattern.reader import MIN_HOLD_S
from benchtest.prop.design import Design
from benchtest.prop.reader import read_design

NOTES = Path(__file__).parent.parent / "hw_notes"
FOLDER = NOTES / "pictures"
PAGE = NOTES / "patterns.md"
PROP = Path(str(files("benchtest.virtual").joinpath("willow-fan.toml")))

PANELS = 4
"""Steps of a pattern that are drawn; of more, as many from its beginning to its end."""
WIDE, HIGH, SAYS, GAP = 320.0, 182.0, 40.0, 8.0
FOOT, CROWN, SPREAD = 30.0, 148.0, 62.0
"""Distance of the foot bus and of the far ends from the fan's centre; half its angle. [px, °]"""
GAMMA = 2.2
"""Levels are currents, and so light; a screen's are not. Source: IEC 61966-2-1, approximately."""
DARK, NIGHT, COPPER, INK, FAINT = "#3a4048", "#12161b", "#6b5a3c", "#e8eaed", "#aab2bc"
FONT = "DejaVu Sans, sans-serif"
FORWARD = f"""\
# The shipped patterns

Patterns are small files in [patterns/](../patterns); put your own into `patterns` in the bench
folder. Each picture is drawn from the pattern's file on the demo's Willow fan, 12 strands of 30
nodes, end A at the foot. It shows the nodes that should be lit, to compare with your prop.
`benchtest drive PROP NAME --to e131:HOST` sends a pattern.

Full white is bright, and changing light can trigger seizures: warn people first. Large areas change
at most every {MIN_HOLD_S:g} s; a faster pattern is refused, in your own files too.

A file has `title`, `reveals`, `asks`, `hold_s` (duration of a step in seconds) and tables
`[[step]]`. A step table has `each`: one step for each `prop`, `strand`, `node` or `colour`; `says`:
its text; and `layer`: the nodes to light, by `every` (every so many nodes), `colour` and `level`
(0 to 1). A later layer replaces an earlier one. The steps of `each = "turn"` are those of the
picture, without layers."""


def fan() -> Design:
    """The prop that patterns are drawn on."""
    return read_design(PROP)


def file_name(pattern: Pattern) -> str:
    """Return the name of a pattern's picture."""
    return f"pattern-{pattern.name}.svg"


def steps_shown(pattern: Pattern, design: Design) -> list[Step]:
    """Return the steps that are drawn."""
    steps = pattern.steps(design)
    count = min(PANELS, len(steps))
    last = max(count - 1, 1)
    return [steps[round(place * (len(steps) - 1) / last)] for place in range(count)]


def draw(pattern: Pattern, design: Design) -> str:
    """Return the still picture as SVG."""
    steps = steps_shown(pattern, design)
    across = len(steps) if len(steps) < PANELS else 2
    width = across * WIDE + (across - 1) * GAP
    rows = -(-len(steps) // across)
    height = rows * (HIGH + SAYS) + (rows - 1) * GAP
    says = "; ".join(step.text for step in steps)
    parts = [
        f'<svg xmlns="http://www.w3.org/2000/svg" width="{width:g}" height="{height:g}" '
        f'viewBox="0 0 {width:g} {height:g}" role="img" '
        f'aria-labelledby="title says" font-family="{FONT}">',
        f'<title id="title">{escape(pattern.title)}</title>',
        f'<desc id="says">{escape(says)}.</desc>',
    ]
    for place, step in enumerate(steps):
        x = place % across * (WIDE + GAP)
        y = place // across * (HIGH + SAYS + GAP)
        parts += [f'<g transform="translate({x:g} {y:g})">', *_panel(step, design), "</g>"]
    return "\n".join([*parts, "</svg>", ""])


def _panel(step: Step, design: Design) -> Iterator[str]:
    yield f'<rect width="{WIDE:g}" height="{HIGH + SAYS:g}" rx="6" fill="{NIGHT}"/>'
    arc = [_at(design, place, FOOT) for place in range(len(design.strands))]
    yield f'<path d="M{"L".join(arc)}" fill="none" stroke="{COPPER}" stroke-width="4"/>'
    for colour, places in sorted(_lit(step, design).items()):
        lit = colour != DARK
        dots = "".join(f"M{place}h0" for place in places)
        yield (
            f'<path d="{dots}" stroke="{colour}" stroke-width="{4.6 if lit else 2.6}" '
            f'stroke-linecap="round" class="{"lit" if lit else "dark"}"/>'
        )
    for number in (1, len(design.strands)):
        x, y = _at(design, number - 1, CROWN + 12.0).split()
        yield _words(float(x), float(y) + 3.0, str(number), FAINT, 9)
    for row, line in enumerate(_broken(step.text)):
        yield _words(WIDE / 2, HIGH + 14.0 + 14.0 * row, line, INK, 11)


def _words(x: float, y: float, words: str, ink: str, size: int) -> str:
    return (
        f'<text x="{x:.1f}" y="{y:.1f}" fill="{ink}" font-size="{size}" text-anchor="middle">'
        f"{escape(words)}</text>"
    )


def _broken(says: str, most: int = 48) -> list[str]:
    """Split words into lines that fit a panel."""
    lines = [""]
    for word in says.split():
        if len(lines[-1]) + len(word) >= most:
            lines.append("")
        lines[-1] = f"{lines[-1]} {word}".strip()
    return lines


def _lit(step: Step, design: Design) -> dict[str, list[str]]:
    """Return the places of each colour as shown on a screen."""
    found: dict[str, list[str]] = defaultdict(list)
    for strand in design.strands:
        for node in range(1, strand.nodes + 1):
            duty = step.duty[design.index(strand.number, node)]
            share = (node - 0.5) / strand.nodes
            radius = FOOT + 8.0 + (CROWN - FOOT - 8.0) * share
            found[_shade(design, duty.tolist())].append(_at(design, strand.number - 1, radius))
    return found


def _shade(design: Design, duty: list[float]) -> str:
    if not any(duty):
        return DARK
    level = dict(zip(design.node.colours, duty, strict=True))
    shown = (level["red"], level["green"], level["blue"])
    return "#" + "".join(f"{round(255 * one ** (1 / GAMMA)):02x}" for one in shown)


def _at(design: Design, place: int, radius: float) -> str:
    """Return the point of a strand at a radius from the fan's centre, as text for an SVG path."""
    turn = math.radians(SPREAD * (2 * place / (len(design.strands) - 1) - 1))
    x, y = WIDE / 2 + radius * math.sin(turn), HIGH - 12.0 - radius * math.cos(turn)
    return f"{x:.1f} {y:.1f}"


def page(patterns: dict[str, Pattern]) -> str:
    """Return the page that shows all pictures."""
    parts = [FORWARD]
    for pattern in patterns.values():
        parts.append(
            f"## {pattern.title}\n\n"
            f"`{pattern.name}` reveals {pattern.reveals}. {pattern.asks}\n\n"
            f"![{pattern.title} on a fan](pictures/{file_name(pattern)})"
        )
    return "\n\n".join(parts) + "\n"


def main() -> None:
    """Draw all of them, and write their page."""
    patterns, design = load_patterns(), fan()
    for pattern in patterns.values():
        (FOLDER / file_name(pattern)).write_text(draw(pattern, design), encoding="utf-8")
    PAGE.write_text(page(patterns), encoding="utf-8")


if __name__ == "__main__":
    main()
