"""The report: one self-contained page, and its texts stay texts."""

from __future__ import annotations

import dataclasses
import html
import re
import subprocess
from html.parser import HTMLParser
from importlib.resources import files
from pathlib import Path

import html5lib
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from benchtest.comparison.report import (
    ComparedChange,
    ComparedTest,
    JointResistance,
    JointRow,
    UnitComparison,
)
from benchtest.comparison.unit_report import comparison_section
from benchtest.evidence.marks import Mark
from benchtest.prop.design import BusPad, Design
from benchtest.prop.lit_set import LitSet
from benchtest.prop.reader import parse_design
from benchtest.records.report import (
    HistoryLine,
    JointLine,
    ReadingLine,
    ReportContent,
    StepResult,
    StrandLine,
    SuspectLine,
    render_report,
)
from benchtest.records.strand_plot import ReadingDot, StrandCurve, StrandPanel, StrandPlot

EVIL = "<script>alert(1)</script>\"'><img src=x onerror=alert(1)>{{ 7*7 }}</title></style>"
# HTML Living Standard, 13.1.2: void elements have no end tag
VOID = {"meta", "br", "img", "input", "link", "hr", "wbr"}
ALLOWED = {
    *(
        "html",
        "head",
        "meta",
        "title",
        "style",
        "body",
        "main",
        "header",
        "section",
        "h1",
        "h2",
        "p",
        "b",
    ),
    *("span", "ul", "li", "div", "table", "thead", "tbody", "tr", "th", "td", "code", "wbr"),
    *("svg", "rect", "line", "circle", "path", "g", "defs", "use", "text", "figure", "clippath"),
}


GOOD = JointResistance(0.001, 0.002, 0.005, 0.012, 0.01, 0.001)
BAD = JointResistance(0.085, 0.11, 0.14, 0.15, 1.0, 1.0)


def _trend(words: str = "7A+") -> UnitComparison:
    """A joint that has grown from one November to the next, and one without readings."""
    unread = JointResistance(0.001, 0.002, 0.005, None, 0.01, 0.01)
    tests = [
        ComparedTest("0" * 36, f"{year}-11-20 17:00", f"{year}-11-20T17:00:00Z", 9, words)
        for year in (2024, 2025, 2026)
    ]
    rows = [JointRow(words, [GOOD, unread, BAD]), JointRow("9B-", [unread] * 3)]
    change = ComparedChange(words, 0, 2, GOOD, BAD, (17.0, 55.0, 140.0), 0.9999)
    return UnitComparison(words, words, tests, rows, [change], [words])


class _Page(HTMLParser):
    """Elements and texts of a page; end tags must match."""

    def __init__(self, text: str) -> None:
        super().__init__()
        self.open: list[str] = []
        self.tags: list[tuple[str, dict[str, str | None]]] = []
        self.words = ""
        self.feed(text)
        self.close()

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.tags.append((tag, dict(attrs)))
        if tag not in VOID:
            self.open.append(tag)

    def handle_startendtag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.tags.append((tag, dict(attrs)))

    def handle_endtag(self, tag: str) -> None:
        assert self.open.pop() == tag

    def handle_data(self, data: str) -> None:
        if self.open and self.open[-1] != "style":
            self.words += data.replace("\N{NO-BREAK SPACE}", " ")

    def count(self, tag: str) -> int:
        return sum(1 for name, _ in self.tags if name == tag)


def _reading(z: float = 0.5, stale: bool = False) -> ReadingLine:
    return ReadingLine("1 3 5-8", "crown:2+>crown:11+", -0.0005, "V", 0.0004, 0.0002, z, stale)


def _design(words: str) -> Design:
    """The Willow fan, with these texts as names of prop, buses and feed."""
    text = files("benchtest.virtual").joinpath("willow-fan.toml").read_text("utf-8")
    design = parse_design(text, "fan")
    foot, crown = design.buses
    feed = dataclasses.replace(design.feeds[0], name=words, at=BusPad(words, 6))
    buses = (dataclasses.replace(foot, name=words), crown)
    return dataclasses.replace(design, name=words, buses=buses, feeds=(feed,))


