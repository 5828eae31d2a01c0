"""Label for a unit: tag, design, stage, date, result, and a QR code.

Drawn in millimetres and as outlines, so that it prints the same everywhere; segno makes the code,
offline.
"""

from __future__ import annotations

import re
from bisect import bisect_right
from collections.abc import Iterator, Sequence
from dataclasses import dataclass

from benchtest.errors import InputError, NameFault, did_you_mean
from benchtest.records.outline_paper import Paper, Words, paper_svg, papers_pdf, text_width

_SCHEME = "benchtest"
_MIN_MODULE_MM = 0.25
"""Smallest square of the code that a phone's camera reads. Common practice, no source."""
_QUIET_ZONE_MODULES = 4
"""Width of the white margin round the code. [squares] Source: ISO/IEC 18004, quiet zone."""
_MARGIN_MM = 1.2
_MIN_LETTER_MM = 1.6
_MAX_FITTED_LETTERS = 60
"""Most letters of a name that are measured; no label has room for more."""
COMMON_SIZES = ("62x29", "50x25", "57x32", "89x36", "100x50")
"""Width and height of common labels on a roll. [mm] Common practice, no source."""
_HALF_LETTER = 0.38
"""Height above the baseline of the middle of letters with ascenders. [letter sizes]"""
_SIZE = re.compile(r"(\d{2,3}(?:\.\d)?)\s*[x×]\s*(\d{2,3}(?:\.\d)?)", re.ASCII)


@dataclass(frozen=True, slots=True)
class LabelContent:
    """Content of one label."""

    tag: str
    design: str
    stage: str
    date: str
    result: str
    good: bool
    record: str
    """Id of the session of the result."""

    @property
    def code(self) -> str:
        """Content of the code: unit and session."""
        return f"{_SCHEME}:{self.tag}:{self.record}"


@dataclass(frozen=True, slots=True)
class LabelSheet:
    """A sheet of labels. [mm]"""

    width: float
    height: float
    label: tuple[float, float]
    across: int
    down: int
    left: float
    top: float
    step: tuple[float, float]

    @property
    def count(self) -> int:
        """Labels on one sheet."""
        return self.across * self.down


LABEL_SHEETS = {
    "a4-21": LabelSheet(210.0, 297.0, (63.5, 38.1), 3, 7, 7.25, 15.15, (66.0, 38.1)),
    "a4-24": LabelSheet(210.0, 297.0, (70.0, 37.0), 3, 8, 0.0, 0.5, (70.0, 37.0)),
    "letter-30": LabelSheet(215.9, 279.4, (66.675, 25.4), 3, 10, 4.7625, 12.7, (69.85, 25.4)),
}
"""Common sheets by paper and number of labels. Common practice, no source."""


def parse_code(text: str) -> tuple[str, str | None]:
    """Return unit and session id of a scanned or typed text; a tag alone has no session id.

    >>> parse_code("benchtest:WF-03:0b5e"), parse_code("WF-03")
    (('WF-03', '0b5e'), ('WF-03', None))
    """
    scheme, _, rest = text.strip().partition(":")
    if scheme.lower() != _SCHEME or not rest:
        return text, None
    tag, _, record = rest.partition(":")
    return tag, record or None


def parse_size(text: str) -> tuple[float, float]:
    """Parse width and height of a label. [mm]

    Raises:
        InputError: the text is not a size, or out of range.

    >>> parse_size("62x29")
    (62.0, 29.0)
    """
    found = _SIZE.fullmatch(text.strip())
    size = (float(found[1]), float(found[2])) if found else (0.0, 0.0)
    if not (20.0 <= size[0] <= 210.0 and 12.0 <= size[1] <= 210.0):
        raise InputError(
            f'label size "{text[:20]}": write width x height in millimetres, 20x12 to 210x210, '
            f"such as {', '.join(COMMON_SIZES)}"
        )
    return size


def find_sheet(name: str) -> LabelSheet:
    """Return a sheet by its name.

    Raises:
        NameFault: there is no such sheet.
    """
    if name not in LABEL_SHEETS:
        raise NameFault(f'sheet "{name[:20]}": give one of {", ".join(LABEL_SHEETS)}'
                        f"{did_you_mean(name, list(LABEL_SHEETS))}")  # fmt: skip
    return LABEL_SHEETS[name]


def labels_pdf(labels: Sequence[LabelContent], size: tuple[float, float]) -> bytes:
    """Return a PDF with one label a page.

    Raises:
        InputError: a label is too small for its code.
    """
    return papers_pdf((_draw_single(label, size) for label in labels), _title(labels))


def label_svg(label: LabelContent, size: tuple[float, float]) -> str:
    """Return one label as SVG.

    Raises:
        InputError: the label is too small for its code.
    """
    return paper_svg(_draw_single(label, size))


def sheet_pdf(labels: Sequence[LabelContent], sheet: LabelSheet, skip: int = 0) -> bytes:
    """Return a PDF of label sheets, with the first `skip` places empty.

    Raises:
        InputError: a label is too small for its code.
    """
    return papers_pdf(_draw_sheets(labels, sheet, skip), _title(labels))


