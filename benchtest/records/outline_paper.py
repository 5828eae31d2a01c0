"""Paper in millimetres, with filled rectangles and letters as outlines, as PDF or SVG.

The letters come from the fonts of this package, so a sheet prints the same everywhere. In a PDF
each letter is a glyph of a Type 3 font with its character, so that text can be searched and copied.
Source: ISO 32000-1, 9.6.5 (Type 3 fonts) and 9.10.3 (ToUnicode).
"""

from __future__ import annotations

import io
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field
from functools import cache
from importlib.resources import files
from typing import TYPE_CHECKING, Any
from xml.sax.saxutils import escape

if TYPE_CHECKING:
    import freetype
    import pydyf

MM_PER_PT = 25.4 / 72.0
_CODES = 256
"""Most glyphs of one Type 3 font: a code is one octet."""
Point = tuple[float, float]
Segment = tuple[Point, ...]
"""One point moves, two points are a line, three a quadratic curve with its control point second."""


@dataclass(frozen=True, slots=True)
class Words:
    """A line of text from its baseline's left end; lengths in mm."""

    x: float
    y: float
    text: str
    size: float
    bold: bool = False


@dataclass
class Paper:
    """One page, with its origin at the lower left corner; lengths in mm."""

    width: float
    height: float
    rectangles: list[tuple[float, float, float, float]] = field(default_factory=list)
    """Left, lower edge, width and height of each."""
    words: list[Words] = field(default_factory=list)


@dataclass(frozen=True, slots=True)
class Glyph:
    """One letter, in units of its font's size."""

    advance: float
    contours: tuple[tuple[Segment, ...], ...]


@cache
def _face(bold: bool) -> freetype.Face:
    import freetype

    name = "DejaVuSans-Bold.ttf" if bold else "DejaVuSans.ttf"
    octets = files("benchtest.records").joinpath(f"fonts/{name}").read_bytes()
    return freetype.Face(io.BytesIO(octets))


@cache
def glyph(char: str, bold: bool) -> Glyph:
    """Return a letter of the font; the font's empty box where it has no such letter."""
    import freetype

    face = _face(bold)
    unit = 1.0 / face.units_per_EM
    face.load_char(char, freetype.FT_LOAD_NO_SCALE)
    contours: list[list[Segment]] = []
    last = (0.0, 0.0)

    def at(vector: Any) -> Point:
        return vector.x * unit, vector.y * unit

    def move(to: Any, _: Any) -> None:
        nonlocal last
        last = at(to)
        contours.append([(last,)])

    def line(to: Any, _: Any) -> None:
        nonlocal last
        contours[-1].append((last, at(to)))
        last = at(to)

    def curve(control: Any, to: Any, _: Any) -> None:
        nonlocal last
        contours[-1].append((last, at(control), at(to)))
        last = at(to)

    face.glyph.outline.decompose(None, move, line, curve, None)
    return Glyph(face.glyph.advance.x * unit, tuple(map(tuple, contours)))


def text_width(text: str, bold: bool) -> float:
    """Return the width of a text in multiples of its size."""
    return sum(glyph(char, bold).advance for char in text)


def _number(value: float) -> str:
    return f"{value:.4f}".rstrip("0").rstrip(".")


def _pair(point: Point, scale: float = 1.0) -> str:
    return f"{_number(point[0] * scale)} {_number(point[1] * scale)}"


def paper_svg(paper: Paper) -> str:
    """Return a page as SVG."""
    parts = [
        '<?xml version="1.0" encoding="utf-8"?>\n'
        f'<svg xmlns="http://www.w3.org/2000/svg" width="{_number(paper.width / MM_PER_PT)}pt" '
        f'height="{_number(paper.height / MM_PER_PT)}pt" '
        f'viewBox="0 0 {_number(paper.width)} {_number(paper.height)}">\n'
        f'<g transform="translate(0 {_number(paper.height)}) scale(1 -1)">'
    ]
    squares = "".join(
        f"M{_number(x)} {_number(y)}h{_number(w)}v{_number(h)}h{_number(-w)}z"
        for x, y, w, h in paper.rectangles
    )
    if squares:
        parts.append(f'<path shape-rendering="crispEdges" d="{squares}"/>')
    parts += [_words_svg(words) for words in paper.words]
    return "\n".join([*parts, "</g>\n</svg>\n"])


def _words_svg(words: Words) -> str:
    x, path = 0.0, []
    for char in words.text:
        shape = glyph(char, words.bold)
        for contour in shape.contours:
            for segment in contour:
                moved = [(px + x, py) for px, py in segment]
                after = moved[1:] or moved
                path.append("MLQ"[len(segment) - 1] + " ".join(map(_pair, after)))
            path.append("Z")
        x += shape.advance
    place = f"translate({_pair((words.x, words.y))}) scale({_number(words.size)})"
    title = escape(_plain(words.text))
    return f'<path transform="{place}" d="{"".join(path)}"><title>{title}</title></path>'


def _plain(text: str) -> str:
    """Return a text without the characters that XML and PDF strings cannot hold."""
    return "".join(char if char.isprintable() else "?" for char in text)


