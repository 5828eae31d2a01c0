"""Marks: appearance of a node or a range of nodes, as seen by eye."""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Literal, get_args

from benchtest.errors import InputError, NameFault, did_you_mean
from benchtest.evidence.csv_table import MAX_CSV_BYTES, ParsedTable, parse_csv
from benchtest.evidence.readings import parse_number
from benchtest.input_files import printable, read_text
from benchtest.prop.design import Design
from benchtest.prop.lit_set import LitSet, parse_lit_set

Seen = Literal["ok", "dark", "dim", "warm", "wrong-colour", "stuck", "flicker"]
SEEN: tuple[Seen, ...] = get_args(Seen)

_SEEN_UNLIT: tuple[Seen, ...] = ("ok", "stuck", "flicker")
"""Marks that a strand may have while it is not lit: `ok` for dark, `stuck` for lit all the same.
`dark` is left out because a wrong lit set is the likelier reason for it."""

WARM_SHARE, DIM_SHARE, DARK_SHARE = 0.85, 0.6, 0.05
"""Light below which a person who looks for it sees `warm`, `dim` or `dark`: weakest colour over
strongest colour for `warm`, strongest colour over full light for the others. Common practice, no
source."""

_NEEDED = ("lit", "strand", "nodes", "seen")
_OPTIONAL = ("level", "colour", "at")
_SPAN = re.compile(r"^(\d{1,6})(?:-(\d{1,6}))?$", re.ASCII)


@dataclass(frozen=True, slots=True)
class Mark:
    """Appearance of nodes `first` to `last` of a strand, lit or not."""

    lit: LitSet
    strand: int
    first: int
    last: int
    seen: Seen

    @property
    def nodes(self) -> str:
        """The nodes as written: `17` or `17-30`."""
        return str(self.first) if self.first == self.last else f"{self.first}-{self.last}"


def read_marks(path: Path, design: Design) -> ParsedTable[Mark]:
    """Read a file of marks: the valid ones, and the faults of the others.

    Args:
        path: the file.
        design: the prop.

    Raises:
        InputError: the file cannot be read.
    """
    return parse_marks(read_text(path, "marks", MAX_CSV_BYTES), str(path), design)


def parse_marks(text: str, file: str, design: Design) -> ParsedTable[Mark]:
    """Read the marks of a CSV text: the valid ones, and the faults of the others.

    Two different marks of one node under one lit set contradict each other, unless one of them is
    `all,ok`, which marks the whole strand except for its other marks.

    Args:
        text: content of the file.
        file: its name, for the faults.
        design: the prop.
    """
    parsed = parse_csv(text, file, _NEEDED, _OPTIONAL, lambda cells: _mark(cells, design))
    unsafe = tuple(_contradictions(parsed.rows, design))
    return ParsedTable(file, parsed.rows, parsed.faults, unsafe, parsed.lines)


def parse_node_range(text: str, nodes: int) -> tuple[int, int]:
    """Return the first and the last node of `17`, `17-30` or `all`.

    Args:
        text: the range.
        nodes: number of nodes of the strand.

    Raises:
        InputError: another form, or the strand has no such node.
    """
    if text.strip() == "all":
        return 1, nodes
    if not (found := _SPAN.match(text.strip())):
        raise InputError(
            f'nodes: "{printable(text, 20)}"; write a number, a range such as 17-30, or all'
        )
    first = int(found[1])
    last = int(found[2]) if found[2] else first
    if first > last:
        raise InputError(f'nodes: "{text}" runs backwards; write {last}-{first}')
    if first < 1 or last > nodes:
        raise InputError(f'nodes: "{text}"; the strand has nodes 1 to {nodes}')
    return first, last


def _parse_seen(text: str) -> Seen:
    """Read the appearance of a mark, one of `SEEN`.

    Raises:
        NameFault: another word.
    """
    word = text.strip()
    for known in SEEN:
        if word == known:
            return known
    raise NameFault(
        f'seen: "{printable(word, 20)}"; write one of {", ".join(SEEN)}{did_you_mean(word, SEEN)}'
    )


def _mark(cells: dict[str, str], design: Design) -> Mark:
    level = parse_number(cells["level"], "level") if cells.get("level") else 1.0
    lit = parse_lit_set(cells["lit"], design, level, cells.get("colour") or "white")
    number = cells["strand"]
    if not (number.isascii() and number.isdigit() and len(number) < 7):
        raise InputError(f'strand: "{printable(number, 20)}"; write its number')
    strand = int(number)
    if not 1 <= strand <= len(design.strands):
        raise NameFault(f"strand: {strand}; the prop has strands 1 to {len(design.strands)}")
    first, last = parse_node_range(cells["nodes"], design.strand(strand).nodes)
    mark = Mark(lit, strand, first, last, _parse_seen(cells["seen"]))
    check_seen(mark, design)
    return mark


def check_seen(mark: Mark, design: Design) -> None:
    """Reject an appearance that a strand which is not lit cannot have.

    Raises:
        InputError: such an appearance.
    """
    if not mark.lit.lights(mark.strand) and mark.seen not in _SEEN_UNLIT:
        raise InputError(
            f'strand {mark.strand} is not lit under "{mark.lit.text(design)}": write ok (it is '
            f"dark), stuck (it is lit all the same) or flicker instead of {mark.seen}"
        )


def _contradictions(marks: Sequence[Mark], design: Design) -> list[str]:
    """Return the contradictions; ranges are compared by their ends, as they may be very long."""
    groups: dict[tuple[LitSet, int], list[Mark]] = {}
    for mark in marks:
        if mark.seen == "ok" and (mark.first, mark.last) == (1, design.strand(mark.strand).nodes):
            continue
        groups.setdefault((mark.lit, mark.strand), []).append(mark)
    faults: list[str] = []
    for (lit, strand), group in groups.items():
        reach: dict[Seen, tuple[int, int]] = {}
        """Last node so far that has each appearance, and the row of that mark."""
        for row, mark in sorted(enumerate(group), key=lambda one: one[1].first):
            for seen, (last, before) in reach.items():
                if seen != mark.seen and last >= mark.first:
                    one, other = (seen, mark.seen) if before < row else (mark.seen, seen)
                    faults.append(
                        f'node {strand}.{mark.first}, lit "{lit.text(design)}": marked {one} and '
                        f"{other}; remove the wrong one"
                    )
            if mark.last > reach.get(mark.seen, (0, 0))[0]:
                reach[mark.seen] = mark.last, row
    return faults
