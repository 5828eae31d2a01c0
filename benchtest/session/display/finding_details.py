"""What stands behind a finding, for the person who is to act on it.

Volts along the suspected strand, what the next reading would tell, and all of it in words.
"""

from __future__ import annotations

from dataclasses import dataclass

from benchtest.diagnosis import Finding, Outlook, Suspect, outlook
from benchtest.errors import CircuitFault
from benchtest.prop.design import Design
from benchtest.prop.lit_set import LitSet, all_lit
from benchtest.records.strand_plot import StrandCurve
from benchtest.session.display.event_text import strand_of, volts_text
from benchtest.session.display.probe_sketch import Run
from benchtest.session.display.text_chart import Trace, draw
from benchtest.session.guidance.next_step import DATA_FAULTS
from benchtest.session.log.evidence import odd_readings
from benchtest.session.log.reading_list import reading_words
from benchtest.session.log.state import State
from benchtest.session.log.suspects import INNOCENT
from benchtest.session.report.strand_profile import dots_of, strand_curve
from benchtest.session.session import Session

SCALE = 8
"""Columns of the scale of volts beside a plot."""
LEAST_ROWS = 6
"""A plot of fewer rows would tell little. With its two lines of words."""


@dataclass(frozen=True)
class StrandProfile:
    """Volts along one strand, measured against predicted."""

    strand: int
    nodes: int
    lit: str
    curve: StrandCurve


@dataclass(frozen=True)
class FindingDetails:
    """What stands behind one finding.

    Attributes:
        along: the suspected strand; None where volts say nothing of what is suspected.
        next: what the next reading would show; empty where none is asked.
    """

    along: StrandProfile | None
    next: tuple[Outlook, ...]


def finding_details(session: Session, finding: Finding) -> FindingDetails:
    """Work out what stands behind a finding; takes a moment, call it from a worker."""
    ask = finding.next
    shown: tuple[Outlook, ...] = ()
    try:
        if ask.lit is not None and ask.probe is not None and finding.suspects:
            shown = outlook(session.engine, finding, ask.lit, ask.probe)
        return FindingDetails(_along(session, finding), shown)
    except CircuitFault:
        return FindingDetails(None, ())


def _along(session: Session, finding: Finding) -> StrandProfile | None:
    top = next((s for s in finding.suspects if s.fault not in DATA_FAULTS), None)
    if top is None or top.probability < INNOCENT or not session.state.readings:
        return None
    design = session.design
    lit = all_lit(design)
    number = strand_of(top.where)
    if number is None:  # a feed's joint: the strand with the lowest volts shows it best
        node_v = session.engine.responses.base(lit).solution.node_v
        number = design.node_at(int(node_v.argmin())).strand
    lit = _telling(session, top, number) or lit
    curve = strand_curve(session, finding, lit, number)
    if curve is None:
        return None
    return StrandProfile(number, design.strand(number).nodes, lit.text(design), curve)


def _telling(session: Session, suspect: Suspect, strand: int) -> LitSet | None:
    """Of all lit sets that were read under and light the strand, the one that tells most."""
    taken = dict.fromkeys(reading.lit for reading in session.state.readings)
    lits = [lit for lit in taken if strand in lit.strands]
    told = suspect.after.lit if suspect.after is not None else None
    return max(
        lits, key=lambda lit: (lit == told, len(dots_of(session, lit, strand))), default=None
    )


def plot(
    along: StrandProfile, columns: int, rows: int, signs: tuple[str, str, str]
) -> list[list[Run]]:
    """The plot as rows of text: volts from end A to end B, and what each sign is.

    Args:
        along: what to draw.
        columns: room across.
        rows: room for all, the words below it too.
        signs: of a unit as designed, of this unit by its readings, and of a reading.
    """
    curve, (designed, unit, read) = along.curve, signs
    traces = [Trace(designed, curve.x, curve.designed_v)]
    if curve.read_v is not None:
        traces.append(Trace(unit, curve.x, curve.read_v))
    if curve.dots:
        dots = sorted(curve.dots, key=lambda dot: dot.x)
        xs, ys = [dot.x for dot in dots], [dot.volts for dot in dots]
        traces.append(Trace(read, xs, ys, joined=False))
    across = max(columns - SCALE - 1, 4)
    chart = draw(traces, across, max(rows - 2, 2))
    lines: list[list[Run]] = [
        [(f"{level:{SCALE - 2}.3f} |", "name"), (line, "")]
        for level, line in zip(chart.levels, chart.lines, strict=True)
    ]
    ends = f"{'V':>{SCALE - 2}}  {f'{along.strand}A':<{across - 3}}{f'{along.strand}B':>3}"
    words = [f"{designed} as designed"]
    words += [f"{unit} this unit"] * (curve.read_v is not None)
    words += [f"{read} read"] * bool(curve.dots)
    return [*lines, [(ends, "name")], [("   ".join(words), "")]]


def after_words(suspect: Suspect, design: Design) -> str:
    """What shows that a repair was good."""
    after = suspect.after
    if after is None:
        return ""
    lit, shows = after.lit.text(design), volts_text(after.volts)
    return f"Once mended, {after.probe} with {lit} lit shows {shows} ± {volts_text(after.sd)}."


def repair_words(suspect: Suspect, design: Design, brief: bool) -> str:
    """What speaks for a repair, and what shows that it was good; briefly only the strongest."""
    first, dot, _ = suspect.reason.partition(". ")
    if brief:
        return first + dot.strip()
    return " ".join(part for part in (suspect.reason, after_words(suspect, design)) if part)


def alike_words(finding: Finding) -> str:
    """Which suspects cannot be told apart yet."""
    groups = [" and ".join(names) for names in finding.alike]
    return f"Not told apart so far: {'; '.join(groups)}." if groups else ""


def next_words(finding: Finding, grounds: FindingDetails | None) -> str:
    """What the next reading would tell, in a line.

    Only where it was worked out, and for the reading that the finding asks for.
    """
    if grounds is None or len(grounds.next) < 2 or finding.next.probe is None:
        return ""
    good, *bad = grounds.next
    parts = [f"{volts_text(row.volts)} if {row.where}" for row in bad]
    return f"shows {', '.join(parts)}, {volts_text(good.volts)} if all is well"


def why_words(finding: Finding, grounds: FindingDetails | None, state: State) -> list[str]:
    """All that speaks for and against, suspect by suspect, and what would tell more."""
    lines, design = [], state.design
    for suspect in finding.suspects:
        if suspect.reason or suspect.probability >= INNOCENT:
            head = f"{suspect.where} {suspect.fault}, {suspect.probability:.0%}. {suspect.reason}"
            lines.append(" ".join([head.strip(), after_words(suspect, design)]).strip())
    if not lines and finding.fits_nothing:
        lines.append("Something is wrong, and no joint or node explains it.")
    elif not lines:
        lines.append(f"Nothing speaks against any joint or node: {finding.healthy:.0%} healthy.")
    for one in odd_readings(state, finding):
        words = reading_words(one)
        lines.append(f"{words[0].upper()}{words[1:]}: take it again.")
    lines += finding.doubts(design)
    lines += [words for words in (alike_words(finding),) if words]
    if words := next_words(finding, grounds):
        ask = finding.next
        lit = "" if ask.lit is None else f" with {ask.lit.text(design)} lit"
        lines.append(f"Next, {ask.probe}{lit} {words}.")
    elif finding.next.settled:
        lines.append("No further reading would tell more.")
    elif finding.next.probe is None:
        lines.append(
            "Not decided, and no reading would decide it. Look again, or repair and retest."
        )
    return lines
