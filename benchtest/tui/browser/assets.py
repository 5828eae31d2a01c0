"""Static files for the browser, by name, and page templates with escaped values."""

from __future__ import annotations

from functools import cache
from importlib.resources import files
from typing import Any, NamedTuple

import jinja2


class File(NamedTuple):
    """One static file: where it is packaged, and its media type."""

    package: str
    path: str
    kind: str


FILES = {
    "textual.js": File("textual_serve", "static/js/textual.js", "text/javascript; charset=utf-8"),
    "xterm.css": File("textual_serve", "static/css/xterm.css", "text/css; charset=utf-8"),
    "mono.ttf": File(
        "textual_serve", "static/fonts/RobotoMono-VariableFont_wght.ttf", "font/ttf"
    ),
    "bench.js": File("benchtest.tui.browser", "pages/bench.js", "text/javascript; charset=utf-8"),
    "bench.css": File("benchtest.tui.browser", "pages/bench.css", "text/css; charset=utf-8"),
    "code.js": File("benchtest.tui.browser", "pages/code.js", "text/javascript; charset=utf-8"),
    "message.css": File("benchtest.tui.browser", "pages/message.css", "text/css; charset=utf-8"),
}  # fmt: skip
"""All files that can be requested: no path of a request reaches the disk."""


@cache
def content(name: str) -> bytes:
    """Return the content of one of `FILES`."""
    file = FILES[name]
    return files(file.package).joinpath(file.path).read_bytes()


def page(name: str, **values: Any) -> str:
    """Return a page of this package with its values filled in."""
    return _environment().get_template(name).render(values)


@cache
def _environment() -> jinja2.Environment:
    return jinja2.Environment(
        loader=jinja2.FunctionLoader(_source),
        autoescape=True,
        undefined=jinja2.StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
    )


def _source(name: str) -> str:
    return files("benchtest.tui.browser").joinpath("pages", name).read_text("utf-8")
