"""Base class of the panels, and styled text."""

from __future__ import annotations

from collections.abc import Sequence

from textual.content import Content
from textual.style import Style

from benchtest.session.display.characters import Role, Run
from benchtest.tui.literal_text import Literal

ROLES: dict[Role, str | Style] = {
    "": "",
    "name": "$text-muted",
    "red": "bold $lead-text on $red-lead",
    "black": "bold $lead-text on $black-lead",
    "passed": "bold $text-success",
    "failed": "bold $text-error",
    "asked": "bold $ask-text on $ask",
    "suspect": "bold reverse",
}
"""Style of each role of a run."""


def style_rows(rows: Sequence[Sequence[Run]]) -> list[Content]:
    """Return rows of runs, each run in the style of its role."""
    return [Content.assemble(*((text, ROLES[role]) for text, role in row)) for row in rows]


class Panel(Literal):
    """Text that is redrawn only if it has changed, so that keys do not wait for drawing."""

    _drawn: object = None

    def has_changed(self, *content: object) -> bool:
        """Return True if this differs from the last content, and remember it."""
        if content == self._drawn:
            return False
        self._drawn = content
        return True

    def put(self, content: Content, layout: bool = False) -> None:
        """Show a text.

        Args:
            content: the text.
            layout: True if its height may differ.
        """
        if self.has_changed(content.plain, content.spans):
            self.update(content, layout=layout)
