"""Available actions and their keys: one table for keyboard, panel, help, mouse and palette."""

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

TASKS: dict[Task, str] = {
    "check": "before power",
    "glow": "first light",
    "look": "look",
    "parade": "parade",
    "search": "search by halves",
    "caught": "found",
    "walk": "walk",
    "downstream": "look",
    "picture": "picture",
    "controller": "controller",
    "colour": "colours",
    "recolour": "colours",
    "think": "calculating",
    "read": "measure",
    "repair": "repair",
    "wiggle": "wiggle",
    "soak": "soak",
    "sign-off": "sign off",
    "done": "done",
}
"""Title of each task."""


@dataclass(frozen=True, slots=True)
class KeyAction:
    """An action with its keys."""

    action: str
    """The action as Textual runs it, such as `choose(1)`."""
    key: str
    """Its first key, in short form."""
    keys: str
    """All its keys."""
    label: str
    """Its effect; an empty label is not shown."""


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
    "sign_again": ("S", "S"),
    "enough": ("e", "e"),
    "pass_checks": ("A", "A"),  # not Enter: one too many after a number must not pass the rest
    "flicker": ("f", "f"),
    "meter": ("v", "v"),
    "point": ("w", "w"),
    "type": ("", "0-9 - ."),
    "own_reading": ("o", "o"),
    "replaced": ("r", "r"),  # before the repair, which can be logged by a click at any task
    "repair(0)": ("r", "r"),
    "suspect": ("", "1-9"),
    "pick": ("", "1-9"),
    "ruler": ("h", "h"),
    "brighter(1)": ("plus,equals_sign", "+"),
    "brighter(-1)": ("minus", "-"),
    "only": ("l", "l"),
    "readings": ("a", "a"),
    "why": ("y", "y"),
    "plot": ("p", "p"),
    "stray": ("k", "k"),
    "steps": ("t", "t"),
    "driving": ("i", "i"),
    "note": ("n", "n"),
    "stage": ("g", "g"),
    "undo": ("u,ctrl+z", "u, Ctrl+Z"),
    "dark": ("b,full_stop", "b, F9"),
    "next_unit": ("N", "N"),
    "help": ("question_mark,f1", "?, F1"),
    "palette": ("ctrl+p", "Ctrl+P"),
    "leave": ("escape", "Escape"),
}
"""Keys of each action, for the library and for people."""
MARK_KEYS: dict[str, Seen] = {
    "d": "dark",
    "m": "dim",
    "w": "warm",
    "c": "wrong-colour",
    "f": "flicker",
    "s": "stuck",
}
"""Letters of marks; a capital letter marks all nodes from here on."""
KEYS |= {f"mark('{seen}',False)": (key, key) for key, seen in MARK_KEYS.items()}
KEYS |= {f"mark('{seen}',True)": (key.upper(), key.upper()) for key, seen in MARK_KEYS.items()}

LabelledAction = tuple[str, str]
"""An action and its label."""
_LIGHT: tuple[LabelledAction, ...] = (("brighter(1)", "brighter"), ("brighter(-1)", "dimmer"))
_BY_HAND: tuple[LabelledAction, ...] = (("walk(-1)", "node by node"), ("walk(1)", ""))
_MARKS: tuple[LabelledAction, ...] = tuple(
    (f"mark('{seen}',False)", seen) for seen in MARK_KEYS.values()
)
_FROM_HERE: tuple[LabelledAction, ...] = tuple(
    (f"mark('{seen}',True)", "dark from here on" if seen == "dark" else "")
    for seen in MARK_KEYS.values()
)

