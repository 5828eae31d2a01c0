"""Panels beside the prop map: what to do now, suspects, readings."""

from __future__ import annotations

import re
from collections.abc import Sequence

from rich.console import Group
from rich.style import Style as RichStyle
from rich.table import Table
from rich.text import Text
from textual import events
from textual.app import ComposeResult
from textual.color import Color
from textual.containers import Horizontal
from textual.content import Content
from textual.message import Message
from textual.style import Style
from textual.widgets import Input

from benchtest.diagnosis import Finding, Suspect
from benchtest.session.display.bench_model import ReadingLine
from benchtest.session.display.event_text import volts_text
from benchtest.session.display.probe_sketch import Role, Run
from benchtest.session.log.soak import Progress
from benchtest.tui.glyphs import Signs
from benchtest.tui.line_input import Line
from benchtest.tui.literal_text import Literal, LiteralBox

BAR_CELLS = 6
LEAST_LIT = 5
"""Cells from which on it is worth beginning to say what was lit for a reading."""
LEAST_SHOWN = 0.005
"""Suspects below this would stand there with 0 %."""
NUMBERS = r"[-+0-9.,mVkKMΩOLhs ]*"
"""What a number is typed with; other letters stay keys."""
WHITE, RED, BLACK = Color(255, 255, 255), Color(176, 0, 32), Color(0, 0, 0)


ROLES: dict[Role, Style] = {
    "": Style(),
    "name": Style(dim=True),
    "red": Style(bold=True, foreground=WHITE, background=RED),
    "black": Style(bold=True, foreground=WHITE, background=BLACK),
}


def styled(rows: Sequence[Sequence[Run]]) -> list[Content]:
    """Rows of runs, each in the style of its role."""
    return [Content.assemble(*((text, ROLES[role]) for text, role in row)) for row in rows]


class Panel(Literal):
    """Text that is drawn anew only when it is another: keys must not wait for drawing."""

    _drawn: object = None

    def is_news(self, *what: object) -> bool:
        """Whether this is other than what is drawn; what is drawn from now on."""
        if what == self._drawn:
            return False
        self._drawn = what
        return True

    def put(self, content: Content, layout: bool = False) -> None:
        """Show a text; with `layout`, of another height."""
        if self.is_news(content.plain, content.spans):
            self.update(content, layout=layout)


class Ask(LiteralBox):
    """What is asked now, and the field that a number is typed into."""

    class Typing(Message):
        """Something is in the field."""

        def __init__(self, text: str) -> None:
            super().__init__()
            self.text = text

    class Entered(Message):
        """What is in the field is meant."""

        def __init__(self, text: str) -> None:
            super().__init__()
            self.text = text

    class Doubted(Message):
        """What is in the field was a slip; what was meant is wanted."""

        def __init__(self, text: str) -> None:
            super().__init__()
            self.text = text

    def compose(self) -> ComposeResult:
        yield Panel(id="question")
        yield Panel(id="why")
        yield Panel(id="drawing")
        # selected on focus, the digit that opened the field would be typed over by the next
        with Horizontal(id="field"):
            yield Line(id="entry", compact=True, restrict=NUMBERS, select_on_focus=False)
            yield Panel(id="unit")
        yield Panel(id="beside")
        yield Panel(id="caution")
        yield Panel(id="keys")

    @property
    def entry(self) -> Line:
        return self.query_one("#entry", Line)

    def ask(
        self, task: str, question: str, caution: str, unit: tuple[str, str], keys: Content
    ) -> None:
        """Ask something.

        Args:
            task: what is being done, in a word or two.
            question: what is asked.
            caution: what to mind; empty where nothing is.
            unit: what the field wants, and the unit behind it; both empty where no number is asked.
            keys: what keys do now.
        """
        self.border_title = task
        self._show("#question", Content(question))
        self._show("#caution", Content(caution))
        self.keys(keys)
        self.entry.placeholder, behind = unit
        self.query_one("#field").display = bool(unit[0])
        self._show("#unit", Content(behind))

    def draw(self, rows: Sequence[Sequence[Run]]) -> None:
        """Rows of text below the question; none takes the drawing away."""
        self._show("#drawing", Content("\n").join(styled(rows)))

    def why(self, words: str) -> None:
        """What speaks for what is asked."""
        self._show("#why", Content(words))

    def keys(self, keys: Content) -> None:
        """What keys do now."""
        self._show("#keys", keys)

    def beside(self, words: str) -> None:
        """What stands below the field."""
        self._show("#beside", Content(words))

    def _show(self, where: str, content: Content) -> None:
        part = self.query_one(where, Panel)
        part.display = bool(content.plain)
        part.put(content, layout=True)

    @property
    def is_open(self) -> bool:
        """Keys go into the field; true at once, while the field itself has yet to hear of it."""
        return self.screen.focused is self.entry

    def open_entry(self, first: str = "") -> None:
        """Put the cursor into the field, with a first sign typed."""
        self.query_one("#field").display = True
        self.entry.open()
        self.entry.value = first
        self.entry.cursor_position = len(first)
        self.screen.set_focus(self.entry)

    def may_type(self, sign: str) -> bool:
        """Return True if a number may be typed with this character."""
        return re.fullmatch(NUMBERS, sign) is not None

    def type(self, sign: str) -> None:
        """Take a key that did not reach the field: the first one, or one close behind it."""
        if self.is_open and self.entry.is_entered:
            return  # typed together with Enter
        if not self.may_type(sign):
            self.entry.is_entered = True
            self.post_message(self.Entered(self.entry.value))
        elif self.is_open:
            self.entry.insert_text_at_cursor(sign)
        else:
            self.open_entry(sign)

    def close_entry(self) -> None:
        """Empty the field and leave it."""
        self.entry.value = ""
        self.screen.set_focus(None)

    def on_key(self, event: events.Key) -> None:
        """Tab takes what was meant instead of what was typed."""
        if event.key == "tab" and self.is_open:
            event.stop()
            event.prevent_default()
            self.post_message(self.Doubted(self.entry.value))

    def on_input_changed(self, event: Input.Changed) -> None:
        event.stop()
        self.post_message(self.Typing(event.value))

    def on_input_submitted(self, event: Input.Submitted) -> None:
        event.stop()
        self.post_message(self.Entered(event.value))


