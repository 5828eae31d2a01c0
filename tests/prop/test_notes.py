"""The notes on node kinds have the figures of the catalogue."""

from __future__ import annotations

from pathlib import Path

import pytest

from benchtest.prop.node_kinds import catalogue

NOTES = Path(__file__).parents[2] / "hw_notes" / "node_kinds.md"


@pytest.mark.parametrize("name", sorted(catalogue()))
def test_the_notes_list_every_kind_with_its_figures(name: str) -> None:
    kind = catalogue()[name]
    (row,) = [line for line in NOTES.read_text().splitlines() if f"| `{name}` |" in line]
    cells = [cell.strip() for cell in row.split("|")]
    assert cells[2] == f"{kind.volts:g} V"
    assert cells[4] == f"{kind.channel_ma:g}"
    assert cells[5] == f"{kind.quiescent_ma:g}"
    assert cells[6] == kind.colour_order
    assert cells[7] == ("yes" if kind.backup_data else "no")
    assert cells[8] == f"{kind.data_khz:g}"