def _plot() -> StrandPlot:
    x, volts, sd = (0.0, 15.0, 31.0), (4.7, 4.6, 4.5), (0.05, 0.05, 0.05)
    curve = StrandCurve(
        x, volts, sd, (4.6, 4.5, 4.4), (0.01, 0.01, 0.01), (ReadingDot(31.0, 4.41),)
    )
    return StrandPlot(
        "all", [StrandPanel(1, 30, curve), StrandPanel(2, 30, curve)], 4.5, "7A+", (3, 4)
    )


def _content(words: str = "plain") -> ReportContent:
    return ReportContent(
        tag="WF-03",
        design=_design(words),
        stage="soldered",
        started_at="2026-11-25 18:00",
        ended_at="2026-11-25 18:40",
        meter="0.5%+3/6000",
        record="one",
        prop_file="d00d",
        program="benchtest 0",
        verdict="Passed on the bench",
        good=True,
        waits_for=["sealing", words],
        strands=[StrandLine(1, 30, "passed", ""), StrandLine(2, 30, "failed", words)],
        marks=[Mark(LitSet(frozenset([2])), 2, 17, 30, "dark")],
        joints=[
            JointLine("1A+", cleared_ohm=0.03),
            JointLine("1A-"),
            JointLine("2B-", 0.9, False, (0.31, 0.42, 0.6)),
            JointLine(f"{words}+", 0.9, True),
        ],
        plot=_plot(),
        readings=[_reading(), ReadingLine("all", "main", 4.2, "A", 4.1, 0.1, 1.0, False)],
        suspects=[SuspectLine("4A+", words, 0.93, 0.8, words)],
        healthy=0.02,
        cleared_mohm=40.0,
        repairs=[("2026-11-25 18:30", "4A+", words)],
        history=[
            HistoryLine("2026-11-25", "soldered", "12 passed", words, words, "abc"),
            HistoryLine("2026-11-20", "bare", "12 passed", "7A+ 93 %", words, "def"),
        ],
        comparison=comparison_section(_trend(words)),
        steps=[StepResult(words, True, words), StepResult("Soak", False, "1 intermittent")],
        notes=[words, "second"],
        signed_by=words,
        signed_at="2026-11-25 18:40",
        comment=words,
    )


def test_every_figure_is_on_the_page() -> None:
    page = _Page(render_report(_content()))
    assert page.open == []
    for words in (
        "WF-03", "soldered", "2026-11-25 18:00", "0.5%+3/6000", "Passed on the bench",
        "Still to do: sealing; plain.", "No joint above 40 mΩ", "1 3 5-8", "crown:2+>crown:11+",
        "-0.5 mV", "0.4 mV", "0.2 mV", "+0.5 sd", "4.200 A", "4.100 A", "4A+", "93 %", "0.80",
        "2 %", "second", "2026-11-25 18:40", "17–30 dark", "! 4A+ 93 %", "≤ 30 mΩ", "not shown",
        "! 420 mΩ (310 to 600)", "! open", "7A+ 93 %", "✗ 1 intermittent",
        "plain grew from at most 12 mΩ to 85–140 mΩ: repair it before it fails.", "! 85–140 mΩ",
        "≤ 12 mΩ", "2 of 2 joints were not shown", "2024-11-20",
        "with a fault at 7A+",
        "Not shown: 2 strands with smaller differences", "strand 2", "d00d", "crown",
    ):  # fmt: skip
        assert words in page.words, words


def test_texts_never_become_elements() -> None:
    plain, evil = _Page(render_report(_content())), _Page(render_report(_content(EVIL)))
    assert [tag for tag, _ in evil.tags] == [tag for tag, _ in plain.tags]
    # the drawing shortens the names of a bus and a feed, and has each full name as a title
    assert evil.words.count(EVIL) == plain.words.count("plain") - 2 == 23
    assert evil.open == []