def sheet_svg(labels: Sequence[LabelContent], sheet: LabelSheet, skip: int = 0) -> str:
    """Return one sheet of labels as SVG, with the first `skip` places empty.

    Raises:
        InputError: the labels do not fit on one sheet, or a label is too small for its code.
    """
    if len(labels) + skip > sheet.count:
        raise InputError(
            f"{len(labels)} labels after {skip} empty places: a sheet has {sheet.count}, and an "
            "SVG is one sheet; write a .pdf, which may have several sheets"
        )
    return paper_svg(next(_draw_sheets(labels, sheet, skip)))


def _title(labels: Sequence[LabelContent]) -> str:
    return ", ".join(label.tag for label in labels[:8])


def _draw_sheets(labels: Sequence[LabelContent], sheet: LabelSheet, skip: int) -> Iterator[Paper]:
    places: list[LabelContent | None] = [*([None] * skip), *labels]
    for start in range(0, len(places), sheet.count):
        at = Paper(sheet.width, sheet.height)
        for place, label in enumerate(places[start : start + sheet.count]):
            if label is not None:
                down, across = divmod(place, sheet.across)
                x = sheet.left + across * sheet.step[0]
                y = sheet.height - sheet.top - down * sheet.step[1] - sheet.label[1]
                _draw_label(at, label, x, y, *sheet.label)
        yield at


def _draw_single(label: LabelContent, size: tuple[float, float]) -> Paper:
    at = Paper(*size)
    _draw_label(at, label, 0.0, 0.0, *size)
    return at


def _draw_label(
    at: Paper, label: LabelContent, x: float, y: float, width: float, height: float
) -> None:
    """Draw one label with its lower left corner at x, y; all in millimetres."""
    inner = width - 2 * _MARGIN_MM, height - 2 * _MARGIN_MM
    lying = width >= 1.25 * height
    side = min(inner[1], 0.46 * inner[0]) if lying else min(inner[0], 0.58 * inner[1])
    left, top = x + _MARGIN_MM, y + height - _MARGIN_MM
    _draw_code(at, label, left, top, side)
    if lying:
        _draw_lines(at, label, left + side + 0.6, top, inner[0] - side - 0.6, inner[1])
    else:
        _draw_lines(at, label, left, top - side - 0.4, inner[0], inner[1] - side - 0.4)


def _draw_code(at: Paper, label: LabelContent, left: float, top: float, side: float) -> None:
    import segno

    code = segno.make_qr(label.code, error="m", boost_error=False)
    rows = [bytes(row) for row in code.matrix_iter(border=_QUIET_ZONE_MODULES)]
    module = side / len(rows)
    if module < _MIN_MODULE_MM:
        least = _MIN_MODULE_MM * len(rows) + 2 * _MARGIN_MM
        raise InputError(
            f"unit {label.tag}: the label is too small for its code, which needs "
            f"{least:.0f} mm of height and twice as much width"
        )
    for down, row in enumerate(rows):
        y = top - (down + 1) * module
        at.rectangles += [
            (left + run.start() * module, y, (run.end() - run.start()) * module, module)
            for run in re.finditer(rb"\x01+", row)
        ]


def _draw_lines(
    at: Paper, label: LabelContent, left: float, top: float, width: float, height: float
) -> None:
    """Draw tag, design, stage and date, result, each as large as its share of the space allows."""
    result = f"{'✓' if label.good else '✗'} {label.result}"
    lines = [
        (label.tag, 0.32, True),
        (" ".join(label.design.split())[:200], 0.2, False),
        (f"{label.stage}, {label.date}", 0.17, False),
        (result, 0.2, True),
    ]
    y = top
    for words, share, bold in lines:
        room = share * height
        least_mm = 0.0 if words == label.tag else _MIN_LETTER_MM  # a tag is never shortened
        size_mm, shown = _fit_words(words, bold, 0.72 * room, width, least_mm)
        baseline = y - room / 2 - _HALF_LETTER * size_mm
        at.words.append(Words(left, baseline, shown, size_mm, bold))
        y -= room + 0.11 * height / 3


def _fit_words(
    words: str, bold: bool, size_mm: float, width_mm: float, least_mm: float
) -> tuple[float, str]:
    """Return letter size and text, shortened if the letters would become too small. [mm]"""
    fits = _fit_size_mm(words, bold, size_mm, width_mm)
    if fits >= min(size_mm, least_mm):
        return fits, words
    most = width_mm / least_mm
    shortened = [
        words[:length].rstrip() + "…" for length in range(1, min(len(words), _MAX_FITTED_LETTERS))
    ]
    kept = bisect_right(shortened, most, key=lambda shown: text_width(shown, bold))
    shown = shortened[max(0, kept - 1)]
    return _fit_size_mm(shown, bold, size_mm, width_mm), shown


def _fit_size_mm(words: str, bold: bool, size_mm: float, width_mm: float) -> float:
    """Return the letter size at which a text fills the width, at most the size given. [mm]"""
    wide = text_width(words, bold)
    return min(size_mm, width_mm / wide) if wide else size_mm
