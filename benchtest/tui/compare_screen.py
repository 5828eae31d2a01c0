"""The screen that compares joints between tests of one unit, or between units of its design."""

from __future__ import annotations

from dataclasses import dataclass
from typing import ClassVar

from textual.app import ComposeResult
from textual.binding import Binding, BindingType
from textual.containers import VerticalScroll
from textual.content import Content
from textual.message import Message

from benchtest.comparison.report import BatchComparison, UnitComparison
from benchtest.tui.actions import KeyAction, links
from benchtest.tui.close_once import CloseOnceScreen
from benchtest.tui.glyphs import ScreenGlyphs
from benchtest.tui.literal_text import Literal
from benchtest.tui.wide_table import WideTable

Found = UnitComparison | BatchComparison
WORKING = "Comparing the readings of every test; this takes some seconds."
NOTE = (
    "Ranges are 90 % likely. They are electrical: also look at each joint, flex it, and read it "
    "once more when warm."
)


class CompareScreen(CloseOnceScreen[None]):
    """Shows a comparison, and requests one; interprets nothing."""

    BINDINGS: ClassVar[list[BindingType]] = [
        Binding("d", "other", "unit or design"),
        Binding("a", "all", "all joints"),
        Binding("c,q,escape", "back", "shelf"),
    ]

    @dataclass
    class Requested(Message):
        """Requests a comparison: of the unit's tests, or of all units of the design."""

        screen: CompareScreen
        tag: str
        design_name: str
        whole_design: bool

    def __init__(self, tag: str, design_name: str, glyphs: ScreenGlyphs) -> None:
        super().__init__()
        self.tag = tag
        self.design_name = design_name
        self.glyphs = glyphs
        self.whole_design = False
        self.every_joint = False
        self.found: Found | None = None

    def compose(self) -> ComposeResult:
        yield Literal(id="top")
        with VerticalScroll(id="summary-box"):
            yield Literal(id="summary")
        yield WideTable(id="joints", cursor_type="row", zebra_stripes=True)
        yield Literal(Content(NOTE), id="note")
        yield Literal(id="bottom")

    def on_mount(self) -> None:
        self.ask()

    def ask(self) -> None:
        """Request the comparison, and show that it is in progress."""
        if not self.is_complete:
            return
        self.found = None
        of = "all units" if self.whole_design else self.tag
        self.query_one("#top", Literal).update(
            Content(f" benchtest   {of}   {self.design_name}   joints compared")
        )
        self.say(WORKING)
        self._table()
        self._keys()
        self.post_message(self.Requested(self, self.tag, self.design_name, self.whole_design))

    @property
    def is_complete(self) -> bool:
        """True while the widgets exist; the screen may be left during the comparison."""
        return bool(self.query("#bottom"))

    def say(self, words: str) -> None:
        """Show a text in place of a comparison."""
        if not self.is_complete:
            return
        self.query_one("#summary", Literal).update(Content(self.glyphs.text(words)))

    def show(self, found: Found, whole_design: bool) -> None:
        """Show a comparison, unless another has been requested since."""
        if whole_design != self.whole_design or not self.is_complete:
            return
        self.found = found
        left_out = [f"Left out: {reason}." for reason in found.left_out]
        self.say("\n".join([*found.sentences, *left_out]))
        self._table()
        self._keys()

    def _table(self) -> None:
        table = self.query_one(WideTable)
        table.clear(columns=True)
        found = self.found
        rows = () if found is None else found.joints if self.every_joint else found.worth_showing
        table.display = bool(rows)
        if found is None or not rows:
            return
        table.add_columns("joint", *found.heads)
        for row in rows:
            bands = [f"! {band.short}" if band.is_bad else band.short for band in row.bands]
            table.add_row(row.where, *(self.glyphs.text(words) for words in bands))
        table.focus()

    def _keys(self) -> None:
        other = f"only {self.tag}" if self.whole_design else "all units"
        joints = "notable joints" if self.every_joint else "all joints"
        keys = (
            KeyAction("other", "d", "d", other),
            KeyAction("all", "a", "a", joints),
            KeyAction("palette", "Ctrl+P", "Ctrl+P", "all"),
            KeyAction("back", "Escape", "Escape", "shelf"),
        )
        self.query_one("#bottom", Literal).update(Content(" ") + links(keys))

    def action_other(self) -> None:
        """Switch between the unit's tests and all units of its design."""
        self.whole_design = not self.whole_design
        self.ask()

    def action_all(self) -> None:
        """Switch between all joints and notable ones."""
        self.every_joint = not self.every_joint
        self._table()
        self._keys()

    def action_palette(self) -> None:
        self.app.action_command_palette()

    def action_back(self) -> None:
        self.dismiss()
