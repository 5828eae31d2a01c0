"""Labels: their content, their sizes, and a code that an independent reader decodes."""

from __future__ import annotations

import re
import subprocess
from pathlib import Path

import pytest

from benchtest.errors import InputError
from benchtest.records.label import (
    COMMON_SIZES,
    LABEL_SHEETS,
    LabelContent,
    find_sheet,
    label_svg,
    labels_pdf,
    parse_code,
    parse_size,
    sheet_pdf,
    sheet_svg,
)

RECORD = "d2014def-d183-4dc9-8283-52492718d892"
LONG_TAG = "WF-" + "0123456789" * 3 + ".long_q"


def _label(tag: str = "WF-03", design: str = "Willow fan") -> LabelContent:
    return LabelContent(tag, design, "sealed", "2026-11-25", "May go outdoors", True, RECORD)


def _run(*words: object) -> str:
    done = subprocess.run(
        [str(word) for word in words], capture_output=True, encoding="utf-8", check=True
    )
    return done.stdout


def _read_by_camera(pdf: Path, page: int = 1) -> list[str]:
    """Return the text that zbarimg decodes from a page of a PDF, drawn by pdftoppm at a printer's
    203 dpi."""
    picture = pdf.with_suffix(f".{page}")
    _run("pdftoppm", "-r", "203", "-f", page, "-l", page, "-singlefile", "-png", pdf, picture)
    return _run("zbarimg", "-q", "--raw", f"{picture}.png").split()


def _pages(pdf: Path) -> tuple[int, tuple[float, float]]:
    """Return the number of pages of a PDF, and width and height of the first. [mm]"""
    found = _run("pdfinfo", pdf)
    count = re.search(r"Pages:\s+(\d+)", found)
    size = re.search(r"Page size:\s+([\d.]+) x ([\d.]+)", found)
    assert count is not None
    assert size is not None
    return int(count[1]), (float(size[1]) / 72 * 25.4, float(size[2]) / 72 * 25.4)


@pytest.mark.parametrize("size", [*COMMON_SIZES, "30x45"])
def test_a_printed_label_has_its_size_and_a_readable_code(size: str, tmp_path: Path) -> None:
    path = tmp_path / "label.pdf"
    path.write_bytes(labels_pdf([_label()], parse_size(size)))
    count, printed = _pages(path)
    assert count == 1
    assert printed == pytest.approx(parse_size(size), abs=0.1)
    assert _read_by_camera(path) == [f"benchtest:WF-03:{RECORD}"]


def test_the_longest_tag_is_readable_and_complete_on_the_label(tmp_path: Path) -> None:
    path = tmp_path / "label.pdf"
    path.write_bytes(labels_pdf([_label(LONG_TAG)], parse_size("62x29")))
    assert _read_by_camera(path) == [f"benchtest:{LONG_TAG}:{RECORD}"]
    assert LONG_TAG in _run("pdftotext", path, "-")


def test_a_label_has_all_its_texts(tmp_path: Path) -> None:
    path = tmp_path / "label.pdf"
    path.write_bytes(labels_pdf([_label()], parse_size("62x29")))
    words = _run("pdftotext", path, "-")
    for said in ("WF-03", "Willow fan", "sealed, 2026-11-25", "✓ May go outdoors"):
        assert said in words


def test_a_long_name_is_shortened_and_markup_is_literal(tmp_path: Path) -> None:
    path = tmp_path / "label.pdf"
    path.write_bytes(labels_pdf([_label(design="$x^2$ <b>\n" + "name " * 30)], parse_size("62x29")))
    words = _run("pdftotext", path, "-")
    assert "$x^2$ <b>" in words
    assert "…" in words


def test_a_code_decodes_to_unit_and_session() -> None:
    assert parse_code(_label().code) == ("WF-03", RECORD)
    assert parse_code("WF-03") == ("WF-03", None)


@pytest.mark.parametrize("name", list(LABEL_SHEETS))
def test_labels_of_a_sheet_do_not_overlap_and_are_on_the_paper(name: str) -> None:
    sheet = find_sheet(name)
    wide = sheet.left + (sheet.across - 1) * sheet.step[0] + sheet.label[0]
    high = sheet.top + (sheet.down - 1) * sheet.step[1] + sheet.label[1]
    assert wide <= sheet.width + 1e-6
    assert high <= sheet.height + 1e-6
    assert sheet.left == pytest.approx(
        sheet.width - wide, abs=0.1
    )  # equal distance from both edges
    assert sheet.step[0] >= sheet.label[0]
    assert sheet.step[1] >= sheet.label[1]
    assert sheet.count == int(name.rpartition("-")[2])


def test_a_partly_used_sheet_is_filled_from_the_next_place(tmp_path: Path) -> None:
    labels = [_label(f"WF-{number:02}") for number in range(1, 5)]
    path = tmp_path / "sheet.pdf"
    path.write_bytes(sheet_pdf(labels, LABEL_SHEETS["a4-21"], skip=19))
    count, printed = _pages(path)
    assert count == 2
    assert printed == pytest.approx((210.0, 297.0), abs=0.1)
    read = [sorted(_read_by_camera(path, page)) for page in (1, 2)]
    assert read == [[label.code for label in labels[:2]], [label.code for label in labels[2:]]]


def test_too_many_labels_for_one_svg_sheet_give_the_remedy() -> None:
    with pytest.raises(InputError, match=r"write a \.pdf"):
        sheet_svg([_label()], LABEL_SHEETS["a4-21"], skip=21)


def test_an_svg_has_the_labels_size_and_no_external_resources() -> None:
    text = label_svg(_label(), (62.0, 29.0))
    size = re.search(r'<svg [^>]*width="([\d.]+)pt"', text)
    assert size is not None
    assert float(size[1]) / 72 * 25.4 == pytest.approx(62.0, abs=0.1)
    assert "font-family" not in text  # letters are outlines
    assert "<image" not in text


def test_the_same_record_gives_the_same_file() -> None:
    assert labels_pdf([_label()], (62.0, 29.0)) == labels_pdf([_label()], (62.0, 29.0))
    assert label_svg(_label(), (62.0, 29.0)) == label_svg(_label(), (62.0, 29.0))


def test_a_label_too_small_for_its_code_is_rejected() -> None:
    with pytest.raises(InputError, match="too small for its code"):
        labels_pdf([_label(LONG_TAG)], (20.0, 12.0))


@pytest.mark.parametrize("text", ["62", "x", "62x", "5x5", "500x500", "62x29mm", "６２x29"])
def test_an_invalid_size_is_rejected(text: str) -> None:
    with pytest.raises(InputError, match="width x height"):
        parse_size(text)


def test_an_unknown_sheet_gets_a_suggestion() -> None:
    with pytest.raises(InputError, match='did you mean "a4-2'):
        find_sheet("a4-22")
