"""matplotlib as the records use it: no window, no user's style file, no words on the terminal."""

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
"""The same record gives the same file."""


@contextmanager
def _plain_style(style: Any) -> Iterator[None]:
    """Drawing goes by these settings alone."""
    import matplotlib as mpl

    logging.getLogger("matplotlib").setLevel(logging.ERROR)  # a cold font cache is nobody's worry
    with mpl.rc_context(), warnings.catch_warnings():
        warnings.filterwarnings("ignore", message="Glyph .* missing")  # it is drawn as a box
        mpl.rcdefaults()  # a user's own style file is not for this
        mpl.rcParams.update({"text.parse_math": False, "svg.hashsalt": "benchtest"})
        mpl.rcParams.update(style)
        yield


def draw_svg(draw: Callable[[], Figure], style: Any) -> str:
    """A drawing as SVG text."""
    out = io.StringIO()
    with _plain_style(style):
        draw().savefig(out, format="svg", metadata=_NO_METADATA)
    return out.getvalue()


def draw_pdf(draw: Callable[[], Iterable[Figure]], style: Any, title: str) -> bytes:
    """Drawings as the pages of a PDF."""
    from matplotlib.backends.backend_pdf import PdfPages

    out = io.BytesIO()
    about: Any = {"Title": title, "Creator": None, "Producer": None, "CreationDate": None}
    with _plain_style(style), PdfPages(out, metadata=about) as pages:
        for figure in draw():
            pages.savefig(figure)
    return out.getvalue()
