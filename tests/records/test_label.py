"""Labels: what is on them, their sizes, and a code that an independent reader understands."""

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
    """What zbarimg reads from a page of a PDF that pdftoppm has drawn at a printer's 203 dpi."""
    picture = pdf.with_suffix(f".{page}")
    _run("pdftoppm", "-r", "203", "-f", page, "-l", page, "-singlefile", "-png", pdf, picture)
    return _run("zbarimg", "-q", "--raw", f"{picture}.png").split()


def _pages(pdf: Path) -> tuple[int, tuple[float, float]]:
    """Number of pages of a PDF, and width and height of its first. [mm]"""
    found = _run("pdfinfo", pdf)
    count = re.search(r"Pages:\s+(\d+)", found)
    size = re.search(r"Page size:\s+([\d.]+) x ([\d.]+)", found)
    assert count is not None
    assert size is not None
    return int(count[1]), (float(size[1]) / 72 * 25.4, float(size[2]) / 72 * 25.4)


@pytest.mark.parametrize("size", [*COMMON_SIZES, "30x45"])
def test_a_printed_label_has_its_size_and_a_code_that_is_read(size: str, tmp_path: Path) -> None:
    path = tmp_path / "label.pdf"
    path.write_bytes(labels_pdf([_label()], parse_size(size)))
    count, printed = _pages(path)
    assert count == 1
    assert printed == pytest.approx(parse_size(size), abs=0.1)
    assert _read_by_camera(path) == [f"benchtest:WF-03:{RECORD}"]


def test_the_longest_tag_is_read_too_and_stands_whole_on_the_label(tmp_path: Path) -> None:
    path = tmp_path / "label.pdf"
    path.write_bytes(labels_pdf([_label(LONG_TAG)], parse_size("62x29")))
    assert _read_by_camera(path) == [f"benchtest:{LONG_TAG}:{RECORD}"]
    assert LONG_TAG in _run("pdftotext", path, "-")


def test_all_that_a_person_needs_stands_in_words(tmp_path: Path) -> None:
    path = tmp_path / "label.pdf"
    path.write_bytes(labels_pdf([_label()], parse_size("62x29")))
    words = _run("pdftotext", path, "-")
    for said in ("WF-03", "Willow fan", "sealed, 2026-11-25", "✓ May go outdoors"):
        assert said in words


def test_a_long_name_is_shortened_and_signs_are_only_signs(tmp_path: Path) -> None:
    path = tmp_path / "label.pdf"
    path.write_bytes(labels_pdf([_label(design="$x^2$ <b>\n" + "name " * 30)], parse_size("62x29")))
    words = _run("pdftotext", path, "-")
    assert "$x^2$ <b>" in words
    assert "…" in words


def test_a_code_leads_back_to_unit_and_record() -> None:
    assert parse_code(_label().code) == ("WF-03", RECORD)
    assert parse_code("WF-03") == ("WF-03", None)


@pytest.mark.parametrize("name", list(LABEL_SHEETS))
def test_a_sheet_holds_its_labels_apart_and_on_the_paper(name: str) -> None:
    sheet = find_sheet(name)
    wide = sheet.left + (sheet.across - 1) * sheet.step[0] + sheet.label[0]
    high = sheet.top + (sheet.down - 1) * sheet.step[1] + sheet.label[1]
    assert wide <= sheet.width + 1e-6
    assert high <= sheet.height + 1e-6
    assert sheet.left == pytest.approx(sheet.width - wide, abs=0.1)  # as far from both edges
    assert sheet.step[0] >= sheet.label[0]
    assert sheet.step[1] >= sheet.label[1]
    assert sheet.count == int(name.rpartition("-")[2])


def test_a_sheet_begun_before_is_filled_from_the_next_place(tmp_path: Path) -> None:
    labels = [_label(f"WF-{number:02}") for number in range(1, 5)]
    path = tmp_path / "sheet.pdf"
    path.write_bytes(sheet_pdf(labels, LABEL_SHEETS["a4-21"], skip=19))
    count, printed = _pages(path)
    assert count == 2
    assert printed == pytest.approx((210.0, 297.0), abs=0.1)
    read = [sorted(_read_by_camera(path, page)) for page in (1, 2)]
    assert read == [[label.code for label in labels[:2]], [label.code for label in labels[2:]]]


def test_an_svg_that_is_too_small_a_sheet_says_what_to_do() -> None:
    with pytest.raises(InputError, match=r"write a \.pdf"):
        sheet_svg([_label()], LABEL_SHEETS["a4-21"], skip=21)


def test_an_svg_is_as_large_as_the_label_and_needs_nothing_else() -> None:
    text = label_svg(_label(), (62.0, 29.0))
    size = re.search(r'<svg [^>]*width="([\d.]+)pt"', text)
    assert size is not None
    assert float(size[1]) / 72 * 25.4 == pytest.approx(62.0, abs=0.1)
    assert "font-family" not in text  # letters are outlines
    assert "<image" not in text


def test_the_same_record_gives_the_same_file() -> None:
    assert labels_pdf([_label()], (62.0, 29.0)) == labels_pdf([_label()], (62.0, 29.0))
    assert label_svg(_label(), (62.0, 29.0)) == label_svg(_label(), (62.0, 29.0))


def test_a_label_too_small_for_its_code_is_refused() -> None:
    with pytest.raises(InputError, match="too small for its code"):
        labels_pdf([_label(LONG_TAG)], (20.0, 12.0))


@pytest.mark.parametrize("text", ["62", "x", "62x", "5x5", "500x500", "62x29mm", "６２x29"])
def test_a_size_that_is_none_is_refused(text: str) -> None:
    with pytest.raises(InputError, match="width x height"):
        parse_size(text)


def test_a_sheet_that_is_none_gets_a_guess() -> None:
    with pytest.raises(InputError, match='did you mean "a4-2'):
        find_sheet("a4-22")
