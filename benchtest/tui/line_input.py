"""A line to type into that takes Enter in the order in which keys were typed."""

from __future__ import annotations

from textual import events
from textual.widgets import Input


class Line(Input):
    """A line that is complete at Enter; what is typed together with Enter is not added to it.

    The library takes Enter as a binding, once the key has bubbled through all parents, and adds
    characters at once: of `12`, Enter, `13`, Enter that wait together it would make 1213. Keys
    behind Enter were typed before anything was shown that they could be meant for, so they are
    dropped.
    """

    is_entered = False
    """True after Enter, until the line is opened again."""

    async def _on_key(self, event: events.Key) -> None:
        if self.is_entered or event.key == "enter":
            event.stop()
            event.prevent_default()
            if not self.is_entered:
                await self.action_submit()
            return
        await super()._on_key(event)

    async def action_submit(self) -> None:
        if not self.is_entered:
            self.is_entered = True
            await super().action_submit()

    def open(self) -> None:
        """Take keys again."""
        self.is_entered = False

    def _on_focus(self, event: events.Focus) -> None:
        self.open()
        super()._on_focus(event)
