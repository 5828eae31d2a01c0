"""Reader of pattern files: patterns, or every fault of a file at once."""

from __future__ import annotations

import string
from collections.abc import Iterator, Mapping
from importlib.resources import files
from pathlib import Path

from benchtest.errors import FileFaults, did_you_mean
from benchtest.input_files import MAX_TOML_BYTES, parse_toml, read_text, truncate_faults
from benchtest.pattern.pattern import STEP_SCOPES, Layer, Pattern, StepRule, StepScope
from benchtest.prop.lit_set import COLOUR_CHANNELS
from benchtest.toml_table import TomlTable

_KEYS = ("title", "reveals", "asks", "hold_s", "step")
_STEP_KEYS = ("each", "says", "layer")
_LAYER_KEYS = ("every", "colour", "level")
_FIELDS: Mapping[StepScope, frozenset[str]] = {
    "prop": frozenset(),
    "strand": frozenset(["strand"]),
    "node": frozenset(["strand", "node"]),
    "colour": frozenset(["colour"]),
    "turn": frozenset(["turn", "colour"]),
}
"""Fields that may be filled in the text of a step of each scope."""

MIN_HOLD_S = 0.5
"""Least time between changes of large areas. [s] WCAG 2.2, success criterion 2.3.1, allows three
flashes in any one second; a lit prop always exceeds its area limit, so that two are allowed."""
_MIN_NODE_HOLD_S = 0.1
"""Least time for a step that lights a single node. [s] Chosen by us."""


def load_patterns(extra: Path | None = None) -> dict[str, Pattern]:
    """Read every pattern by its name; a user's own replaces a shipped one of the same name.

    Args:
        extra: folder of the user's own patterns; it may be missing.

    Raises:
        FileFaults: every fault of the first invalid file.
        InputError: a file cannot be read.
    """
    found = {}
    for name, text, file in [*_shipped(), *_own(extra)]:
        found[name] = parse_pattern(name, text, file)
    return found


def _shipped() -> Iterator[tuple[str, str, str]]:
    folder = files("benchtest.patterns")
    for entry in sorted(folder.iterdir(), key=lambda entry: entry.name):
        if entry.name.endswith(".toml"):
            yield entry.name.removesuffix(".toml"), entry.read_text("utf-8"), entry.name


def _own(folder: Path | None) -> Iterator[tuple[str, str, str]]:
    if folder is None or not folder.is_dir():
        return
    for path in sorted(folder.glob("*.toml")):
        yield path.stem, read_text(path, "pattern", MAX_TOML_BYTES), str(path)


def parse_pattern(name: str, text: str, file: str) -> Pattern:
    """Read the text of a pattern file.

    Args:
        name: name of the pattern.
        text: content of the file.
        file: its name, for the faults.

    Raises:
        FileFaults: every fault of the file, each with its key and what would be right.
    """
    faults: list[str] = []
    table = TomlTable(parse_toml(text, file), "", faults)
    table.reject_other_keys(_KEYS)
    title = table.text("title", needed="name the pattern in a few words")
    reveals = table.text("reveals", needed="write what it reveals", longest=300)
    asks = table.text("asks", needed="write the question it asks", longest=200)
    rules = [_rule(step) for step in table.tables("step", maximum=100)]
    if not rules and not faults:
        table.fault("step", 'is missing; write a table [[step]] with each = "prop"')
    hold_s = table.number("hold_s", minimum=0.0, maximum=3600.0, default=2.0, exclusive=True)
    if hold_s is not None:
        _check_rate(table, hold_s, rules)
    if faults or title is None or reveals is None or asks is None or hold_s is None:
        raise FileFaults(file, truncate_faults(faults))
    good = tuple(rule for rule in rules if rule is not None)
    return Pattern(name, title, reveals, asks, hold_s, good)


def _rule(table: TomlTable) -> StepRule | None:
    table.reject_other_keys(_STEP_KEYS)
    word = table.text("each", needed=f"give one of {', '.join(STEP_SCOPES)}")
    each = next((known for known in STEP_SCOPES if known == word), None)
    if word is not None and each is None:
        known = ", ".join(STEP_SCOPES)
        table.fault("each", f'is "{word}"; give one of {known}{did_you_mean(word, STEP_SCOPES)}')
    says = table.text("says", needed="write what is lit, such as Strand {strand} alone")
    if each is not None and says is not None:
        _check_fields(table, says, each)
    if each == "turn" and table.has("layer"):
        table.fault("layer", 'leave it out with each = "turn"; the picture has its own colours')
    layers = [_layer(layer) for layer in table.tables("layer", maximum=20)] or [Layer()]
    good = tuple(layer for layer in layers if layer is not None)
    if each is None or says is None or len(good) != len(layers):
        return None
    return StepRule(each, says, good)


def _check_fields(table: TomlTable, says: str, each: StepScope) -> None:
    try:
        fields = [name for _, name, spec, turn in string.Formatter().parse(says) if name is not None
                  or spec or turn]  # fmt: skip
    except ValueError as error:
        table.fault("says", f"{error}; write only a name in braces, such as {{strand}}")
        return
    for name in fields:
        if name not in _FIELDS[each]:
            known = ", ".join(f"{{{field}}}" for field in sorted(_FIELDS[each])) or "none"
            table.fault("says", f'"{{{name}}}" is unknown; with each = "{each}" write {known}')


def _layer(table: TomlTable) -> Layer | None:
    table.reject_other_keys(_LAYER_KEYS)
    every = table.whole("every", minimum=1, maximum=100_000, default=1)
    level = table.number("level", minimum=0.0, maximum=1.0, default=1.0, exclusive=True)
    colour = table.text("colour") if table.has("colour") else "white"
    if colour is not None and colour not in COLOUR_CHANNELS:
        hint = did_you_mean(colour, COLOUR_CHANNELS)
        table.fault("colour", f'is "{colour}"; give one of {", ".join(COLOUR_CHANNELS)}{hint}')
        return None
    if every is None or level is None or colour is None:
        return None
    return Layer(every, colour, level)


def _check_rate(table: TomlTable, hold_s: float, rules: list[StepRule | None]) -> None:
    large = any(rule is not None and rule.each != "node" for rule in rules)
    least = MIN_HOLD_S if large else _MIN_NODE_HOLD_S
    if hold_s < least:
        why = "large areas may change twice a second at most" if large else "the eye needs it"
        table.fault("hold_s", f"is {hold_s:g}; give {least:g} or more: {why}")
