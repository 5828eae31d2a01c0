"""Panels beside the prop map: what to do now, suspects, readings."""

from __future__ import annotations

from collections.abc import Sequence

from rich.console import Group
from rich.table import Table
from rich.text import Text
from textual.app import ComposeResult
from textual.containers import Vertical
from textual.content import Content
from textual.message import Message
from textual.widgets import Input, Static

from benchtest.diagnosis import Finding, JudgedReading, Suspect
from benchtest.tui.signs import Signs
from benchtest.virtual.observe import Sight

BAR_CELLS = 6
NUMBERS = r"[-+0-9.,mV ]*"
"""What a reading is typed with; other letters stay keys."""


def volts_text(volts: float) -> str:
    """Volts as a meter shows them: millivolts below 0.6 V."""
    return f"{volts * 1e3:.1f} mV" if abs(volts) < 0.6 else f"{volts:.3f} V"


class Ask(Vertical):
    """What is asked now, and the field that a reading is typed into."""

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

    def compose(self) -> ComposeResult:
        yield Static(id="task")
        yield Static(id="question")
        yield Static(id="leads")
        # selected on focus, the digit that opened the field would be typed over by the next
        yield Input(
            id="entry", placeholder="volts", compact=True, restrict=NUMBERS, select_on_focus=False
        )
        yield Static(id="beside")
        yield Static(id="keys")

    @property
    def entry(self) -> Input:
        return self.query_one("#entry", Input)

    def ask(self, task: str, question: str, leads: str, keys: str) -> None:
        """Ask something."""
        self.query_one("#task", Static).update(Content(task))
        self.query_one("#question", Static).update(Content(question))
        self.query_one("#leads", Static).update(Content(leads))
        self.query_one("#keys", Static).update(Content(keys))

    def beside(self, words: str) -> None:
        """What stands below the field."""
        self.query_one("#beside", Static).update(Content(words))

    def open_entry(self, first: str = "") -> None:
        """Put the cursor into the field, with a first sign typed."""
        self.entry.display = True
        self.entry.value = first
        self.entry.cursor_position = len(first)
        self.entry.focus()

    def close_entry(self) -> None:
        """Empty the field and leave it."""
        self.entry.value = ""
        self.screen.set_focus(None)

    def on_input_changed(self, event: Input.Changed) -> None:
        event.stop()
        self.post_message(self.Typing(event.value))

    def on_input_submitted(self, event: Input.Submitted) -> None:
        event.stop()
        self.post_message(self.Entered(event.value))


class Suspects(Static):
    """Suspects with bars, the likeliest first; digits choose one."""

    def __init__(self, signs: Signs, id: str | None = None) -> None:  # noqa: A002
        super().__init__(id=id)
        self.signs = signs

    def show(self, finding: Finding | None, thinking: bool, rows: int) -> None:
        """Draw a finding, or that one is being worked out."""
        if finding is None:
            self.update("working it out …" if thinking else "nothing read yet")
            return
        table = Table.grid(padding=(0, 1))
        for _ in range(4):
            table.add_column(no_wrap=True)
        for number, suspect in enumerate(finding.suspects[: max(1, rows - 1)], 1):
            table.add_row(*self._row(number, suspect))
        table.add_row("", Text("nothing wrong"), self._bar(finding.healthy), _cleared(finding))
        self.update(table)

    def _row(self, number: int, suspect: Suspect) -> tuple[Text, Text, Text, Text]:
        ohms = f"{suspect.ohms.best:.2g} Ω" if suspect.ohms else ""
        where = Text(f"{suspect.where} {suspect.fault}")
        return Text(str(number)), where, self._bar(suspect.probability), Text(ohms)

    def _bar(self, share: float) -> Text:
        full = round(share * BAR_CELLS)
        bar = self.signs.bar * full + self.signs.rest * (BAR_CELLS - full)
        return Text(f"{bar} {share:4.0%}")


def _cleared(finding: Finding) -> Text:
    if finding.cleared_ohm is None:
        return Text("")
    return Text(f"none above {finding.cleared_ohm * 1e3:.0f} mΩ")


class Readings(Static):
    """The last readings beside what healthy units show."""

    def show(self, readings: Sequence[JudgedReading], lits: Sequence[str], rows: int) -> None:
        """Draw judged readings with what was lit for each."""
        if not readings:
            self.update("none yet")
            return
        lines = []
        for row, lit in list(zip(readings, lits, strict=True))[-max(rows, 1) :]:
            value = row.reading.volts
            shown = f"{row.reading.amps:.2f} A" if value is None else volts_text(value)
            line = Text(f"{row.reading.probe!s:<18} {shown:>8} ", no_wrap=True, overflow="ellipsis")
            line.append(f"{row.z:+.1f} sd", style="bold reverse" if abs(row.z) > 3.0 else "")
            line.append(f"  {lit} lit", style="dim")
            lines.append(line)
        self.update(Group(*lines))


class VirtualView(Static):
    """What a virtual prop shows, for eyes that have no real one in front of them."""

    def __init__(self, signs: Signs, id: str | None = None) -> None:  # noqa: A002
        super().__init__(id=id)
        self.signs = signs

    def show(self, sights: Sequence[Sight], rows: int) -> None:
        """Draw the strands that should be lit as they look."""
        looks = {"ok": self.signs.lit, "dark": self.signs.off}
        lines: dict[int, Text] = {}
        for sight in sights:
            line = lines.setdefault(sight.strand, Text(f"{sight.strand:>3}A ", no_wrap=True))
            gap = sight.first - 1 - (len(line) - 5)
            line.append(" " * gap)
            line.append((looks.get(sight.seen) or sight.seen[0]) * (sight.last - sight.first + 1))
        shown = list(lines.values())
        more = [Text(f"    and {len(shown) - rows + 1} more strands")] if len(shown) > rows else []
        self.update(Group(*shown[: rows - len(more)], *more) if shown else "all dark")
