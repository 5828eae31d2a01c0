"""What can be done now, by which key: one table for keys, panel, help, mouse and palette."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

from textual.binding import Binding
from textual.content import Content
from textual.style import Style

if TYPE_CHECKING:
    from benchtest.evidence.marks import Seen
    from benchtest.session.display.bench_model import BenchModel
    from benchtest.session.guidance.next_step import Task


@dataclass(frozen=True, slots=True)
class Deed:
    """One thing that can be done now."""

    action: str
    """As Textual runs it, such as `choose(1)`."""
    key: str
    """Its first key, short."""
    keys: str
    """All its keys."""
    says: str


KEYS: dict[str, tuple[str, str]] = {
    "yes": ("space,pagedown", "space, Page Down"),
    "no": ("x,f5", "x, F5"),
    "back": ("pageup", "Page Up"),
    "all_dark": ("X", "X"),
    "choose(-1)": ("up", "up"),
    "choose(1)": ("down", "down"),
    "walk(-1)": ("left", "left"),
    "walk(1)": ("right", "right"),
    "walk(-100000)": ("home", "Home"),
    "walk(100000)": ("end", "End"),
    "go_on": ("enter", "Enter"),
    "leave_out": ("s", "s"),
    "end_soak": ("e", "e"),
    "flicker": ("f", "f"),
    "meter": ("v", "v"),
    "type": ("", "0-9 - ."),
    "own_reading": ("o", "o"),
    "replaced": ("r", "r"),  # before the repair, which can be logged by a click at any task
    "repair(0)": ("r", "r"),
    "suspect": ("", "1-9"),
    "ruler": ("h", "h"),
    "brighter(1)": ("plus,equals_sign", "+"),
    "brighter(-1)": ("minus", "-"),
    "only": ("l", "l"),
    "readings": ("a", "a"),
    "why": ("y", "y"),
    "plot": ("p", "p"),
    "stray": ("k", "k"),
    "steps": ("t", "t"),
    "note": ("n", "n"),
    "stage": ("g", "g"),
    "undo": ("u,ctrl+z", "u, Ctrl+Z"),
    "dark": ("b,full_stop", "b, F9"),
    "next_unit": ("N", "N"),
    "help": ("question_mark,f1", "?, F1"),
    "palette": ("ctrl+p", "Ctrl+P"),
    "leave": ("escape", "Escape"),
}
MARKS: dict[str, Seen] = {
    "d": "dark",
    "m": "dim",
    "w": "warm",
    "c": "wrong-colour",
    "f": "flicker",
    "s": "stuck",
}
"""Letters of marks; the capital marks all from here on."""
KEYS |= {f"mark('{seen}',False)": (key, key) for key, seen in MARKS.items()}
KEYS |= {f"mark('{seen}',True)": (key.upper(), key.upper()) for key, seen in MARKS.items()}

Row = tuple[str, str]
_LIGHT: tuple[Row, ...] = (("brighter(1)", "brighter"), ("brighter(-1)", "dimmer"))
_HAND: tuple[Row, ...] = (("walk(-1)", "by hand, node by node"), ("walk(1)", ""))
_MARKS: tuple[Row, ...] = tuple((f"mark('{seen}',False)", seen) for seen in MARKS.values())
_FROM_HERE: tuple[Row, ...] = tuple(
    (f"mark('{seen}',True)", "dark from here on" if seen == "dark" else "")
    for seen in MARKS.values()
)

DEEDS: dict[Task, tuple[Row, ...]] = {
    "check": (("yes", "it is so"), ("no", "it is not"), ("leave_out", "leave it out")),
    "glow": (("yes", "all glow"), ("no", "not all"), ("back", "back")),
    "look": (
        ("yes", "it lights"), ("no", "it does not"), ("all_dark", "all of it is dark"),
        ("back", "back"), ("choose(-1)", "strand before"), ("choose(1)", "strand after"), *_LIGHT,
    ),
    "search": (
        ("yes", "all of these light"), ("no", "not all"), ("back", "back"), *_HAND, *_LIGHT,
    ),
    "caught": (
        ("yes", "they light"), ("no", "they do not"), ("back", "back"), *_HAND, *_MARKS,
        *_FROM_HERE,
    ),
    "walk": (
        ("yes", "it lights, next"), ("no", "it is dark"), ("back", "node before"),
        ("walk(-1)", "towards A"), ("walk(1)", "towards B"), ("walk(-100000)", "end A"),
        ("walk(100000)", "end B"), *_MARKS, *_FROM_HERE, ("ruler", "ruler"),
        ("go_on", "strand done"), *_LIGHT,
    ),
    "colour": (("yes", "it is"), ("no", "it is not"), ("back", "back"), *_LIGHT),
    "recolour": (("yes", "look again"), ("replaced", "a node was replaced"), ("back", "back")),
    "think": (),
    "read": (
        ("type", "the reading"), ("go_on", "keeps it"), ("leave_out", "cannot reach it"),
        ("own_reading", "another probe"), ("meter", "read the virtual meter"),
        ("yes", "reads it too"),
    ),
    "repair": (
        ("repair(0)", "done: log it"), ("suspect", "log another's"), ("why", "why"),
        ("plot", "map or plot"),
    ),
    "wiggle": (
        ("yes", "steady"), ("no", "it flickers"), ("back", "back"), *_LIGHT,
    ),
    "soak": (
        ("go_on", "begin, or go on"), ("yes", "steady"), ("no", "it flickered"),
        ("flicker", "say where"), ("end_soak", "end the soak"),
    ),
    "sign-off": (("go_on", "sign off"), ("suspect", "log a repair")),
    "done": (("next_unit", "next unit"), ("leave", "shelf")),
}  # fmt: skip
ALWAYS: tuple[Row, ...] = (
    ("help", "help"), ("steps", "steps"), ("undo", "undo"), ("dark", "dark, and back"),
    ("only", "light only this"), ("readings", "all readings"), ("why", "why this finding"),
    ("plot", "map or plot"),
    ("stray", "stray light"), ("own_reading", "own reading"),
    ("note", "note"),
    ("stage", "stage"), ("next_unit", "next unit"), ("palette", "all commands"),
    ("leave", "shelf"),
)  # fmt: skip
BAR = ("help", "steps", "undo", "dark", "note", "palette", "leave")
"""What the bottom line offers."""
SHORT = {"dark": "dark", "palette": "all"}


def deeds(rows: Sequence[Row], without: frozenset[str]) -> list[Deed]:
    """Deeds of a table, but for some actions."""
    found = []
    for action, says in rows:
        if action not in without:
            keys = KEYS[action][1]
            found.append(Deed(action, keys.partition(",")[0], keys, says))
    return found


def deeds_now(model: BenchModel) -> list[Deed]:
    """Return the actions of the task at hand."""
    task, source = model.task, model.source
    without: set[str] = set() if source.can_read else {"meter"}
    if task == "read" and not source.keeps_at_once:
        without.add("yes")
    if task == "read" and not model.advice.may_skip:
        without.add("leave_out")
    if model.profile is None:
        without.add("plot")
    if task == "check" and model.unit == "V":
        without.add("yes")
    if task == "soak":
        without |= {"go_on"} if model.is_soaking else {"yes", "flicker"}
        without |= {"no", "end_soak"} if model.soak is None else set()
    found = deeds(DEEDS[task], frozenset(without))
    if task == "check" and model.unit:
        extra = [("type", "what the meter shows"), ("meter", "read the virtual meter")]
        found = [*deeds(extra, frozenset(without)), *found]
    says: dict[str, str] = {}
    if source.is_fitted:
        says["meter"] = f"read the {source.name}"
    if task in ("search", "caught") and len(model.advice.nodes) == 1:
        says |= {"yes": "it lights", "no": "it does not"}
    if task == "read":
        says["type"] = "millivolts; V for volts" if model.unit == "mV" else "volts; m for mV"
    if model.unit == "Ω":
        says |= {"yes": "OL, or far above", "no": "rails touch"}
    return [replace(deed, says=says.get(deed.action, deed.says)) for deed in found]


def deeds_typing(now: Sequence[Deed]) -> list[Deed]:
    """What can be done while a number stands in the field: the keys of the task wait.

    Args:
        now: what the task offers before that.
    """
    kept = Deed("keep_typed", "Enter", "Enter", "keeps it")
    left = Deed("leave", "Escape", "Escape", "drops it")
    return [kept, left, *(deed for deed in now if deed.action == "type")]


def deeds_always(model: BenchModel) -> list[Deed]:
    """Return the actions of every task, without those of the task at hand."""
    without = {deed.action for deed in deeds_now(model)}
    without |= {"own_reading"} if model.state.signed else set()
    without |= set() if model.state.taken else {"readings"}
    without |= {"stray"} if model.lit is None else set()
    without |= {"why"} if model.finding is None else set()
    without |= {"plot"} if model.profile is None else set()
    return deeds(ALWAYS, frozenset(without))


def name_of(action: str) -> str:
    """The action's name, without what it is given."""
    return action.partition("(")[0]


ACTIONS = frozenset(name_of(action) for action in KEYS)


def bindings() -> list[Binding]:
    """A binding for every key; which of them work now, the screen says."""
    found = [Binding(keys, action, show=False) for action, (keys, _) in KEYS.items() if keys]
    return [*found, Binding("f9", "dark", show=False, priority=True)]


def links(shown: Sequence[Deed], width: int = 1000, gap: int = 3) -> Content:
    """Keys and what they do; each can be clicked, and none breaks at the end of a line."""
    lines: list[list[Content]] = [[]]
    used = 0
    for deed in (deed for deed in shown if deed.says):
        part = link(deed.key, deed.says, deed.action)
        if lines[-1] and used + gap + part.cell_length > width:
            lines.append([])
            used = 0
        used += part.cell_length + (gap if lines[-1] else 0)
        lines[-1].append(part)
    return Content("\n").join([Content(" " * gap).join(line) for line in lines])


def link(key: str, says: str, action: str) -> Content:
    """One key and what it does, to click on."""
    click = Style.from_meta({"@click": f"screen.{action}"})
    return Content.assemble((f"{key} ", click + Style(bold=True)), (says, click))
