"""Evidence behind a finding, for display.

Volts along the suspected strand, volts that the next reading would show, and both in words.
"""

from __future__ import annotations

from dataclasses import dataclass

from benchtest.diagnosis import ExpectedReading, Finding, Suspect, expected_reading
from benchtest.errors import CircuitFault
from benchtest.formatting import format_percent, format_with_spread
from benchtest.prop.design import Design
from benchtest.prop.lit_set import LitSet, all_lit
from benchtest.prop.notation import describe_leads, location_strand, parse_location
from benchtest.records.strand_plot import StrandCurve
from benchtest.session.display.characters import Run
from benchtest.session.display.event_text import format_volts
from benchtest.session.display.text_chart import Trace, draw_plot
from benchtest.session.guidance.next_step import DATA_FAULTS
from benchtest.session.log.evidence import MIN_SUSPECT_PROBABILITY, odd_readings
from benchtest.session.log.reading_list import describe_odd_reading
from benchtest.session.log.state import State
from benchtest.session.report.strand_profile import reading_dots, strand_curve
from benchtest.session.session import Session
from benchtest.wording import NOT_EXCLUSIVE, doubt_texts, reason_text, suspect_name

SCALE_COLUMNS = 10
"""Columns of the volts scale of a plot."""
MIN_PLOT_ROWS = 6
"""Rows of the smallest useful plot, with its two lines of text."""


@dataclass(frozen=True)
class StrandProfile:
    """Volts along one strand, measured against predicted."""

    strand: int
    nodes: int
    lit: str
    curve: StrandCurve


@dataclass(frozen=True)
class FindingDetails:
    """Evidence behind one finding.

    Attributes:
        profile: volts along the suspected strand; None if volts do not show the suspect.
        next: volts that the next reading would show; empty without one.
    """

    profile: StrandProfile | None
    next: tuple[ExpectedReading, ...]


def finding_details(session: Session, finding: Finding) -> FindingDetails:
    """Work out the evidence behind a finding. Slow: call it from a worker thread."""
    ask = finding.next
    shown: tuple[ExpectedReading, ...] = ()
    try:
        if ask.lit is not None and ask.probe is not None and finding.suspects:
            shown = expected_reading(session.engine, finding, ask.lit, ask.probe)
        return FindingDetails(_profile_of(session, finding), shown)
    except CircuitFault:
        return FindingDetails(None, ())


def _profile_of(session: Session, finding: Finding) -> StrandProfile | None:
    top = next((s for s in finding.suspects if s.fault not in DATA_FAULTS), None)
    if top is None or top.probability < MIN_SUSPECT_PROBABILITY or not session.state.readings:
        return None
    design = session.design
    lit = all_lit(design)
    number = location_strand(parse_location(top.where, design))
    if number is None:  # a feed's joint: the strand with the lowest volts shows it best
        node_v = session.engine.responses.base(lit).solution.node_v
        number = design.node_at(int(node_v.argmin())).strand
    lit = _best_lit_set(session, top, number) or lit
    curve = strand_curve(session, finding, lit, number)
    if curve is None:
        return None
    return StrandProfile(number, design.strand(number).nodes, lit.text(design), curve)


def _best_lit_set(session: Session, suspect: Suspect, strand: int) -> LitSet | None:
    """Return the most informative lit set of all readings with the strand lit; None without any."""
    taken = dict.fromkeys(reading.lit for reading in session.state.readings)
    lits = [lit for lit in taken if strand in lit.strands]
    after = suspect.after.lit if suspect.after is not None else None
    return max(
        lits, key=lambda lit: (lit == after, len(reading_dots(session, lit, strand))), default=None
    )


