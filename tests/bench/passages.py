"""Sentences and tables of the documents with measured figures, made from `figures.json` alone.

In a document each is between `<!-- figures: NAME -->` and `<!-- end -->`. `python -m
tests.bench.run --page` rewrites them, and `tests/test_figures.py` fails if a document differs.
A passage whose figures have not been measured yet states that.
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
    """One figure, None before it is measured, with its own format codes.

    In addition to Python's: `n` a count with digits grouped by three, `none` the same with a word
    for 0, `s2` or `s3` that many significant digits.
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
    """Return a number with this many significant digits, never as a power of ten."""
    power = math.floor(math.log10(abs(value))) if value else 0
    return f"{round(value, digits - 1 - power):.{max(digits - 1 - power, 0)}f}"


@dataclass(frozen=True)
class Kept:
    """Results of the benches, from `figures.json`."""

    benches: dict[str, Any]

    def __call__(self, bench: str, begins: str, part: str = "") -> Measured:
        """Return the figure with this name or with a name that begins so, or a part of it.

        Raises:
            LookupError: several names begin so.
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
        """Return all figures of a bench, an empty list if it has not been run."""
        found: list[dict[str, Any]] = self.benches.get(bench, {}).get("figures", [])
        return found


def _table(head: tuple[str, ...], *rows: tuple[str, ...]) -> str:
    """Return a table; columns of figures are right-aligned."""
    alone = [all(re.fullmatch(r"|[\d.]+ \S+", row[i]) for row in rows) for i in range(len(head))]
    lines = ("|".join(["", *("--:" if right else "---" for right in alone), ""]),)
    cells = [f"| {' | '.join(row)} |" for row in (head, *rows)]
    return "\n".join((cells[0], *lines, *cells[1:]))


# -- passages --------------------------------------------------------------------------------


def asked(f: Kept) -> str:
    """Return the number of readings until a joint is named."""
    d = partial(f, "diagnosis")
    return (
        f"after a median of {d('readings until a joint is named'):g} readings "
        f"({d('the same, 90th percentile'):.0f} or fewer in 90 % of units)"
    )


def evening(f: Kept) -> str:
    """Return the time of an evening of seven units, and what a sound one takes."""
    e = partial(f, "evening")

    def at(volts: str, kind: str) -> str:
        tool, hand = (e(f"{volts}, {kind}: {way}, an evening of 7") for way in ("tool", "notebook"))
        return f"{tool:.0f} minutes, by hand {hand:.0f}"

    def sound(volts: str) -> str:
        seconds, keys, looks, readings = (
            e(f"{volts}, usual rates: a sound unit, median {name}")
            for name in ("seconds", "keys", "looks", "readings")
        )
        return f"{seconds:.0f} s, {keys:.0f} keys, {looks:.0f} looks, {readings:.0f} readings"

    rows = [
        (f"{kind}, {volts}", at(volts, kind))
        for kind in ("usual rates", "one fault")
        for volts in ("5 V", "12 V")
    ]
    rows += [(f"a sound unit, {volts} (median)", sound(volts)) for volts in ("5 V", "12 V")]
    names = {"usual rates": "seven units with faults at the usual rates",
             "one fault": "seven units with one fault each"}  # fmt: skip
    for kind, name in names.items():
        rows = [(left.replace(kind, name), right) for left, right in rows]
    return _table(("the person's time, repairs included", "result"), *rows)


def study(f: Kept) -> str:
    """Return the results of the study of the diagnosis."""
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
        f"of suspects given {d(which, 'given'):.0f} %, {d(which):.0f} of 100 were bad"
        for which in (f"suspects given {low}" for low in ("90%", "40%", "0%"))
    ]
    return _table(
        ("units", "result"),
        (
            "with one bad joint",
            f"the exact joint named in {exact('count')} of {exact('of')}; median "
            f"{d('looks beside'):g} look and {d('readings until a joint'):g} readings, 90th "
            f"percentile {d('the same, 90th'):.3g} readings",
        ),
        (
            "the same by hand: every strand end, then the drops at the worst strand",
            f"named in {d('the notebook way')}, with a median of "
            f"{d('readings of the notebook'):g} readings",
        ),
        (
            "healthy",
            f"{healthy('count'):none} of {healthy('of')} called faulty; on the 12-strand prop "
            f"every joint was below 0.5 % after a median of {d('readings until every joint'):g} "
            f"readings, and no further reading would help after {done[0]:g}; on the other two "
            f"after {done[1]:g} and {done[2]:g}",
        ),
        (
            "with two bad joints at once, each repaired when named",
            f"both found and repaired within 14 readings in {both('count')} of {both('of')}, with "
            f"a median of {d('readings of these'):g}; needless repairs: {d('needless'):none}",
        ),
        (
            "suspects after each reading, by their probability",
            f"{'; '.join(said)}; expected calibration error {d('expected calibration'):.3f}. Three "
            "of four of these units are faulty, far more than the program expects, so its "
            "probabilities are too low after few readings",
        ),
        (
            "resistance of the named joint",
            f"wrong by a median factor of {d('resistance of the named'):.2f}; inside its 90 % "
            f"range in {d('resistance inside'):.0f} of 100",
        ),
    )


def any_prop(f: Kept) -> str:
    """Return the results of the study on made-up props of every kind."""
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
        (f"{d('made-up props'):n} units", "result", "target"),
        (
            "single faults of any kind, named and nothing else",
            f"{single('count'):n} of {single('of'):n} ({single():.0f} %); by hand "
            f"{by_hand('count'):n}",
            "97 %",
        ),
        (
            "readings until named",
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
            "healthy units called faulty",
            f"{accused('count'):n} of {accused('of'):n}; by hand {accused_by_hand('count'):n}",
            "1 %",
        ),
        (
            "readings until a healthy unit is released",
            f"median {d('readings until a sound unit'):g}",
            "10",
        ),
        ("calibration error", f"{d('calibration error'):.3f}", "0.04"),
        (
            "the person's time, with looks and repairs",
            f"median {d('the person'):.0f} s and {d('lead moves, median'):.0f} lead moves; by hand "
            f"without a repair {d('time of the notebook'):.0f} s and "
            f"{d('lead moves of the notebook'):.0f}",
            "",
        ),
    )


def again(f: Kept) -> str:
    """Return the results of the study on the other seed."""
    d, exact, both = partial(f, "diagnosis_again"), "exact joint named", "both of two joints found"
    healthy = "healthy units called faulty"
    return (
        "On as many other units, used in development (`20 12`), it named "
        f"{d(exact, 'count')} of {d(exact, 'of')}, repaired both in {d(both, 'count')} of "
        f"{d(both, 'of')}, and called {d(healthy, 'count'):none} of {d(healthy, 'of')} healthy "
        "units faulty."
    )


def batch(f: Kept) -> str:
    """Return the benefit of earlier units of the batch."""
    healthy, faulty = (f"all, one batch, {what}," for what in ("healthy", "one fault"))

    def of(what: str, way: str, part: str) -> Measured:
        return f("learning", f"{what} {way} unit", part)

    saved = [
        f"{of(what, 'fifth', 'saved'):.1f} of {of(what, 'first', 'mean'):.1f} readings on average "
        f"(± {of(what, 'fifth', 'error'):.1f})"
        for what in (healthy, faulty)
    ]
    return (
        "Learning from four healthy units of the batch (`diagnose --seen-before`) saves little: on "
        f"{of(healthy, 'first', 'of')} healthy virtual units, each read as the first and as the "
        f"fifth of its batch, {saved[0]}, and on {of(faulty, 'first', 'of')} with a bad joint "
        f"{saved[1]}. Bad joints named: {of(faulty, 'first', 'right')} as the first and "
        f"{of(faulty, 'fifth', 'right')} as the fifth; healthy units passed: "
        f"{of(healthy, 'first', 'right')} and {of(healthy, 'fifth', 'right')} (`python "
        "tests/bench/learning.py`)."
    )


def supplies(f: Kept) -> str:
    """Return the benefit of measuring several supplies before power."""
    ways = "by the design's volts", "by the volts measured before power"

    def of(what: str, way: str, part: str) -> Measured:
        rows = [row["what"] for row in f.rows("supplies")]
        full = next((row for row in rows if row.startswith(what) and row.endswith(way)), what)
        return f("supplies", full, part)

    sound, ill = "healthy units called faulty", "exact joint named"
    wrong = [of(sound, way, "count") for way in ways]
    named = [of(ill, way, "count") for way in ways]
    return (
        "With several supplies, the volts measured before power matter: of "
        f"{of(sound, ways[0], 'of')} healthy units of the demo design with two feeds, "
        f"{wrong[0]:none} were called faulty with the design's volts and {wrong[1]:none} with the "
        f"measured ones; of {of(ill, ways[0], 'of')} with a bad joint, {named[0]} and "
        f"{named[1]} were named (`python tests/bench/supplies.py`)."
    )


def durability(f: Kept) -> str:
    """Return the damage that the records survive."""

    def of(kind: str) -> Callable[[str], Measured]:
        return lambda what: f("durability", f"{kind}: {what}")

    killed, old = of("killed at random moments"), of("killed while brought forward")
    disk, log, spoilt = of("disk full"), of("write-ahead log cut"), of("file spoilt")
    return _table(
        ("damage", "tried", "result"),
        (
            "the writing program killed (SIGKILL) at a random moment",
            f"{killed('kills')} times",
            f"of {killed('acknowledged'):n} acknowledged events: lost {killed('lost'):none}, "
            f"incomplete {killed('half'):none}; {killed('unsaid')} times one more event was saved "
            "than was acknowledged",
        ),
        (
            "killed during the conversion of older records",
            f"{old('kills')} times",
            f"lost: {old('lost'):none}; {old('still_old')} were still old, the others converted",
        ),
        (
            "the disk filled up",
            f"{disk('disks')} small disks",
            f"reported clearly on all {disk('said')}; of {disk('acknowledged'):n} events, "
            f"{disk('lost'):none} lost; {disk('went_on')} continued once there was space",
        ),
        (
            "the write-ahead log cut at a random place",
            f"{log('cuts')} times",
            f"the events before the cut remain: missing {log('holes'):none}, incomplete "
            f"{log('half'):none}; the events behind the cut are lost",
        ),
        (
            "every page of the file overwritten",
            f"{spoilt('pages')} pages",
            f"{spoilt('pages_found')} detected at the start, with an offer to restore the last "
            "copy",
        ),
        (
            "one random bit inverted",
            f"{spoilt('bits')} times",
            f"{spoilt('bits_found')} detected at the start; {spoilt('harmless')} in unused space, "
            f"with every event unchanged; undetected: {spoilt('unnoticed'):none}",
        ),
    )


def fuzz(f: Kept) -> str:
    """Return the number of inputs tried and of failures."""
    total, each = f("fuzz", "inputs tried in all"), f.rows("fuzz")[1:]
    harm = Measured(sum(row["value"] for row in each) if each else None)
    return (
        f"Its last run tried {total:n} inputs at {Measured(len(each) or None)} places; {harm:none} "
        "caused a failure."
    )


def checks(f: Kept) -> str:
    """Return the agreement with ngspice and the result of the study, in two sentences."""
    d, exact = partial(f, "diagnosis"), "exact joint named"
    figure = next((row["what"] for row in f.rows("agreement")), "")
    count = re.search(r"worst of (\d+) figures on (\d+) props", figure)
    figures, props = (
        (Measured(float(part)) for part in count.groups()) if count else [Measured(None)] * 2
    )
    return (
        f"Volts differed from ngspice's by at most {f('agreement', 'volts apart'):s2} µV, in "
        f"{figures:n} figures on {props:n} made-up props. Of {d(exact, 'of')} virtual units that "
        f"differ from the model, the exact joint was named in {d(exact, 'count')}; "
        f"{d('healthy units', 'count'):none} of {d('healthy units', 'of')} healthy ones were "
        "called faulty."
    )


def wire(f: Kept) -> str:
    """Return the timing of frames on the wire."""
    real, user = "with real-time rights", "as an ordinary user"
    busy = "beside a busy loop on every core"
    rows = {
        f"ours, {real}": f"ours, {real}",
        f"ours, with synchronization, {real}": f"ours, synchronised, {real}",
        f"ours, {user}": f"ours, {user}",
        f"the sacn library, its own thread, {user}": f"sacn, its own thread, {user}",
        f"the sacn library, manual flush, {user}": f"sacn, manual flush, {user}",
        f"ours, {busy}, {user}": f"ours, {busy}, {user}",
        f"the sacn library, {busy}, {user}": f"sacn, its own thread, {busy}, {user}",
        f"ours, beside the busiest screen, {real}": f"ours, beside the busiest screen, {real}",
        f"ours, beside the busiest screen, {user}": f"ours, beside the busiest screen, {user}",
        f"a thread that only sleeps, {user}": f"bare sleep, no packets, {user}",
    }
    found = []
    for shown, name in rows.items():
        off = [f("drive", f"64 universes, {name}: interval off by, {p}") for p in ("p50", "p99")]
        share = ""
        if "busy" not in name and "screen" not in name:
            share = f"{f('drive', f'64 universes, {name}: processor'):.1f} %"
        found.append((shown, share, f"{off[0]:s2} ms", f"{off[1]:s2} ms"))
    return _table(("sender", "CPU of a core", "off p50", "off p99"), *found)


def changes(f: Kept) -> str:
    """Return the time from a requested change to its first packet."""
    found = []
    for where in ("at rest, with real-time rights", "at rest, as an ordinary user",
                  "in a ramp, as an ordinary user"):  # fmt: skip
        what = f"16 universes, change {where}, to the first packet"
        took = [f"{f('drive', f'{what}: {p}'):s3} ms" for p in ("p50", "p99")]
        found.append((f"change requested {where}", *took))
    return _table(("16 universes, to the first packet", "p50", "p99"), *found)


def screen(f: Kept) -> str:
    """Return the response times of the terminal program."""
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
    "evening": ("evening", evening),
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
"""Benches and text of each passage, by name."""


def passage(name: str, kept: Kept) -> str:
    """Return the text between the markers; a sentence or cell notes a figure not measured yet."""
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
    """Return the documents that may have passages, without the page of all figures."""
    notes = sorted(ROOT.glob("hw_notes/*.md"))
    found = [ROOT / "README.md", ROOT / "DEVELOPERS.md", *notes]
    return [path for path in found if path.name != "figures.md"]


def written(text: str, kept: dict[str, Any]) -> str:
    """Return a document with its passages made from these figures.

    Raises:
        LookupError: a marker has an unknown name or no end.
    """
    marks, ends = text.count("<!-- figures:"), text.count("<!-- end -->")
    if not marks == ends == len(MARKED.findall(text)):
        raise LookupError("each `<!-- figures: NAME -->` needs its `<!-- end -->`")

    def replaced(mark: re.Match[str]) -> str:
        if mark[2] not in PASSAGES:
            raise LookupError(f"{mark[1]}: choose from {', '.join(PASSAGES)}")
        text = passage(mark[2], Kept(kept))
        if not mark[3].startswith("\n"):
            return mark[1] + text + mark[4]
        if not text.startswith("|"):
            text = textwrap.fill(text, WIDTH, break_long_words=False, break_on_hyphens=False)
        return f"{mark[1]}\n{text}\n{mark[4]}"

    return MARKED.sub(replaced, text)


def write_documents(kept: dict[str, Any]) -> Iterator[Path]:
    """Rewrite every passage, and yield the documents that have changed."""
    for path in documents():
        text = path.read_text("utf-8")
        new = written(text, kept)
        if new != text:
            path.write_text(new, encoding="utf-8")
            yield path
