"""Pattern files: TOML in, patterns or every fault of a file out."""

from __future__ import annotations

import string
from collections.abc import Iterator, Mapping
from importlib.resources import files
from pathlib import Path

from benchtest.errors import FileFaults, did_you_mean
from benchtest.input_files import MAX_TOML_BYTES, parse_toml, read_text, truncate_faults
from benchtest.pattern.pattern import STEP_SCOPES, Layer, Pattern, Rule, StepScope
from benchtest.prop.lit_set import COLOUR_CHANNELS
from benchtest.toml_table import TomlTable

KEYS = ("title", "reveals", "asks", "hold_s", "step")
STEP_KEYS = ("each", "says", "layer")
LAYER_KEYS = ("every", "colour", "level")
FIELDS: Mapping[StepScope, frozenset[str]] = {
    "prop": frozenset(),
    "strand": frozenset(["strand"]),
    "node": frozenset(["strand", "node"]),
    "colour": frozenset(["colour"]),
}
"""What a step's words may have filled in."""

MIN_HOLD_S = 0.5
"""Least time between changes of large areas. [s] WCAG 2.2, success criterion 2.3.1, allows three
flashes in any one second; a lit prop is always larger than its area limit, so we keep to two."""
LEAST_NODE_HOLD_S = 0.1
"""Least time for a step that lights a single node. [s] Ours."""


def load_patterns(extra: Path | None = None) -> dict[str, Pattern]:
    """Every pattern: those that ship, then a user's own, which replace those of the same name.

    Args:
        extra: the bench's own folder of patterns, if there is one.

    Raises:
        FileFaults: every fault of the first file that has some.
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
    """Make a pattern of a file's text.

    Raises:
        FileFaults: every fault of the file, each with its key and what would be right.
    """
    faults: list[str] = []
    sheet = TomlTable(parse_toml(text, file), "", faults)
    sheet.no_other_keys(KEYS)
    title = sheet.text("title", needed="name the pattern in a few words")
    reveals = sheet.text("reveals", needed="say what it reveals", longest=300)
    asks = sheet.text("asks", needed="write the question it asks", longest=200)
    rules = [_rule(table) for table in sheet.sheets("step", most=100)]
    if not rules and not faults:
        sheet.fault("step", 'is missing; write a table [[step]] with each = "prop"')
    hold_s = sheet.number("hold_s", least=0.0, most=3600.0, default=2.0, zero=False)
    if hold_s is not None:
        _check_rate(sheet, hold_s, rules)
    if faults or title is None or reveals is None or asks is None or hold_s is None:
        raise FileFaults(file, truncate_faults(faults))
    good = tuple(rule for rule in rules if rule is not None)
    return Pattern(name, title, reveals, asks, hold_s, good)


def _rule(sheet: TomlTable) -> Rule | None:
    sheet.no_other_keys(STEP_KEYS)
    word = sheet.text("each", needed=f"give one of {', '.join(STEP_SCOPES)}")
    each = next((known for known in STEP_SCOPES if known == word), None)
    if word is not None and each is None:
        known = ", ".join(STEP_SCOPES)
        sheet.fault("each", f'is "{word}"; give one of {known}{did_you_mean(word, STEP_SCOPES)}')
    says = sheet.text("says", needed="say what is lit, such as Strand {strand} alone")
    if each is not None and says is not None:
        _check_fields(sheet, says, each)
    layers = [_layer(table) for table in sheet.sheets("layer", most=20)] or [Layer()]
    good = tuple(layer for layer in layers if layer is not None)
    if each is None or says is None or len(good) != len(layers):
        return None
    return Rule(each, says, good)


def _check_fields(sheet: TomlTable, says: str, each: StepScope) -> None:
    try:
        fields = [name for _, name, spec, turn in string.Formatter().parse(says) if name is not None
                  or spec or turn]  # fmt: skip
    except ValueError as error:
        sheet.fault("says", f"{error}; braces hold only a name, such as {{strand}}")
        return
    for name in fields:
        if name not in FIELDS[each]:
            known = ", ".join(f"{{{field}}}" for field in sorted(FIELDS[each])) or "none"
            sheet.fault("says", f'"{{{name}}}" is not known here; with each = "{each}": {known}')


def _layer(sheet: TomlTable) -> Layer | None:
    sheet.no_other_keys(LAYER_KEYS)
    every = sheet.whole("every", least=1, most=100_000, default=1)
    level = sheet.number("level", least=0.0, most=1.0, default=1.0, zero=False)
    colour = sheet.text("colour") if sheet.has("colour") else "white"
    if colour is not None and colour not in COLOUR_CHANNELS:
        hint = did_you_mean(colour, COLOUR_CHANNELS)
        sheet.fault("colour", f'is "{colour}"; give one of {", ".join(COLOUR_CHANNELS)}{hint}')
        return None
    if every is None or level is None or colour is None:
        return None
    return Layer(every, colour, level)


def _check_rate(sheet: TomlTable, hold_s: float, rules: list[Rule | None]) -> None:
    large = any(rule is not None and rule.each != "node" for rule in rules)
    least = MIN_HOLD_S if large else LEAST_NODE_HOLD_S
    if hold_s < least:
        why = "large areas may not flash faster than twice a second" if large else "eyes need it"
        sheet.fault("hold_s", f"is {hold_s:g}; give {least:g} or more: {why}")