TASK_ACTIONS: dict[Task, tuple[LabelledAction, ...]] = {
    "check": (("yes", "yes"), ("no", "no"), ("pass_checks", "all right"), ("leave_out", "skip")),
    "glow": (("yes", "all glow"), ("no", "not all"), ("back", "back")),
    "look": (
        ("yes", "it lights"), ("no", "it does not"), ("go_on", "all in turn, 1 s each"),
        ("all_dark", "all dark"), ("back", "back"), ("choose(-1)", "previous strand"),
        ("choose(1)", "next strand"), *_LIGHT,
    ),
    "parade": (
        ("yes", "all did"), ("no", "stop: this one fails"), ("walk(1)", "faster"),
        ("walk(-1)", "slower"), *_LIGHT,
    ),
    "search": (
        ("yes", "all of these light"), ("no", "not all"), ("back", "back"), *_BY_HAND, *_LIGHT,
    ),
    "caught": (
        ("yes", "they light"), ("no", "they do not"), ("back", "back"), *_BY_HAND, *_MARKS,
        *_FROM_HERE,
    ),
    "walk": (
        ("yes", "it lights, next"), ("no", "it is dark"), ("walk(-1)", "towards A"),
        ("walk(1)", "towards B"), *_MARKS, *_FROM_HERE, ("go_on", "strand done"),
        ("back", "previous node"), ("walk(-100000)", "end A"), ("walk(100000)", "end B"),
        ("ruler", "ruler"), *_LIGHT,
    ),
    "downstream": (("yes", "all dark"), ("no", "some light"), ("back", "back"), *_LIGHT),
    "picture": (("yes", "as drawn"), ("no", "unlike the drawing"), ("back", "back")),
    "controller": (("no", "none of these"), ("yes", "as sent"), ("back", "back")),
    "colour": (("yes", "yes"), ("no", "no"), ("back", "back"), *_LIGHT),
    "recolour": (
        ("driving", "drive it as set"), ("yes", "look again"),
        ("replaced", "a node was replaced"), ("back", "back"),
    ),
    "think": (),
    "read": (
        ("type", "the reading"), ("go_on", "save"), ("enough", "enough"),
        ("leave_out", "skip: cannot reach it"), ("meter", "read the virtual meter"),
        ("point", "where it goes"), ("own_reading", "another probe"), ("yes", "also reads"),
    ),
    "repair": (
        ("repair(0)", "done: log it"), ("driving", "drive it as set"),
        ("suspect", "log a different repair"),
        ("point", "where it is"), ("why", "why"),
        ("plot", "map or plot"),
    ),
    "wiggle": (
        ("yes", "steady"), ("no", "it flickers"), ("back", "back"), *_LIGHT,
    ),
    "soak": (
        ("go_on", "begin or resume"), ("yes", "steady"), ("no", "it flickered"),
        ("flicker", "enter where"), ("end_soak", "end the soak"),
    ),
    "sign-off": (("sign_again", "sign off"), ("go_on", "sign off"), ("suspect", "log a repair")),
    "done": (("next_unit", "next unit"), ("leave", "shelf")),
}  # fmt: skip
"""Actions of each task, the most important first: the question's band has room for a few."""
COMMON_ACTIONS: tuple[LabelledAction, ...] = (
    ("help", "help"), ("steps", "steps"), ("undo", "undo"), ("dark", "dark on or off"),
    ("only", "light only this"), ("readings", "all readings"), ("why", "why this finding"),
    ("plot", "map or plot"), ("stray", "stray light"), ("own_reading", "own reading"),
    ("driving", "how it is driven"),
    ("note", "note"), ("stage", "stage"), ("next_unit", "next unit"),
    ("palette", "all commands"), ("leave", "shelf"),
)  # fmt: skip
"""Actions of every task."""
BAR_LABELS = {
    "help": "help",
    "steps": "steps",
    "undo": "undo",
    "dark": "dark",
    "note": "note",
    "palette": "all",
    "leave": "shelf",
}
"""Actions of the bottom line, with short labels."""


def _key_actions(
    labelled: Sequence[LabelledAction], without: frozenset[str] = frozenset()
) -> list[KeyAction]:
    """Return labelled actions with their keys, except those to leave out."""
    found = []
    for action, label in labelled:
        if action not in without:
            keys = KEYS[action][1]
            found.append(KeyAction(action, keys.partition(",")[0], keys, label))
    return found


