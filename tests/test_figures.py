"""Figures in the documents are those that the benches kept, and no others."""

from __future__ import annotations

import copy
import json
import re
from pathlib import Path
from typing import Any

import pytest

from tests.bench import run
from tests.bench.passages import (
    MARKED,
    NOT_YET,
    PASSAGES,
    STORE,
    Kept,
    Measured,
    documents,
    passage,
    written,
)

KEPT: dict[str, Any] = json.loads(STORE.read_text("utf-8"))
ANEW = "write it anew: python -m tests.bench.run --page"


@pytest.mark.parametrize("path", documents(), ids=lambda path: path.name)
def test_a_document_contains_the_measured_figures(path: Path) -> None:
    text = path.read_text("utf-8")
    assert text == written(text, KEPT), ANEW


def test_the_page_is_made_of_the_kept_figures() -> None:
    assert run.PAGE.read_text("utf-8") == run.page(KEPT), ANEW


def test_every_passage_is_in_a_document() -> None:
    names = {name for path in documents() for _, name, _, _ in MARKED.findall(path.read_text())}
    assert names == set(PASSAGES)


@pytest.mark.parametrize("name", PASSAGES)
def test_a_bench_measures_all_that_a_passage_asks_for(name: str) -> None:
    """A figure that a bench has renamed would otherwise be missing without a message."""
    benches, says = PASSAGES[name]
    assert set(benches.split()) <= set(run.BENCHES)
    if set(benches.split()) <= set(KEPT):
        assert NOT_YET not in says(Kept(KEPT))


@pytest.mark.parametrize("name", PASSAGES)
def test_a_passage_without_figures_reads_not_measured_yet(name: str) -> None:
    said = passage(name, Kept({}))
    assert "not measured yet" in said.lower()
    assert not re.search(r"\bNone\b|\bnan\b", said)


def test_another_figure_makes_another_document() -> None:
    other = copy.deepcopy(KEPT)
    row = next(r for r in other["durability"]["figures"] if r["what"].endswith("acknowledged"))
    row["value"] += 1
    text = (run.PAGE.parent.parent / "README.md").read_text("utf-8")
    assert written(text, other) != text


@pytest.mark.parametrize(
    "text",
    [
        "<!-- figures: fuzz -->\n",
        "<!-- figures: nothing -->\n<!-- end -->\n",
        "<!-- figures: fuzz -->\n<!-- figures: wire -->\n<!-- end -->\n",
    ],
)
def test_an_unclosed_or_unknown_marker_is_refused(text: str) -> None:
    with pytest.raises(LookupError, match="figures:"):
        written(text, KEPT)


@pytest.mark.parametrize(
    ("value", "spec", "shown"),
    [
        (19270, "n", "19\u00a0270"),
        (0, "none", "none"),
        (3, "none", "3"),
        (0.09131, "s2", "0.091"),
        (1.996, "s2", "2.0"),
        (0.1989, "s2", "0.20"),
        (10.33, "s3", "10.3"),
        (131.4, "s2", "130"),
        (4.5, "", "4.5"),
        (None, ".2f", NOT_YET),
    ],
)
def test_a_figure_is_shown_as_asked(value: float | None, spec: str, shown: str) -> None:
    assert format(Measured(value), spec) == shown
