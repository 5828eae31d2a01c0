"""The report in a real browser: on paper, on a phone, in a dark theme."""

from __future__ import annotations

import dataclasses
import html
import re
import subprocess
from collections.abc import Callable
from importlib.resources import files
from pathlib import Path

import pytest

from benchtest.comparison.report import (
    ComparedChange,
    ComparedTest,
    JointResistance,
    JointRow,
    UnitComparison,
)
from benchtest.comparison.unit_report import comparison_section
from benchtest.evidence.marks import Mark
from benchtest.prop.design import Design
from benchtest.prop.joints import power_joints
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

Browse = Callable[..., str]
PHONE_PX = 360


def _years(design: Design) -> UnitComparison:
    """Six tests, with three joints at fault."""
    good = JointResistance(0.001, 0.002, 0.005, 0.012, 0.01, 0.001)
    bad = JointResistance(0.085, 0.11, 1.4, 1.5, 1.0, 1.0)
    tests = [
        ComparedTest("0" * 36, f"{year}-11-20 17:00", f"{year}-11-20T17:00:00Z", 9, "WF-03")
        for year in range(2021, 2027)
    ]
    names = [joint.name for joint in power_joints(design)]
    rows = [JointRow(name, [good] * 5 + [bad if n < 3 else good]) for n, name in enumerate(names)]
    changes = [
        ComparedChange(name, 0, 5, good, bad, (17.0, 55.0, 140.0), 1.0) for name in names[:2]
    ]
    return UnitComparison("WF-03", design.name, tests, rows, changes, ["2020-11-20: no readings"])


@pytest.fixture(scope="module")
def page() -> str:
    """A full evening's record: twelve strands, twenty readings, marks, suspects, a test a year
    before."""
    text = files("benchtest.virtual").joinpath("willow-fan.toml").read_text("utf-8")
    design = parse_design(text, "fan")
    x, sd = (0.0, 15.0, 31.0), (0.05, 0.05, 0.05)
    curve = StrandCurve(
        x, (4.7, 4.6, 4.5), sd, (4.6, 4.5, 4.4), (0.01, 0.01, 0.01), [ReadingDot(31.0, 4.41)]
    )
    joints = [JointLine(joint.name, cleared_ohm=0.03) for joint in power_joints(design)]
    joints[14] = JointLine(joints[14].name, 0.93, False, (0.31, 0.42, 1.6))
    nodes = [s.nodes for s in design.strands]
    content = ReportContent(
        tag="WF-03",
        design=design,
        stage="sealed",
        started_at="2026-11-25 18:00",
        ended_at="2026-11-25 18:40",
        meter="0.5%+3/6000",
        record="d2014def-d183-4dc9-8283-52492718d892",
        prop_file="0123456789ab",
        program="benchtest",
        verdict="Not yet",
        good=False,
        waits_for=["strand 4, 9 failed", "clear 7A+ (93%)", "sign-off"],
        strands=[StrandLine(n, count, "passed", "") for n, count in enumerate(nodes, 1)],
        marks=[Mark(LitSet(frozenset([4])), 4, 17, 30, "dark")],
        joints=joints,
        plot=StrandPlot(
            "all", [StrandPanel(s.number, s.nodes, curve) for s in design.strands], 4.5
        ),
        readings=[
            ReadingLine("1 3 5 7 9 11", "crown:2+>crown:11+", -0.0005, "V", 0.0, 2e-4, 0.5, False)
        ]
        * 20,
        suspects=[SuspectLine("7A+", "resistive", 0.93, 0.42, "switch off; reflow joint 7A+")] * 2,
        healthy=0.02,
        cleared_mohm=40.0,
        repairs=[("2026-11-25 18:30", "2B-", "reflowed")] * 2,
        history=[HistoryLine("2026-11-25", "sealed", "12 passed", "7A+ 93 %", "Mara", "0" * 36)]
        * 3,
        comparison=comparison_section(_years(design)),
        steps=[
            StepResult("Before power, main", True, "rails 4700 Ω, polarity right, fuse right"),
            StepResult("First light", True, "every strand glowed"),
            StepResult("Colours", True, "red right, green right, blue right"),
            StepResult("Wiggle", False, "24 strand ends moved: light flickered at 9B"),
            StepResult("Soak", True, "2:00:00 of 2:00:00 at 50%, 4 looks, 0 intermittent"),
        ],
        notes=["Strand 9: sleeve cracked near node 28, taped.", "x" * 300],
        signed_by=None,
        signed_at=None,
        comment="",
    )
    return render_report(dataclasses.replace(content, signed_by="Mara", signed_at="2026-11-25"))


