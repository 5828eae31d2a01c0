"""Sentences and tables of the documents that hold measured figures, made of `figures.json` alone.

In a document each stands between `<!-- figures: NAME -->` and `<!-- end -->`. `python -m
tests.bench.run --page` writes them anew, and `tests/test_figures.py` fails where a document says
anything else. Where no bench has measured a figure yet, that is what it says.
"""

from __future__ import annotations

import math
import re
import textwrap
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from functools import partial
from pathlib import Path
from typing import Any

ROOT = Path(__file__).parents[2]
STORE = ROOT / "hw_notes" / "figures.json"
MARKED = re.compile(r"(<!-- figures: ([a-z-]+) -->)(.*?)(<!-- end -->)", re.DOTALL)
WIDTH = 104
NOT_YET = "(not measured yet)"
NO_BREAK = "\u00a0"


@dataclass(frozen=True)
class Measured:
    """One figure, or none yet; formats itself.

    Beside Python's own ways: `n` a count in threes, `none` the same with a word for 0, `s2` or `s3`
    so many digits that tell.
    """

    value: float | str | None

    def __format__(self, spec: str) -> str:
        if self.value is None:
            return NOT_YET
        if isinstance(self.value, str) or not spec:
            return f"{self.value:g}" if isinstance(self.value, float) else str(self.value)
        if spec in ("n", "none"):
            return "none" if spec == "none" and not self.value else _in_threes(self.value)
        if spec[0] == "s":
            return _with_digits(self.value, int(spec[1:]))
        return format(self.value, spec)


def _in_threes(count: float) -> str:
    return f"{count:,.0f}".replace(",", NO_BREAK)


def _with_digits(value: float, digits: int) -> str:
    """So many significant digits, zeros at the end too, and never as a power of ten."""
    power = math.floor(math.log10(abs(value))) if value else 0
    return f"{round(value, digits - 1 - power):.{max(digits - 1 - power, 0)}f}"


@dataclass(frozen=True)
class Kept:
    """What the benches measured, as `figures.json` has it."""

    benches: dict[str, Any]

    def __call__(self, bench: str, begins: str, part: str = "") -> Measured:
        """The figure of these words, else the one whose words begin so; or a part of it.

        Raises:
            LookupError: several begin so.
        """
        rows = self.rows(bench)
        found = [row for row in rows if row["what"] == begins]
        found = found or [row for row in rows if row["what"].startswith(begins)]
        if len(found) > 1:
            raise LookupError(f"{bench}: {len(found)} figures begin with {begins!r}")
        if not found:
            return Measured(None)
        return Measured(found[0].get("parts", {}).get(part) if part else found[0]["value"])

    def rows(self, bench: str) -> list[dict[str, Any]]:
        """All figures of a bench; none where it was not run."""
        found: list[dict[str, Any]] = self.benches.get(bench, {}).get("figures", [])
        return found


def _table(head: tuple[str, ...], *rows: tuple[str, ...]) -> str:
    """A table; what is a figure alone stands to the right."""
    alone = [all(re.fullmatch(r"|[\d.]+ \S+", row[i]) for row in rows) for i in range(len(head))]
    lines = ("|".join(["", *("--:" if right else "---" for right in alone), ""]),)
    cells = [f"| {' | '.join(row)} |" for row in (head, *rows)]
    return "\n".join((cells[0], *lines, *cells[1:]))


# -- what the documents say ------------------------------------------------------------------


def asked(f: Kept) -> str:
    """How soon a joint is named."""
    d = partial(f, "diagnosis")
    return (
        f"after {d('readings until a joint is named'):g} readings in the median and after "
        f"{d('the same, 90th percentile'):.0f} in nine of ten units"
    )


