"""The shelf screen: every unit of this bench, its stage, and what is still to do."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from typing import ClassVar

from textual import work
from textual.app import ComposeResult
from textual.binding import Binding, BindingType
from textual.content import Content
from textual.message import Message
from textual.widgets import DataTable

from benchtest.errors import BenchError
from benchtest.records.shelf import Shelf
from benchtest.tui.actions import KeyAction, links
from benchtest.tui.close_once import CloseOnceScreen
from benchtest.tui.dialogs import ConfirmDialog, FormDialog, FormLine, MessageDialog
from benchtest.tui.glyphs import ScreenGlyphs
from benchtest.tui.literal_text import Literal
from benchtest.tui.wide_table import WideTable

KEYS = (
    KeyAction("choose", "Enter", "Enter", "test"),
    KeyAction("new", "n", "n", "new"),
    KeyAction("compare", "c", "c", "compare"),
    KeyAction("rename", "r", "r", "rename"),
    KeyAction("retire", "x", "x", "retire"),
    KeyAction("practice", "p", "p", "practice"),
    KeyAction("palette", "^P", "Ctrl+P", "all"),
    KeyAction("end", "q", "q", "end"),
)
RETIRED = "retired"
SIGNED = "signed-off"
"""Kind of the event that ends a test."""
STEPS = ("power", "light", "strands", "colours", "readings")
"""Steps of a test, each with a column."""
COLUMNS = ("unit", "design", "stage", *STEPS, "min", "to do")
EMPTY = "No units on this bench yet. Press n to test one."


class ShelfScreen(CloseOnceScreen[None]):
    """Lists the units, and posts which one to test."""

    BINDINGS: ClassVar[list[BindingType]] = [
        Binding("n", "new", "new test"),
        Binding("c", "compare", "compare"),
        Binding("r", "rename", "rename"),
        Binding("x", "retire", "retire"),
        Binding("p", "practice", "practice"),
        Binding("q", "end", "end"),  # not Escape, which leaves a unit and may be pressed twice
    ]

    class Chosen(Message):
        """Requests a unit's test: its open session, or a new one after sign-off."""

        def __init__(self, tag: str) -> None:
            super().__init__()
            self.tag = tag

    class Compare(Message):
        """Requests a comparison of a unit's tests."""

        def __init__(self, tag: str, design_name: str) -> None:
            super().__init__()
            self.tag = tag
            self.design_name = design_name

    class New(Message):
        """Requests a test of a new unit."""

        def __init__(self, tag: str, prop_file: Path) -> None:
            super().__init__()
            self.tag = tag
            self.prop_file = prop_file

    class Practice(Message):
        """Requests a practice round."""

    class Shown(Message):
        """Posted when the shelf is visible, so that no unit is on the bench."""

    def __init__(self, shelf: Shelf, prop_file: Path | None, glyphs: ScreenGlyphs) -> None:
        super().__init__()
        self.glyphs = glyphs
        self.shelf = shelf
        self.prop_file = prop_file
        self.at: str | None = None
        """Unit to put the cursor on: the last one on the bench."""
        self._to_do: dict[str, str] = {}

    def compose(self) -> ComposeResult:
        yield Literal(Content(f" benchtest   shelf in {self.shelf.folder}"), id="top")
        yield WideTable(id="units", cursor_type="row", zebra_stripes=True)
        yield Literal(Content(EMPTY), id="empty")
        yield Literal(id="whole")
        yield Literal(id="message")
        yield Literal(links(KEYS, gap=2), id="bottom")

    class Ready(Message):
        """Posted when the modules that read sessions are loaded."""

    def on_mount(self) -> None:
        table = self.query_one(WideTable)
        for name in COLUMNS:
            table.add_column(name, key=name)
        self.say("")

    def on_screen_resume(self) -> None:
        self.post_message(self.Shown())
        self.fill()
        self.call_after_refresh(self.load)  # after the units have been painted

    def fill(self) -> None:
        """Fill the table with what is known without reading sessions."""
        table = self.query_one(WideTable)
        at = self.at or self.tag or self._left_last()
        self.at = None
        table.clear()
        try:
            units = sorted(self.shelf.units(), key=lambda unit: unit.retired)
        except BenchError as error:
            self.say(str(error))
            return
        for place, unit in enumerate(units):
            stage = RETIRED if unit.retired else unit.stage
            rest = [""] * (len(COLUMNS) - 3)
            table.add_row(unit.tag, unit.design_name, stage, *rest, key=unit.tag)
            if unit.tag == at:
                table.move_cursor(row=place)
        table.display = bool(units)
        self.query_one("#empty").display = not units
        if units:
            table.focus()

    def _left_last(self) -> str | None:
        """Return the last unit on the bench, None if it was signed off."""
        try:
            rows = self.shelf.sessions()
            signed = bool(rows) and SIGNED in self.shelf.kinds(rows[-1].id)
        except BenchError as error:
            self.say(str(error))
            return None
        return rows[-1].tag if rows and not signed else None

    @work(thread=True, exclusive=True, group="load")
    def load(self) -> None:
        """Load the modules of the bench in a worker: that takes longer than the shelf."""
        import benchtest.session.session
        import benchtest.tui.bench_screen  # noqa: F401

        self.post_message(self.Ready())

    def on_shelf_screen_ready(self, message: Ready) -> None:
        """Show what is to do for each unit, and which tests are unfinished."""
        from benchtest.session.display.bench_model import shelf_cells
        from benchtest.session.session import shelved_units, unfinished_sessions

        table = self.query_one(WideTable)
        try:
            rows = shelved_units(self.shelf)
            left = [row.tag for row in unfinished_sessions(self.shelf)]
        except BenchError as error:
            self.say(str(error))
            return
        for row in rows:
            unit = row.unit
            if unit.tag in table.rows:  # else another program has just added it
                cells = shelf_cells(row.state, self.glyphs.passed, self.glyphs.failed)
                minutes = "" if row.minutes is None else f"{row.minutes:>3}"
                for name, cell in zip((*STEPS, "min"), (*cells, minutes), strict=True):
                    table.update_cell(unit.tag, name, cell, update_width=True)
                text = "; ".join(row.waits_for) or "nothing: may go outdoors"
                if unit.retired:
                    text = "x brings it back onto the shelf"
                table.update_cell(unit.tag, COLUMNS[-1], text, update_width=True)
                self._to_do[unit.tag] = text
        which = "Enter" if len(left) == 1 else "select one, Enter"
        more = f" and {len(left) - 3} more" if len(left) > 3 else ""
        lines = [f"Unfinished: {', '.join(left[:3])}{more} ({which} to resume)"] if left else []
        if not self.shelf.is_writable:
            lines.insert(0, "This bench is read-only: look, compare, report and export.")
        if beyond := self.shelf.beyond_limits():
            more = f" (and {len(beyond) - 1} more)" if len(beyond) > 1 else ""
            lines.insert(0, f"Left out: {beyond[0]}{more}.")
        self.say(" ".join(lines))
        self.call_after_refresh(self._show_whole)

    def on_data_table_row_highlighted(self) -> None:
        self._show_whole()

    def on_resize(self) -> None:
        self.call_after_refresh(self._show_whole)

    def _show_whole(self) -> None:
        """Show what is to do for the unit at the cursor, if its row is cut off."""
        table, whole = self.query_one(WideTable), self.query_one("#whole", Literal)
        tag = str(table.get_row_at(table.cursor_row)[0]) if table.row_count else ""
        text = self._to_do.get(tag, "")
        whole.update(Content(f"{tag} to do: {text}"))
        whole.display = bool(text) and table.cuts(len(COLUMNS) - 1, text)

    def say(self, words: str) -> None:
        """Show a line near the bottom."""
        self.query_one("#message", Literal).update(Content(f" {words}"))

    def on_data_table_row_selected(self, event: DataTable.RowSelected) -> None:
        if event.row_key.value is not None:
            self.post_message(self.Chosen(event.row_key.value))

    def action_choose(self) -> None:
        """Choose the unit at the cursor, for a click on the key's name."""
        if self.query_one(WideTable).row_count:
            self.query_one(WideTable).action_select_cursor()

    @property
    def tag(self) -> str | None:
        """Unit at the cursor, None if the shelf is empty."""
        table = self.query_one(WideTable)
        return str(table.get_row_at(table.cursor_row)[0]) if table.row_count else None

    def action_rename(self) -> None:
        """Give the unit at the cursor another tag."""
        if (tag := self.tag) is not None:
            words = "Its record stays and is found under the old tag too."
            ask = FormDialog(f"Rename {tag}", [FormLine("new tag", tag)], words)
            self.app.push_screen(ask, lambda lines: self._renamed(tag, lines))

    def _renamed(self, tag: str, lines: list[str] | None) -> None:
        from benchtest.session.log.shelf_changes import rename_unit

        if lines is not None and self._done(lambda: rename_unit(self.shelf, tag, lines[0])):
            self.at = lines[0].strip()
            self.refill()

    def action_retire(self) -> None:
        """Take the unit at the cursor off the shelf, or bring it back."""
        if (tag := self.tag) is None:
            return
        if self.shelf.unit(tag).retired:
            ask = ConfirmDialog(f"{tag} is retired", "Its record is unchanged.", "bring it back")
            self.app.push_screen(ask, lambda back: self._brought_back(tag) if back else None)
            return
        words = "It leaves the shelf; its record stays, and x brings it back."
        retire = FormDialog(
            f"Retire {tag}", [FormLine("reason", hint="scrapped, given away")], words
        )
        self.app.push_screen(retire, lambda lines: self._retired(tag, lines))

    def _retired(self, tag: str, lines: list[str] | None) -> None:
        from benchtest.session.log.shelf_changes import retire_unit

        if lines is not None and self._done(lambda: retire_unit(self.shelf, tag, why=lines[0])):
            self.refill()

    def _brought_back(self, tag: str) -> None:
        from benchtest.session.log.shelf_changes import retire_unit

        if self._done(lambda: retire_unit(self.shelf, tag, retired=False)):
            self.refill()

    def _done(self, act: Callable[[], None]) -> bool:
        """Do something that may fail; explain a failure in a window and return False."""
        try:
            act()
        except BenchError as error:
            self.app.push_screen(MessageDialog("That did not work", str(error)))
            return False
        return True

    def refill(self) -> None:
        """Show the current units."""
        self.fill()
        self.load()

    def action_compare(self) -> None:
        """Compare the tests of the unit at the cursor."""
        table = self.query_one(WideTable)
        if table.row_count:
            tag, design_name, *_ = table.get_row_at(table.cursor_row)
            self.post_message(self.Compare(str(tag), str(design_name)))

    def action_palette(self) -> None:
        self.app.action_command_palette()

    def action_practice(self) -> None:
        self.post_message(self.Practice())

    async def action_end(self) -> None:
        await self.app.action_quit()

    def action_new(self) -> None:
        file = "" if self.prop_file is None else str(self.prop_file)
        self.app.push_screen(
            FormDialog(
                "A new test",
                [
                    FormLine("tag of the unit", hint="WF-03"),
                    FormLine("prop file", file, "fan.toml", known=bool(file)),
                ],
            ),
            self._asked,
        )

    def _asked(self, lines: list[str] | None) -> None:
        if lines is not None:
            self.post_message(self.New(lines[0].strip(), Path(lines[1].strip()).expanduser()))