@given(st.text())
@settings(max_examples=15, deadline=None)
def test_no_generated_text_becomes_an_element(words: str) -> None:
    page = _Page(render_report(dataclasses.replace(_content(words), plot=None)))
    assert {tag for tag, _ in page.tags} <= ALLOWED
    assert not [name for _, attrs in page.tags for name in attrs if name.startswith("on")]


def test_the_page_has_no_external_resources() -> None:
    text = render_report(_content())
    page = _Page(text)
    named = {name for _, attrs in page.tags for name in attrs}
    assert not named & {"src", "srcset", "data", "action"}
    links = [attrs["href"] or "" for _, attrs in page.tags if "href" in attrs]
    assert all(link.startswith("#") for link in links + re.findall(r"url\((.*?)\)", text))
    assert "@import" not in text
    assert page.tags[2] == ("meta", {"charset": "utf-8"})


def test_the_verdict_has_words_and_a_sign_not_only_a_colour() -> None:
    good = _Page(render_report(_content()))
    bad = _Page(
        render_report(
            dataclasses.replace(_content(), good=False, verdict="Not yet", signed_by=None)
        )
    )
    assert "✓ Passed on the bench" in good.words
    assert "✗ Not yet" in bad.words
    assert "not yet" in bad.words
    assert "✓ passed" in good.words
    assert "✗ failed" in good.words


def test_an_empty_session_has_a_page() -> None:
    bare = dataclasses.replace(
        _content(), waits_for=[], marks=[], joints=[], plot=None, history=[], comparison=None,
        steps=[], readings=[], suspects=[], healthy=None, cleared_mohm=None,
        repairs=[], notes=[], signed_by=None, signed_at=None, comment="", ended_at="",
    )  # fmt: skip
    page = _Page(render_report(bare))
    for words in ("No readings.", "No suspect above 5 %.", "not computed"):
        assert words in page.words
    for words in (
        "Still to do", "Repairs", "Notes", "No joint above", "last event", "History",
        "from test to test", "Before power", "Volts along",
    ):  # fmt: skip
        assert words not in page.words


def _drawn(z: float) -> tuple[dict[str, str | None], dict[str, str | None], str | None]:
    """Return dot, band and label of the one reading of a page."""
    plain = dataclasses.replace(_content(), plot=None, comparison=None)
    content = dataclasses.replace(plain, readings=[_reading(z)])
    page = _Page(render_report(content))
    (band,) = [attrs for tag, attrs in page.tags if tag == "rect"]
    dot = [attrs for tag, attrs in page.tags if tag == "circle"][-1]
    labels = [attrs["aria-label"] for tag, attrs in page.tags if tag == "svg"]
    return dot, band, labels[-1]


@pytest.mark.parametrize(
    ("z", "at"), [(0.0, 60.0), (2.0, 78.0), (-2.0, 42.0), (6.0, 114.0), (99.0, 114.0), (-99.0, 6.0)]
)
def test_a_dot_is_at_its_reading_and_inside_the_scale(z: float, at: float) -> None:
    dot, _, label = _drawn(z)
    x, radius = float(dot["cx"] or ""), float(dot["r"] or "")
    assert x == pytest.approx(at, abs=0.1)
    assert x - radius >= 0.0
    assert x + radius <= 120.0
    assert label == f"{z:+.1f} standard deviations from healthy"


def test_the_band_is_two_standard_deviations_either_way() -> None:
    dot, band, _ = _drawn(2.0)
    right = float(band["x"] or "") + float(band["width"] or "")
    assert float(dot["cx"] or "") == pytest.approx(right, abs=0.1)


def test_readings_changed_by_a_repair_are_struck_out_and_explained() -> None:
    lines = [_reading(stale=True), _reading()]
    page = _Page(render_report(dataclasses.replace(_content(), plot=None, readings=lines)))
    old = [attrs for tag, attrs in page.tags if tag == "tr" and attrs.get("class") == "old"]
    assert len(old) == 1
    assert "A crossed-out reading does not count: a repair has changed it" in page.words


