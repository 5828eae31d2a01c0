"""What the prop map shows, as signs and colours: pure, so that a widget only draws."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from benchtest.diagnosis import Finding
from benchtest.drive.layout import Frame
from benchtest.evidence.marks import Seen
from benchtest.prop.design import NodeName, StrandEnd
from benchtest.session.state import State

SIGN: dict[Seen, str] = {
    "ok": " ",
    "dark": "x",
    "dim": "-",
    "warm": "w",
    "wrong-colour": "c",
    "stuck": "s",
    "flicker": "f",
}
SUSPECT_SHOWN = 0.2
"""Suspects from this probability on are shown on the map."""


@dataclass(frozen=True, slots=True)
class Cell:
    """One node, or a run of nodes in a condensed map."""

    sign: str
    """A mark's letter, `!` for a suspect, `@` for the cursor, or empty."""
    lit: bool
    rgb: tuple[int, int, int]


@dataclass(frozen=True, slots=True)
class Row:
    """One strand as it stands, end A to the left."""

    strand: int
    enters_at_a: bool
    verdict: bool | None
    suspect_a: bool
    suspect_b: bool
    cells: tuple[Cell, ...]


def map_rows(
    state: State,
    frame: Frame,
    finding: Finding | None,
    cursor: NodeName | None,
    width: int,
) -> list[Row]:
    """The prop map.

    Args:
        state: verdicts and marks.
        frame: what is shown now, shape (nodes, colours).
        finding: suspects, where they are known.
        cursor: the node being walked.
        width: most cells of a row; longer strands are condensed.
    """
    ends, nodes = _suspected(finding)
    rows = []
    for strand in state.design.strands:
        number = strand.number
        signs = _signs(state, number, nodes, cursor)
        start = state.design.first_index[number - 1]
        run = -(-strand.nodes // max(width, 1))
        cells = [
            _cell(signs[low : low + run], frame[start + low : start + min(low + run, strand.nodes)])
            for low in range(0, strand.nodes, run)
        ]
        rows.append(
            Row(
                number,
                StrandEnd(number, "A") in state.design.data_path,
                state.verdicts.get(number),
                StrandEnd(number, "A") in ends,
                StrandEnd(number, "B") in ends,
                tuple(cells),
            )
        )
    return rows


def node_of_cell(nodes: int, cell: int, width: int) -> int:
    """The first node of a cell of the map, 1 to `nodes`.

    >>> node_of_cell(30, 4, 60), node_of_cell(160, 4, 60)
    (5, 13)
    """
    run = -(-nodes // max(width, 1))
    return max(1, min(nodes, cell * run + 1))


def _suspected(finding: Finding | None) -> tuple[set[StrandEnd], set[str]]:
    ends: set[StrandEnd] = set()
    nodes: set[str] = set()
    for suspect in finding.suspects if finding else ():
        if suspect.probability < SUSPECT_SHOWN:
            continue
        if "." in suspect.where:
            nodes.add(suspect.where)
        else:
            ends.update(_ends_in(suspect.where))
    return ends, nodes


def _ends_in(where: str) -> list[StrandEnd]:
    """Strand ends that a suspect is at: those of a joint, or all of its strands'."""
    strands = where.split()
    if all(word.isdigit() for word in strands):
        return [StrandEnd(int(word), end) for word in strands for end in ("A", "B")]
    found = []
    for part in where[:-1].split("~"):
        if part[:-1].isdigit() and part[-1:] in ("A", "B"):
            found.append(StrandEnd(int(part[:-1]), "A" if part[-1] == "A" else "B"))
    return found


def _signs(state: State, number: int, nodes: set[str], cursor: NodeName | None) -> list[str]:
    signs = [""] * state.design.strand(number).nodes
    for mark in state.marks:
        if mark.strand == number and mark.seen != "ok":
            for node in range(mark.first, mark.last + 1):
                signs[node - 1] = SIGN[mark.seen]
    for node in range(1, len(signs) + 1):
        if f"{number}.{node}" in nodes:
            signs[node - 1] = "!"
    if cursor is not None and cursor.strand == number:
        signs[cursor.node - 1] = "@"
    return signs


def _cell(signs: list[str], levels: Frame) -> Cell:
    sign = next((s for s in ("@", "!") if s in signs), "") or next((s for s in signs if s), "")
    peak = levels.max(axis=0)
    white = int(peak[3]) if len(peak) > 3 else 0
    # eyes see light roughly by its square root; without that, a quarter looks like nothing
    shown = np.sqrt(np.minimum(peak[:3].astype(float) + white, 255.0) / 255.0) * 255.0
    red, green, blue = (int(value) for value in shown)
    return Cell(sign, bool(peak.any()), (red, green, blue))