def study(f: Kept) -> str:
    """The study of the diagnosis."""
    d = partial(f, "diagnosis")
    exact, both, healthy = (
        partial(d, what)
        for what in ("exact joint named", "both of two joints found", "healthy units called faulty")
    )
    done = [
        d(f"readings until nothing is worth reading on a healthy {name}")
        for name in ("willow-fan", "tide-arch", "gull-wing")
    ]
    said = [
        f"those given {d(which, 'given'):.0f} % were guilty in {d(which):.0f} of 100"
        for which in (f"suspects given {low}" for low in ("90%", "40%", "0%"))
    ]
    return _table(
        ("units", "what came of it"),
        (
            "with one bad joint",
            f"the exact joint named in {exact('count')} of {exact('of')}; median "
            f"{d('looks beside'):g} look and {d('readings until a joint'):g} readings, 90th "
            f"percentile {d('the same, 90th'):.3g} readings",
        ),
        (
            "the same, every strand end read, then the drops at the worst strand",
            f"named in {d('the notebook way')}, in a median of "
            f"{d('readings of the notebook'):g} readings",
        ),
        (
            "healthy",
            f"{healthy('count'):none} of {healthy('of')} called faulty; of the 12-strand prop "
            f"every joint was under 0.5 % after a median of {d('readings until every joint'):g} "
            f"readings, and nothing was worth reading any more after {done[0]:g}; on the other two "
            f"after {done[1]:g} and {done[2]:g}",
        ),
        (
            "with two bad joints at once, each repaired once named",
            f"both found and mended within 14 readings in {both('count')} of {both('of')}, in a "
            f"median of {d('readings of these'):g}; needless repairs: {d('needless'):none}",
        ),
        (
            "suspects of all readings, by the probability given",
            f"{', '.join(said)}; expected calibration error {d('expected calibration'):.3f}; "
            "three of four of these units are faulty, far more than the tool expects: it says too "
            "little of suspects before much is read",
        ),
        (
            "resistance of the named joint",
            f"off by a factor of {d('resistance of the named'):.2f} in the median; inside its 90 % "
            f"band in {d('resistance inside'):.0f} of 100",
        ),
    )


def any_prop(f: Kept) -> str:
    """The study on made-up props of every kind."""
    d = partial(f, "any_prop")
    single, by_hand, accused, accused_by_hand, both = (
        partial(d, what)
        for what in (
            "single faults named",
            "single faults named by the notebook way",
            "sound units accused",
            "sound units accused by the notebook way",
            "both of two faults",
        )
    )
    return _table(
        (f"of {d('made-up props'):n} units", "what came of it", "target"),
        (
            "single faults of any kind, named and nothing else",
            f"{single('count'):n} of {single('of'):n} ({single():.0f} %); the notebook way "
            f"{by_hand('count'):n}",
            "97 %",
        ),
        (
            "readings to the name",
            f"median {d('readings to the name of a single fault, median'):g}, 90th percentile "
            f"{d('readings to the name of a single fault, 90th percentile'):.0f}",
            "5 and 11",
        ),
        (
            "both of two faults within 16 readings",
            f"{both('count'):n} of {both('of'):n} ({both():.0f} %)",
            "90 %",
        ),
        ("needless repairs in 100 units", f"{d('needless repairs'):.1f}", "3"),
        (
            "sound units accused",
            f"{accused('count'):n} of {accused('of'):n}; the notebook way "
            f"{accused_by_hand('count'):n}",
            "1 %",
        ),
        (
            "readings until a sound unit is released",
            f"median {d('readings until a sound unit'):g}",
            "10",
        ),
        ("calibration error", f"{d('calibration error'):.3f}", "0.04"),
        (
            "the person's time, looks and repairs with it",
            f"median {d('the person'):.0f} s and {d('lead moves, median'):.0f} lead moves; the "
            f"notebook way without a repair {d('time of the notebook'):.0f} s and "
            f"{d('lead moves of the notebook'):.0f}",
            "",
        ),
    )


def again(f: Kept) -> str:
    """The study on the other seed."""
    d, exact, both = partial(f, "diagnosis_again"), "exact joint named", "both of two joints found"
    healthy = "healthy units called faulty"
    return (
        "On as many other units, looked at while the tool was made (`20 12`), it named "
        f"{d(exact, 'count')} of {d(exact, 'of')}, mended both in {d(both, 'count')} of "
        f"{d(both, 'of')}, and called {d(healthy, 'count'):none} of {d(healthy, 'of')} healthy "
        "ones faulty."
    )


def batch(f: Kept) -> str:
    """What a batch teaches."""
    healthy, faulty = (f"all, one batch, {what}," for what in ("healthy", "one fault"))

    def of(what: str, way: str, part: str) -> Measured:
        return f("learning", f"{what} {way} unit", part)

    saved = [
        f"{of(what, 'fifth', 'saved'):.1f} readings of {of(what, 'first', 'mean'):.1f} in the mean "
        f"(± {of(what, 'fifth', 'error'):.1f})"
        for what in (healthy, faulty)
    ]
    return (
        "What four healthy units teach the fifth (`diagnose --seen-before`) saves little: in "
        f"{of(healthy, 'first', 'of')} healthy virtual units, each read as the first and as the "
        f"fifth of its batch, {saved[0]}, and in {of(faulty, 'first', 'of')} with a bad joint "
        f"{saved[1]}. Bad joints named: {of(faulty, 'first', 'right')} as the first and "
        f"{of(faulty, 'fifth', 'right')} as the fifth; healthy units passed: "
        f"{of(healthy, 'first', 'right')} and {of(healthy, 'fifth', 'right')} (`python "
        "tests/bench/learning.py`)."
    )