def test_a_page_printed_from_a_dark_screen_is_light() -> None:
    text = render_report(_content())
    # dark colours are for screens only, or a printer fills the sheet
    assert re.findall(r"@media ([^{]*prefers-color-scheme: dark[^{]*)\{", text) == [
        "screen and (prefers-color-scheme: dark) "
    ]


def test_cautions_are_on_the_page() -> None:
    words = " ".join(_Page(render_report(_content())).words.split())
    assert "licensed electrician" in words
    assert "local codes" in words
    assert "not how well a joint is made" in words


@pytest.mark.parametrize("words", ["plain", EVIL])
def test_the_page_follows_the_html_standard(words: str, tmp_path: Path) -> None:
    """html5lib parses it without an error, by the standard; HTML Tidy reports nothing."""
    text = render_report(_content(words))
    html5lib.HTMLParser(strict=True).parse(text)
    path = tmp_path / "page.html"
    path.write_text(text, encoding="utf-8")
    done = subprocess.run(
        ["tidy", "-quiet", "-errors", "-utf8", str(path)],
        capture_output=True, encoding="utf-8", check=False,
    )  # fmt: skip
    assert done.stderr == ""
    assert done.returncode == 0


def test_every_id_of_the_page_is_unique() -> None:
    """HTML Living Standard, 3.2.6: an id is unique in its tree; and every link has its target."""
    text = render_report(_content())
    ids = [attrs["id"] for _, attrs in _Page(text).tags if "id" in attrs]
    assert len(ids) == len(set(ids))
    assert set(re.findall(r'(?:href="|url\()#([\w-]+)', text)) <= set(ids)


def test_pictures_and_tables_have_texts_for_screen_readers() -> None:
    """WCAG 2.2, 1.1.1 and 1.3.1: pictures have texts, and column headings are marked as such."""
    tags = _Page(render_report(_content())).tags
    drawn = [attrs for tag, attrs in tags if tag == "svg"]
    assert all(attrs.get("role") == "img" and attrs.get("aria-label") for attrs in drawn)
    assert all(attrs.get("scope") == "col" for tag, attrs in tags if tag == "th")
    wide = [attrs for _, attrs in tags if "wide" in (attrs.get("class") or "").split()]
    assert all(attrs.get("tabindex") == "0" and attrs.get("aria-label") for attrs in wide)
    assert len(drawn) > 3 < len(wide)


def test_no_number_is_separated_from_its_unit() -> None:
    text = re.sub(r"<svg.*?</svg>|<[^>]*>", "", render_report(_content()), flags=re.DOTALL)
    text = html.unescape(text)
    assert re.findall(r"\d\N{NO-BREAK SPACE}mΩ", text)
    assert not re.findall(r"\d (?:mΩ|%|mV|V|A|sd)\b", text)


def test_the_plot_takes_its_colours_from_the_page() -> None:
    text = render_report(_content())
    plots = re.findall(
        r'<figure class="plot (?:trend )?wide"[^>]*>(.*?)</figure>', text, flags=re.DOTALL
    )
    assert len(plots) == 2  # volts along the strands, and joints from test to test
    for plot in plots:
        assert "var(--bad)" in plot
        assert not re.findall(r"#[0-9a-f]{6}\b", plot)


def test_equal_neighbours_share_a_row_of_a_long_table() -> None:
    strands = [StrandLine(n, 30, "failed" if n == 9 else "passed", "") for n in range(1, 31)]
    joints = [JointLine(f"{n}A+", cleared_ohm=0.03) for n in range(1, 31)]
    joints[19] = JointLine("20A+", 0.9, True)
    content = dataclasses.replace(_content(), plot=None, strands=strands, joints=joints)
    words = " ".join(_Page(render_report(content)).words.split())
    for name in ("1–8 30 ✓ passed ≤ 30 mΩ", "9 30 ✗ failed", "10–19 30", "20 30 ✓ passed ! open",
                 "21–30 30"):  # fmt: skip
        assert name in words
    few = dataclasses.replace(content, strands=strands[:8])
    assert "1–8" not in _Page(render_report(few)).words