def soak_rows(soak: Progress, signs: Signs, width: int) -> list[list[Run]]:
    """How far a soak is: a bar, times, and what was seen."""
    return [
        [(bar_of(soak.share, width - 6, signs), ""), (f" {soak.share:4.0%}", "")],
        [(f"{soak.elapsed} done, {soak.left} to go", "")],
        [(f"looks {soak.looks}   intermittent {soak.intermittent}", "")],
    ]


def bar_of(share: float, cells: int, signs: Signs) -> str:
    """A share as a bar."""
    full = round(share * cells)
    return signs.bar * full + signs.rest * (cells - full)


class Suspects(Panel):
    """Suspects with bars, the likeliest first; digits choose one."""

    def __init__(self, signs: Signs, id: str | None = None) -> None:  # noqa: A002
        super().__init__(id=id)
        self.signs = signs

    def show(self, finding: Finding | None, thinking: bool, read: bool, rows: int) -> None:
        """Draw a finding, or that one is being worked out, or will be from what was read."""
        if finding is None:
            waiting = "not worked out yet" if read else "nothing read yet"
            words = "working it out …" if thinking else waiting
            self.put(Content(self.signs.words(words)))
            return
        if not self.is_news(finding, rows):
            return
        table = Table.grid(padding=(0, 1))
        # a bar cut short would say something else; names may be
        for least in (1, None, BAR_CELLS + 5, None):
            table.add_column(no_wrap=True, min_width=least, overflow=self.signs.cut)
        shown = [s for s in finding.suspects[: max(1, rows - 1)] if s.probability >= LEAST_SHOWN]
        for number, suspect in enumerate(shown, 1):
            table.add_row(*self._row(number, suspect))
        table.add_row("", self._cleared(finding), self._bar(finding.healthy), "")
        self.update(table, layout=False)

    def _row(self, number: int, suspect: Suspect) -> tuple[Text, Text, Text, Text]:
        ohms = self.signs.words(f"{suspect.ohms.best:.2g} Ω") if suspect.ohms else ""
        click = RichStyle(meta={"@click": f"screen.repair({number - 1})"})
        where = Text(f"{suspect.where} {suspect.fault}", style=click)
        return Text(str(number), style=click), where, self._bar(suspect.probability), Text(ohms)

    def _cleared(self, finding: Finding) -> Text:
        if finding.cleared_ohm is None or not finding.looks_healthy:
            return Text("nothing wrong")
        return Text(self.signs.words(f"no joint above {finding.cleared_ohm * 1e3:.0f} mΩ"))

    def _bar(self, share: float) -> Text:
        return Text(f"{bar_of(share, BAR_CELLS, self.signs)} {share:4.0%}")


class Readings(Panel):
    """The last readings with their numbers, compared with those of healthy units."""

    def __init__(self, signs: Signs, id: str | None = None) -> None:  # noqa: A002
        super().__init__(id=id)
        self.signs = signs

    def show(self, readings: Sequence[ReadingLine], rows: int) -> None:
        """Draw the last readings that count.

        Args:
            readings: those that count.
            rows: lines of the panel.
        """
        if not readings:
            self.put(Content("none yet"))
            return
        if not self.is_news(readings, rows):
            return
        last = readings[-max(rows, 1) :]
        wide_number = len(str(last[-1].number))
        wide = max(len(str(line.reading.probe)) for line in last)
        wide_off = max(len(_off(line)) for line in last)
        # a number before the probe takes from its name, not from the figures
        wide = min(wide, max(6, self.size.width - wide_number - wide_off - 11))
        self.update(
            Group(*(self._line(line, wide_number, wide, wide_off) for line in last)), layout=False
        )

    def _line(self, line: ReadingLine, wide_number: int, wide: int, wide_off: int) -> Text:
        """Return one reading in columns of these widths."""
        reading = line.reading
        shown = f"{reading.amps:.2f} A" if reading.volts is None else volts_text(reading.volts)
        probe = Text(str(reading.probe))
        probe.truncate(wide, overflow=self.signs.cut, pad=True)
        mark = "!" if line.is_odd else " "
        text = Text(f"{line.number:>{wide_number}}{mark}", no_wrap=True, overflow=self.signs.cut)
        text.append_text(probe).append(f" {shown:>8} ")
        far = line.z is not None and abs(line.z) > 3.0
        text.append(f"{_off(line):>{wide_off}}", style="bold reverse" if far else "")
        if text.cell_len + LEAST_LIT <= self.size.width:  # else the cut would take from the sd
            whole = text.cell_len + len(line.lit) + len("   lit") <= self.size.width
            text.append(f"  {line.lit} lit" if whole else f"  {line.lit}", style="dim")
        text.stylize(RichStyle(meta={"@click": f"screen.readings({line.number})"}))
        return text


def _off(line: ReadingLine) -> str:
    return "" if line.z is None else f"{off_words(line.z)} sd"


def off_words(z: float) -> str:
    """How far a reading is off, short where a tenth says nothing.

    >>> [off_words(z) for z in (-0.44, 3.2, 557.96)]
    ['-0.4', '+3.2', '+558']
    """
    return f"{z:+.1f}" if abs(z) < 100.0 else f"{z:+.0f}"