def supplies(f: Kept) -> str:
    """What it is worth to measure several supplies before power."""
    ways = "by the design's volts", "by the volts measured before power"

    def of(what: str, way: str, part: str) -> Measured:
        rows = [row["what"] for row in f.rows("supplies")]
        full = next((row for row in rows if row.startswith(what) and row.endswith(way)), what)
        return f("supplies", full, part)

    sound, ill = "healthy units called faulty", "exact joint named"
    wrong = [of(sound, way, "count") for way in ways]
    named = [of(ill, way, "count") for way in ways]
    return (
        "Where a prop has several supplies, the volts typed before power count: of "
        f"{of(sound, ways[0], 'of')} healthy units of the demo design with two feeds "
        f"{wrong[0]:none} were called faulty by the design's volts and {wrong[1]:none} by the "
        f"measured ones, and of {of(ill, ways[0], 'of')} with a bad joint {named[0]} and "
        f"{named[1]} were named (`python tests/bench/supplies.py`)."
    )


def durability(f: Kept) -> str:
    """What the records survive."""

    def of(kind: str) -> Callable[[str], Measured]:
        return lambda what: f("durability", f"{kind}: {what}")

    killed, old = of("killed at random moments"), of("killed while brought forward")
    disk, log, spoilt = of("disk full"), of("write-ahead log cut"), of("file spoilt")
    return _table(
        ("what was done", "tried", "what came of it"),
        (
            "the writing program killed (SIGKILL) at a random moment",
            f"{killed('kills')} times",
            f"of {killed('acknowledged'):n} acknowledged events {killed('lost'):none} was lost, "
            f"{killed('half'):none} half there; {killed('unsaid')} times one more was there than "
            "could be said",
        ),
        (
            "killed while older records were brought forward",
            f"{old('kills')} times",
            f"lost: {old('lost'):none}; {old('still_old')} were still old, the others new",
        ),
        (
            "the disk filled up",
            f"{disk('disks')} small disks",
            f"said in words on {disk('said')}; of {disk('acknowledged'):n} events "
            f"{disk('lost'):none} lost; {disk('went_on')} went on once there was room",
        ),
        (
            "the write-ahead log cut anywhere",
            f"{log('cuts')} times",
            f"what is left is the beginning, each event whole: holes {log('holes'):none}, half "
            f"events {log('half'):none}; the events behind the cut are gone",
        ),
        (
            "every page of the file spoilt",
            f"{spoilt('pages')} pages",
            f"{spoilt('pages_found')} found at the start, the last copy offered",
        ),
        (
            "one bit turned over anywhere",
            f"{spoilt('bits')} times",
            f"{spoilt('bits_found')} found at the start; {spoilt('harmless')} lay where nothing is "
            f"kept, and every event read as before; unnoticed: {spoilt('unnoticed'):none}",
        ),
    )


def fuzz(f: Kept) -> str:
    """How many inputs did harm."""
    total, each = f("fuzz", "inputs tried in all"), f.rows("fuzz")[1:]
    harm = Measured(sum(row["value"] for row in each) if each else None)
    return (
        f"Its last run tried {total:n} inputs at {Measured(len(each) or None)} places; {harm:none} "
        "did harm."
    )


def checks(f: Kept) -> str:
    """Predictions beside ngspice's, and the study, in a sentence."""
    d, exact = partial(f, "diagnosis"), "exact joint named"
    figure = next((row["what"] for row in f.rows("agreement")), "")
    count = re.search(r"worst of (\d+) figures on (\d+) props", figure)
    figures, props = (
        (Measured(float(part)) for part in count.groups()) if count else [Measured(None)] * 2
    )
    return (
        f"Volts were at most {f('agreement', 'volts apart'):s2} µV from ngspice's, of {figures:n} "
        f"figures on {props:n} made-up props. Of {d(exact, 'of')} virtual units whose truth is "
        f"not the model the exact joint was named in {d(exact, 'count')}, and "
        f"{d('healthy units', 'count'):none} of {d('healthy units', 'of')} healthy ones were "
        "called faulty."
    )


