"""Setup of matplotlib: no window, no user style file, no log on the terminal."""

from __future__ import annotations

import io
import logging
import warnings
from collections.abc import Callable, Iterable, Iterator
from contextlib import contextmanager
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from matplotlib.figure import Figure

_NO_METADATA: dict[str, Any] = dict.fromkeys(("Creator", "Date", "Format", "Type"))
"""Metadata without dates: the same record gives the same file."""


@contextmanager
def _plain_style(style: Any) -> Iterator[None]:
    """Use only these settings for drawing."""
    import matplotlib as mpl

    logging.getLogger("matplotlib").setLevel(logging.ERROR)  # no notice of a new font cache
    with mpl.rc_context(), warnings.catch_warnings():
        warnings.filterwarnings("ignore", message="Glyph .* missing")  # drawn as a box
        mpl.rcdefaults()  # ignore a user's style file
        mpl.rcParams.update({"text.parse_math": False, "svg.hashsalt": "benchtest"})
        mpl.rcParams.update(style)
        yield


def draw_svg(draw: Callable[[], Figure], style: Any) -> str:
    """Return a drawing as SVG text."""
    out = io.StringIO()
    with _plain_style(style):
        draw().savefig(out, format="svg", metadata=_NO_METADATA)
    return out.getvalue()


def draw_pdf(draw: Callable[[], Iterable[Figure]], style: Any, title: str) -> bytes:
    """Return drawings as the pages of a PDF."""
    from matplotlib.backends.backend_pdf import PdfPages

    out = io.BytesIO()
    about: Any = {"Title": title, "Creator": None, "Producer": None, "CreationDate": None}
    with _plain_style(style), PdfPages(out, metadata=about) as pages:
        for figure in draw():
            pages.savefig(figure)
    return out.getvalue()