def draw_profile(
    along: StrandProfile, columns: int, rows: int, signs: tuple[str, str, str], in_braille: bool
) -> list[list[Run]]:
    """Return a plot as rows of text: volts from end A to end B, with a legend.

    Args:
        along: volts along a strand.
        columns: width of the plot.
        rows: height of the plot with its legend.
        signs: characters for a unit as designed, this unit by its readings, and a reading.
        in_braille: draw the curves in braille dots; else with their characters.
    """
    curve, (designed, unit, read) = along.curve, signs
    traces = [Trace(designed, curve.x, curve.designed_v)]
    if curve.read_v is not None:
        traces.append(Trace(unit, curve.x, curve.read_v))
    if curve.dots:
        dots = sorted(curve.dots, key=lambda dot: dot.x)
        xs, ys = [dot.x for dot in dots], [dot.volts for dot in dots]
        traces.append(Trace(read, xs, ys, joined=False))
    across = max(columns - SCALE_COLUMNS - 1, 4)
    plot = draw_plot(traces, across, max(rows - 2, 2), in_braille)
    wall = "│" if in_braille else "|"
    lines: list[list[Run]] = [
        [(f"{label and label + ' V':>{SCALE_COLUMNS - 2}} {wall}", "name"), (line, "")]
        for label, line in zip(plot.labels, plot.lines, strict=True)
    ]
    start, end = f"{along.strand}A", f"{along.strand}B"
    ends = f"{'':{SCALE_COLUMNS}}{start}{end:>{max(across - len(start), len(end) + 1)}}"
    dotted, solid = ("⠒ ⠒", "⠒⠒⠒") if in_braille else (designed * 3, unit * 3)
    words = [f"{dotted} as designed"]
    words += [f"{solid} this unit"] * (curve.read_v is not None)
    words += [f"{read} read"] * bool(curve.dots)
    legend = "   ".join(words)
    if len(legend) > columns:
        legend = " ".join(words).replace("as designed", "design").replace("this unit", "unit")
    return [*lines, [(ends, "name")], [(f"{legend:^{columns}}", "")]]


def describe_after_repair(suspect: Suspect, design: Design) -> str:
    """Return the reading that shows a good repair; empty without one."""
    after = suspect.after
    if after is None:
        return ""
    shows = format_with_spread(after.volts, after.sd)
    leads = describe_leads(after.probe)
    return f"Once repaired: {leads[0].lower()}{leads[1:]}, {after.lit.text(design)} lit: {shows}."


def describe_reasons(suspect: Suspect, design: Design, brief: bool) -> str:
    """Return the reasons for a repair and the reading after it; if brief, the strongest reason."""
    reason = reason_text(suspect, design)
    first, dot, _ = reason.partition(". ")
    if brief:
        return first + dot.strip()
    return " ".join(part for part in (reason, describe_after_repair(suspect, design)) if part)


def describe_ties(finding: Finding) -> str:
    """Return a sentence about suspects not distinguished yet; empty without any."""
    groups = [" and ".join(names) for names in finding.alike]
    return f"Not distinguished so far: {'; '.join(groups)}." if groups else ""


def describe_next_reading(finding: Finding, grounds: FindingDetails | None) -> str:
    """Return the volts that the next reading would show, in a line.

    Empty unless they are worked out for the reading that the finding asks for.
    """
    if grounds is None or len(grounds.next) < 2 or finding.next.probe is None:
        return ""
    good, *bad = grounds.next
    parts = [f"{format_volts(row.volts)} if {row.where}" for row in bad]
    return f"shows {', '.join(parts)}, {format_volts(good.volts)} if all is well"


def explain_finding(finding: Finding, grounds: FindingDetails | None, state: State) -> list[str]:
    """Return the evidence for and against each suspect, and the next reading, in sentences."""
    lines, design = [], state.design
    for suspect in finding.suspects:
        reason = reason_text(suspect, design)
        if reason or suspect.probability >= MIN_SUSPECT_PROBABILITY:
            share = format_percent(suspect.probability)
            head = f"{suspect_name(suspect, design)}, {share}. {reason}"
            lines.append(" ".join([head.strip(), describe_after_repair(suspect, design)]).strip())
    if len(finding.suspects) > 1 and lines:
        lines.append(NOT_EXCLUSIVE)
    if not lines and finding.fits_nothing:
        lines.append("Something is wrong, and no joint or node explains it.")
    elif not lines:
        lines.append(f"No evidence against any joint or node: {finding.healthy:.0%} healthy.")
    for one in odd_readings(state, finding):
        words = describe_odd_reading(one)
        lines.append(f"{words[0].upper()}{words[1:]}. Take it again.")
    lines += doubt_texts(finding, design)
    lines += [words for words in (describe_ties(finding),) if words]
    if words := describe_next_reading(finding, grounds):
        ask = finding.next
        lit = "" if ask.lit is None else f" with {ask.lit.text(design)} lit"
        leads = describe_leads(ask.probe) if ask.probe is not None else ""
        lines.append(f"Next: {leads[:1].lower()}{leads[1:]}{lit} {words}.")
    elif finding.next.settled:
        lines.append("No further reading would help.")
    elif finding.next.probe is None:
        lines.append(
            "Not decided, and no reading would decide it. Look again, or repair and retest."
        )
    return lines