def wire(f: Kept) -> str:
    """Frames on the wire."""
    rows = {
        "ours": "ours",
        "ours, with synchronization": "ours, synchronised",
        "the sacn library, its own thread": "sacn, its own thread",
        "the sacn library, manual flush": "sacn, manual flush",
        "ours, beside the terminal program's map of 128 strands": "ours, beside the busiest screen",
        "a thread that only sleeps": "bare sleep, no packets",
    }
    found = []
    for shown, name in rows.items():
        off = [f("drive", f"64 universes, {name}: interval off by, {p}") for p in ("p50", "p99")]
        cpu = f("drive", f"64 universes at 40 frames a second, {name}: processor")
        share = "" if "screen" in name else f"{cpu:.1f} %"
        found.append((shown, share, f"{off[0]:s2} ms", f"{off[1]:s2} ms"))
    return _table(("sender", "CPU of a core", "off p50", "off p99"), *found)


def changes(f: Kept) -> str:
    """From a change asked for to its first packet."""
    found = []
    for where in ("at rest", "in a ramp"):
        what = f"16 universes, change {where}, to the first packet"
        took = [f"{f('drive', f'{what}: {p}'):s3} ms" for p in ("p50", "p99")]
        found.append((f"change asked for {where}, to its first packet", *took))
    return _table(("16 universes", "p50", "p99"), *found)


def screen(f: Kept) -> str:
    """The terminal program's figures."""
    s = partial(f, "screen")
    return (
        "`python -m tests.bench.screen 3`, on a pty, 2720 nodes, 16 universes: from a key with a "
        "verdict (disk, next strand) to the first packet p99 "
        f"{s('key to packet, verdict: p99'):s2} ms, from a key while the diagnosis works p99 "
        f"{s('key to packet, while it diagnoses: p99'):s2} ms; the shelf's first paint takes "
        f"{s('times that of a bare'):s3} times that of a bare Textual program."
    )


PASSAGES: dict[str, tuple[str, Callable[[Kept], str]]] = {
    "asked": ("diagnosis", asked),
    "any-prop": ("any_prop", any_prop),
    "study": ("diagnosis", study),
    "again": ("diagnosis_again", again),
    "batch": ("learning", batch),
    "supplies": ("supplies", supplies),
    "durability": ("durability", durability),
    "fuzz": ("fuzz", fuzz),
    "checks": ("agreement diagnosis", checks),
    "wire": ("drive", wire),
    "changes": ("drive", changes),
    "screen": ("screen", screen),
}
"""By name: the benches that measure it, and what it says."""


def passage(name: str, kept: Kept) -> str:
    """What stands between the markers; a sentence or a cell that lacks a figure says only that."""
    benches, says = PASSAGES[name]
    text = says(kept).strip()
    if NOT_YET not in text:
        return text
    if text.startswith("|"):
        return re.sub(rf"(?<=\| )[^|\n]*{re.escape(NOT_YET)}[^|\n]*(?= \|)", NOT_YET[1:-1], text)
    if text[0].isupper() or text[0] == "`":
        return f"Not measured yet: `python -m tests.bench.run {benches}`."
    return NOT_YET


# -- into the documents ----------------------------------------------------------------------


def documents() -> list[Path]:
    """What may hold figures, but the page that is all figures."""
    notes = sorted(ROOT.glob("hw_notes/*.md"))
    found = [ROOT / "README.md", ROOT / "DEVELOPERS.md", *notes]
    return [path for path in found if path.name != "figures.md"]


def written(text: str, kept: dict[str, Any]) -> str:
    """A document with its marked passages made of these figures.

    Raises:
        LookupError: a marker names no passage, or has no end.
    """
    marks, ends = text.count("<!-- figures:"), text.count("<!-- end -->")
    if not marks == ends == len(MARKED.findall(text)):
        raise LookupError("each `<!-- figures: NAME -->` needs its `<!-- end -->`")

    def anew(mark: re.Match[str]) -> str:
        if mark[2] not in PASSAGES:
            raise LookupError(f"{mark[1]}: there are {', '.join(PASSAGES)}")
        text = passage(mark[2], Kept(kept))
        if not mark[3].startswith("\n"):
            return mark[1] + text + mark[4]
        if not text.startswith("|"):
            text = textwrap.fill(text, WIDTH, break_long_words=False, break_on_hyphens=False)
        return f"{mark[1]}\n{text}\n{mark[4]}"

    return MARKED.sub(anew, text)


def write_documents(kept: dict[str, Any]) -> Iterator[Path]:
    """Write every passage anew; the documents that changed."""
    for path in documents():
        text = path.read_text("utf-8")
        new = written(text, kept)
        if new != text:
            path.write_text(new, encoding="utf-8")
            yield path