def actions_now(model: BenchModel) -> list[KeyAction]:
    """Return the actions of the task at hand."""
    task, source = model.task, model.source
    without: set[str] = set() if source.can_read else {"meter"}
    if task == "read" and not source.keeps_at_once:
        without.add("yes")
    if task == "read" and not model.advice.may_skip:
        without.add("leave_out")
    if not model.advice.enough:
        without.add("enough")
    if model.profile is None:
        without.add("plot")
    if not model.drives_as_set:
        without.add("driving")
    if task == "check" and model.unit == "V" and " as " not in model.due_checks:
        without.add("yes")
    if not model.signer:
        without.add("sign_again")
    if task == "recolour" and model.advice.strand is None:
        without.add("replaced")
    if task == "check" and not model.advice.more_checks:
        without.add("pass_checks")
    if task == "look" and not model.may_parade:
        without.add("go_on")
    if task == "parade":
        without |= {"yes"} if model.advice.strand is not None else {"walk(1)", "walk(-1)"}
    if task == "soak":
        without |= {"go_on"} if model.is_soaking else {"yes", "flicker"}
        without |= {"no", "end_soak"} if model.soak is None else set()
    found = _key_actions(TASK_ACTIONS[task], frozenset(without))
    if choices := model.advice.choices:
        picks = [
            KeyAction(f"pick({number})", str(number), str(number), text)
            for number, text in enumerate(choices, 1)
        ]
        found = [*picks, *(one for one in found if one.action != "yes")]
    if task == "check" and model.unit:
        extra = [("type", "the display of the meter"), ("meter", "read the virtual meter")]
        found = [*_key_actions(extra, frozenset(without)), *found]
    labels: dict[str, str] = {}
    if model.signer:
        labels |= {"sign_again": f"sign off as {model.signer}", "go_on": "sign off, with a comment"}
    if task == "check" and model.unit == "V":
        labels["yes"] = model.due_checks
    if source.is_fitted:
        labels["meter"] = f"read the {source.name}"
    if task in ("search", "caught") and len(model.advice.nodes) == 1:
        labels |= {"yes": "it lights", "no": "it does not"}
    if task == "check" and model.advice.more_checks:
        labels["pass_checks"] = f"all {1 + len(model.advice.more_checks)} right: {model.due_checks}"
    if task == "parade" and model.advice.strand is None:
        labels["no"] = "not all: one by one"
    if task == "read":
        labels["type"] = "millivolts; V for volts" if model.unit == "mV" else "volts; m for mV"
    if (advice := model.advice).enough:
        price = (
            "" if advice.seconds is None else f"; this reading takes about {advice.seconds:.0f} s"
        )
        labels["enough"] = f"enough: {advice.enough}{price}"
    if model.unit == "Ω":
        labels |= {"yes": "OL, or far above", "no": "rails shorted"}
    return [replace(one, label=labels.get(one.action, one.label)) for one in found]


def actions_typing(now: Sequence[KeyAction]) -> list[KeyAction]:
    """Return the actions while a number is being typed, when the keys of the task are suspended.

    Args:
        now: actions of the task.
    """
    save = KeyAction("keep_typed", "Enter", "Enter", "save")
    discard = KeyAction("leave", "Escape", "Escape", "discard")
    return [save, discard, *(one for one in now if one.action == "type")]


def actions_always(model: BenchModel) -> list[KeyAction]:
    """Return the actions of every task, without those of the task at hand."""
    without = {one.action for one in actions_now(model)}
    without |= {"own_reading"} if model.state.signed else set()
    without |= set() if model.state.taken else {"readings"}
    without |= {"stray"} if model.lit is None else set()
    without |= {"why"} if model.finding is None else set()
    without |= {"plot"} if model.profile is None else set()
    without |= {"driving"} if model.is_virtual else set()
    return _key_actions(COMMON_ACTIONS, frozenset(without))


def action_name(action: str) -> str:
    """Return the name of an action without its parameters."""
    return action.partition("(")[0]


ACTIONS = frozenset(action_name(action) for action in KEYS)
"""Names of all actions."""


def bindings() -> list[Binding]:
    """Return a binding for every key; the screen decides which of them work now."""
    found = [Binding(keys, action, show=False) for action, (keys, _) in KEYS.items() if keys]
    return [*found, Binding("f9", "dark", show=False, priority=True)]


def links(
    shown: Sequence[KeyAction], width: int = 1000, gap: int = 3, most_lines: int = 100
) -> Content:
    """Return keys and labels that can be clicked, wrapped between them.

    Args:
        shown: the actions, the most important first; one without a label is left out.
        width: longest line. [cells]
        gap: space between two of them. [cells]
        most_lines: most lines; what does not fit is left out.
    """
    lines: list[list[Content]] = [[]]
    used = 0
    for one in (one for one in shown if one.label):
        part = _link(one)
        if lines[-1] and used + gap + part.cell_length > width:
            if len(lines) == most_lines:
                break
            lines.append([])
            used = 0
        used += part.cell_length + (gap if lines[-1] else 0)
        lines[-1].append(part)
    return Content("\n").join([Content(" " * gap).join(line) for line in lines])


def _link(one: KeyAction) -> Content:
    click = Style.from_meta({"@click": f"screen.{one.action}"})
    return Content.assemble((f"{one.key} ", click + Style(bold=True)), (one.label, click))