@pytest.fixture
def browse(tmp_path: Path) -> Browse:
    """Run headless Chromium on a page without any network; return its output."""

    def run(text: str, *flags: str) -> str:
        path = tmp_path / "page.html"
        path.write_text(text, encoding="utf-8")
        done = subprocess.run(
            [
                "chromium", "--headless", "--no-sandbox", "--disable-gpu", "--no-first-run",
                "--disable-background-networking", "--disable-component-update", "--disable-sync",
                "--disable-quic", "--proxy-server=127.0.0.1:9",
                f"--user-data-dir={tmp_path / 'profile'}", *flags, path.as_uri(),
            ],
            capture_output=True, encoding="utf-8", check=True, timeout=120,
        )  # fmt: skip
        return done.stdout

    return run


@pytest.mark.parametrize("paper", ["A4", "letter"])
def test_a_full_record_prints_on_two_pages(
    page: str, browse: Browse, paper: str, tmp_path: Path
) -> None:
    pdf = tmp_path / "page.pdf"
    sized = page.replace("@page {", f"@page {{ size: {paper};")
    browse(sized, "--no-pdf-header-footer", f"--print-to-pdf={pdf}")
    found = subprocess.run(
        ["pdfinfo", str(pdf)], capture_output=True, encoding="utf-8", check=True
    ).stdout
    width_pt = {"A4": "594", "letter": "612"}[paper]  # ISO 216 and ANSI Y14.1
    assert re.search(rf"Page size:\s+{width_pt}", found)
    assert re.search(r"Pages:\s+2\n", found)


def test_a_phone_shows_it_without_horizontal_scrolling(page: str, browse: Browse) -> None:
    """A frame as wide as a small phone; wide tables scroll within themselves."""
    frame = (
        f'<iframe width="{PHONE_PX}" height="740" srcdoc="{html.escape(page)}"></iframe><script>'
        "onload = () => { const root = document.querySelector('iframe').contentDocument;"
        "document.title = root.documentElement.scrollWidth + ' ' +"
        "root.querySelector('.map svg').getBoundingClientRect().width; }</script>"
    )
    title = re.search(r"<title>(\d+) (\d+)", browse(frame, "--dump-dom"))
    assert title is not None
    assert int(title[1]) <= PHONE_PX
    assert int(title[2]) > PHONE_PX  # its text is legible; it scrolls by itself


def _luminance(colour: str) -> float:
    """Return the relative luminance. Source: WCAG 2.2, definitions."""
    parts = [int(colour[at : at + 2], 16) / 255 for at in (1, 3, 5)]
    red, green, blue = (
        part / 12.92 if part <= 0.04045 else ((part + 0.055) / 1.055) ** 2.4 for part in parts
    )
    return 0.2126 * red + 0.7152 * green + 0.0722 * blue


@pytest.mark.parametrize("scheme", ["light", "dark"])
def test_all_text_has_contrast_in_light_and_dark(page: str, scheme: str) -> None:
    """WCAG 2.2, 1.4.3: contrast of at least 4.5 to 1."""
    light, dark = re.findall(r":root \{ (?:color-scheme: light dark; )?(--ink: #.*?)\}", page,
                             flags=re.DOTALL)[:2]  # fmt: skip
    colours = dict(re.findall(r"--(\w+): (#[0-9a-f]{6})", light if scheme == "light" else dark))
    paper = _luminance(colours["paper"])
    for name in ("ink", "soft", "good", "bad"):
        pair = sorted((paper, _luminance(colours[name])))
        assert (pair[1] + 0.05) / (pair[0] + 0.05) >= 4.5, name
    grey = sorted((_luminance(colours["tint"]), _luminance(colours["ink"])))
    assert (grey[1] + 0.05) / (grey[0] + 0.05) >= 4.5