def papers_pdf(papers: Iterable[Paper], title: str) -> bytes:
    """Return pages as a PDF without dates, so that the same record gives the same file."""
    import pydyf

    pages = list(papers)
    made = pydyf.PDF()
    made.info["Title"] = pydyf.String(_plain(title))
    used = sorted({(w.bold, char) for page in pages for w in page.words for char in w.text})
    codes: dict[tuple[bool, str], tuple[str, int]] = {}
    fonts = pydyf.Dictionary()
    for number, start in enumerate(range(0, len(used), _CODES)):
        letters = used[start : start + _CODES]
        name = f"F{number}"
        fonts[name] = _type3_font(made, letters)
        codes |= {letter: (name, code) for code, letter in enumerate(letters)}
    for page in pages:
        content = pydyf.Stream(_content(page, codes), compress=True)
        made.add_object(content)
        made.add_page(
            pydyf.Dictionary(
                {
                    "Type": "/Page",
                    "Parent": made.pages.reference,
                    "MediaBox": pydyf.Array(
                        [
                            0,
                            0,
                            float(_number(page.width / MM_PER_PT)),
                            float(_number(page.height / MM_PER_PT)),
                        ]
                    ),
                    "Contents": content.reference,
                    "Resources": pydyf.Dictionary({"Font": fonts}),
                }
            )
        )
    out = io.BytesIO()
    made.write(out)
    return out.getvalue()


def _type3_font(made: pydyf.PDF, letters: Sequence[tuple[bool, str]]) -> bytes:
    """Add a font with these letters, one for each code, and return the reference to it."""
    import pydyf

    procedures = pydyf.Dictionary()
    for code, (bold, char) in enumerate(letters):
        procedure = pydyf.Stream(_glyph_pdf(glyph(char, bold)), compress=True)
        made.add_object(procedure)
        procedures[f"g{code}"] = procedure.reference
    rows = [
        f"<{code:02x}> <{char.encode('utf-16-be', 'replace').hex()}>"
        for code, (_, char) in enumerate(letters)
    ]
    groups = [rows[start : start + 100] for start in range(0, len(rows), 100)]
    blocks = [f"{len(group)} beginbfchar\n" + "\n".join(group) + "\nendbfchar" for group in groups]
    mapping = (
        "/CIDInit /ProcSet findresource begin 12 dict begin begincmap\n"
        "/CMapName /used def /CMapType 2 def\n"
        "1 begincodespacerange <00> <ff> endcodespacerange\n"
        + "\n".join(blocks)
        + "\nendcmap CMapName currentdict /CMap defineresource pop end end"
    )
    unicode = pydyf.Stream([mapping.encode()], compress=True)
    made.add_object(unicode)
    names = pydyf.Array(["0", *(f"/g{code}" for code in range(len(letters)))])
    font = pydyf.Dictionary(
        {
            "Type": "/Font",
            "Subtype": "/Type3",
            "FontBBox": pydyf.Array([0, 0, 0, 0]),
            "FontMatrix": pydyf.Array([0.001, 0, 0, 0.001, 0, 0]),
            "CharProcs": procedures,
            "Encoding": pydyf.Dictionary({"Type": "/Encoding", "Differences": names}),
            "FirstChar": 0,
            "LastChar": len(letters) - 1,
            "Widths": pydyf.Array(
                [round(glyph(char, bold).advance * 1000) for bold, char in letters]
            ),
            "Resources": pydyf.Dictionary(),
            "ToUnicode": unicode.reference,
        }
    )
    made.add_object(font)
    return bytes(font.reference)


def _glyph_pdf(shape: Glyph) -> list[bytes]:
    """Return a letter's drawing in thousandths; PDF has cubic curves only."""
    points = [point for contour in shape.contours for segment in contour for point in segment]
    xs, ys = [p[0] * 1000 for p in points] or [0.0], [p[1] * 1000 for p in points] or [0.0]
    box = " ".join(_number(one) for one in (min(xs), min(ys), max(xs), max(ys)))
    lines = [f"{round(shape.advance * 1000)} 0 {box} d1"]
    for contour in shape.contours:
        for segment in contour:
            if len(segment) == 3:
                start, control, end = segment
                one, two = (
                    tuple(p + (c - p) * 2 / 3 for p, c in zip(near, control, strict=True))
                    for near in (start, end)
                )
                cubic = ((one[0], one[1]), (two[0], two[1]), end)
                lines.append(" ".join(_pair(p, 1000.0) for p in cubic) + " c")
            else:
                lines.append(f"{_pair(segment[-1], 1000.0)} {'m' if len(segment) == 1 else 'l'}")
        lines.append("h")
    if shape.contours:
        lines.append("f")
    return [line.encode() for line in lines]


def _content(page: Paper, codes: dict[tuple[bool, str], tuple[str, int]]) -> list[bytes]:
    scale = _number(1 / MM_PER_PT)
    lines = [f"{scale} 0 0 {scale} 0 0 cm"]
    lines += [" ".join(map(_number, box)) + " re" for box in page.rectangles]
    lines += ["f"] if page.rectangles else []
    for words in page.words:
        lines.append(f"BT {_pair((words.x, words.y))} Td")
        for char in words.text:
            name, code = codes[(words.bold, char)]
            lines.append(f"/{name} {_number(words.size)} Tf <{code:02x}> Tj")
        lines.append("ET")
    return [line.encode() for line in lines]
