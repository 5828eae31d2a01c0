"""The runner of the benches, each in a process of its own, and the writer of the page of figures.

    python -m tests.bench.run                 all of them; about an hour and a half
    python -m tests.bench.run startup drive   these again; the others' figures stay, with their date
    python -m tests.bench.run --quick         a short try of each, onto a page of its own in /tmp
    python -m tests.bench.run --page          measures nothing; writes the page and documents again

What was measured is kept in `hw_notes/figures.json`; `hw_notes/figures.md` is made of it alone, and
so are the sentences and tables with figures in the other documents (`passages.py`).
"""

from __future__ import annotations

import argparse
import json
import os
import platform
import subprocess
import sys
import tempfile
import time
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

from benchtest.operating_system import may_raise_thread_priority
from tests.bench.passages import ROOT, write_documents

PAGE = ROOT / "hw_notes" / "figures.md"


@dataclass(frozen=True)
class Bench:
    """One bench: what it is run with, and how it measures."""

    title: str
    words: tuple[str, ...]
    quick: tuple[str, ...] | None
    """Words of a short try; None where there is none."""
    how: str


def _of(name: str, *words: str) -> tuple[str, ...]:
    return (f"tests.bench.{name}", *words)


BENCHES = {
    "agreement": Bench(
        "Predictions against ngspice", _of("agreement"), _of("agreement", "6"),
        "Made-up props of every kind, shape and state (healthy, bad joints, open, starved), each "
        "solved by ngspice from `benchtest netlist` and by us; every place, node, joint and feed.",
    ),
    "circuit": Bench(
        "Predictions, how long", _of("circuit"), _of("circuit"),
        "In process, best of 15 or more, from the design on; beside ngspice on the same deck, "
        "whose own time is what it prints of its analysis.",
    ),
    "diagnosis": Bench(
        "The study of the diagnosis", _of("diagnosis", "20", "34"), _of("diagnosis", "2", "34"),
        "Virtual units of the three demo designs, seed 34 (nothing was fitted to them), "
        "whose truth differs from the model in loads, copper and lengths; the notebook way on the "
        "same units. Of two feeds the volts were measured before power, as at the bench.",
    ),
    "diagnosis_again": Bench(
        "The same study, on units looked at meanwhile",
        _of("diagnosis", "20", "12"), _of("diagnosis", "2", "12"),
        "As above, seed 12: these cases were looked at while the diagnosis was made.",
    ),
    "any_prop": Bench(
        "The study on any prop", _of("any_prop", "--count", "200", "--seed", "1", "--jobs", "2"),
        _of("any_prop", "--count", "3", "--seed", "2"),
        "Made-up designs of every shape, node kind and load, each with a unit in a random state; "
        "truth by ngspice for small props, else by our circuit with other figures of its loads; "
        "the notebook way on the same units. Processor time, not the clock's.",
    ),
    "evening": Bench(
        "Seven units in an evening",
        _of("evening", "--evenings", "2", "--seed", "20261219"), _of("evening", "--seed", "1"),
        "Whole sessions on virtual fans of 14 x 27 nodes, two evenings of each kind, seed 20261219 "
        "(nothing was fitted to it): the seconds of a person by the operators of the "
        "keystroke-level model, repairs included, against the notebook way.",
    ),
    "diagnosis_speed": Bench(
        "Diagnosis, how long", _of("diagnosis_speed"), _of("diagnosis_speed"),
        "Median of 5 whole commands with their readings in a file, peak memory as the system "
        "counts it; the table as best of 5.",
    ),
    "findings": Bench(
        "Findings of a session, how long", _of("findings", "7"), _of("findings", "7", "--quick"),
        "CPU seconds of each finding of whole sessions on made-up designs, and peak memory of a "
        "process for each size: planned readings, slips, looks, repairs, evidence that fits "
        "nothing, then 112 and 412 readings.",
    ),
    "hard_findings": Bench(
        "Findings on hard evidence", _of("hard_findings", "11"),
        _of("hard_findings", "11", "--sizes", "2x10"),
        "CPU seconds of each finding of a fixed grid of cases on made-up designs, seed 11: 24 for "
        "each size, among them 40 readings with slips, three repairs, dark strands, and nodes "
        "short of volts; peak memory of a process that takes all cases of a size.",
    ),
    "learning": Bench(
        "What a batch teaches", _of("learning", "4", "5", "1"), _of("learning", "1", "1", "1"),
        "Virtual batches, seed 1: the fifth unit with what four healthy units taught, beside the "
        "same unit as the first; taught: with four readings more of each, and a clamp.",
    ),
    "supplies": Bench(
        "Supplies that are apart", _of("supplies", "150", "60", "31"), _of("supplies", "1", "1"),
        "Virtual units with two feeds, supplies of 1 % each, seed 31: weighed by the design's "
        "volts, and by those that a meter shows of both supplies before power.",
    ),
    "comparing": Bench(
        "Two tests of one unit", _of("comparing", "5", "1"), _of("comparing", "1", "1"),
        "Virtual units of the three demo designs, read until settled, and again with another meter "
        "and supply: with one joint gone bad, and unchanged.",
    ),
    "drive": Bench(
        "Frames on the wire", _of("drive", "--seconds", "3"), _of("drive", "--seconds", "1.5"),
        "Real packets on loopback in a network of their own, timed by the kernel as they arrive; "
        "the sacn library's own sender takes turns with ours. Each row names its rights.",
    ),
    "screen": Bench(
        "The terminal program", _of("screen", "3"), _of("screen", "1"),
        "The real program on a pty, with real packets timed by the kernel; its first paint in turn "
        "with that of a bare Textual program.",
    ),
    "questions": Bench(
        "The next question", _of("screen", "questions"), None,
        "The real program on a pty, with a virtual prop that has one bad joint; from a reading's "
        "Enter key to the next question on the screen, each once the program is at rest.",
    ),
    "bridge": Bench(
        "Frames through the bridge", _of("bridge"), _of("bridge"),
        "The real firmware in simavr, held to real time, over a pty by our driver; without what a "
        "USB serial chip adds.",
    ),
    "records": Bench(
        "Events onto the disk", _of("records"), _of("records"),
        "A thousand readings, each committed with `synchronous=FULL`, in the temporary folder.",
    ),
    "durability": Bench(
        "What the records survive", _of("durability", "300"), _of("durability", "3"),
        "Real processes killed at random moments, small disks filled, logs cut, pages and bits "
        "spoilt; then every acknowledged event is looked for.",
    ),
    "fuzz": Bench(
        "Hostile and broken input", ("tests.fuzz.run", "--seconds", "120"),
        ("tests.fuzz.run", "--seconds", "2"),
        "Inputs made from good ones, guided by coverage (atheris) where it is installed; a defect "
        "is a foreign exception, words that move a terminal, over 5 s or 128 MiB for one of them.",
    ),
    "startup": Bench(
        "Start-up", _of("startup"), _of("startup"),
        "Best of 15 whole processes, in turn with a bare interpreter; the demo once, with the real "
        "time of its lights.",
    ),
    "install": Bench(
        "Installation", _of("install"), None,
        "Wheel and source archive built, installed without a compiler into a fresh environment of "
        "each Python here, and ten commands run from another folder; sizes without pip, with "
        "bytecode where the installer makes it.",
    ),
    "small_machine": Bench(
        "A small machine", _of("small_machine"), _of("small_machine", "--units", "1"),
        "Seven units of 14 x 27 nodes with two bad joints each, tested by the real program on half "
        "of one core with 512 MiB, the virtual prop outside; packets as the loopback shows them.",
    ),
    "soak": Bench(
        "Eight bench hours", _of("soak", "8", "240"), _of("soak", "1.7", "5"),
        "Units tested one after the other at a real frame clock, without the time a person takes "
        "(compressed); the clock's drift in real time (not compressed).",
    ),
}  # fmt: skip


def machine() -> dict[str, Any]:
    """Return the machine that the figures are measured on, and its load now."""
    model = platform.processor() or platform.machine()
    cpuinfo = Path("/proc/cpuinfo")
    if cpuinfo.exists():
        names = [
            line.partition(":")[2].strip()
            for line in cpuinfo.read_text(encoding="utf-8").splitlines()
            if line.startswith("model name")
        ]
        model = names[0] if names else model
    return {
        "cpu": model,
        "cores": len(os.sched_getaffinity(0)),
        "python": platform.python_version(),
        "system": f"{platform.system()} {platform.release()}",
        "load": round(os.getloadavg()[0], 2),
        "rights": "with real-time rights" if may_raise_thread_priority() else "an ordinary user",
    }


def _rights(on: dict[str, Any]) -> str:
    """Return the rights that a bench had; empty for one of before they were kept."""
    return f", {on['rights']}" if "rights" in on else ""


def measure(name: str, quick: bool) -> dict[str, Any]:
    """Run one bench: its figures, when and on what; or why there are none."""
    bench = BENCHES[name]
    words = bench.quick if quick else bench.words
    assert words is not None
    found: dict[str, Any] = {
        "command": " ".join(("python -m", *words)),
        "at": datetime.now(UTC).strftime("%Y-%m-%d %H:%M UTC"),
        "machine": machine(),
        "commit": _commit(),
    }
    start_s = time.monotonic()
    done = subprocess.run(
        [sys.executable, "-m", *words, "--json"], cwd=ROOT, stdout=subprocess.PIPE, check=False
    )
    found["took_s"] = round(time.monotonic() - start_s, 1)
    try:
        answer = json.loads(done.stdout.splitlines()[-1])
    except (ValueError, IndexError):
        return found | {"figures": [], "failed": f"ended with {done.returncode} and no figures"}
    found["figures"] = answer["figures"] if "figures" in answer else _fuzzed(answer)
    if done.returncode:
        found["failed"] = f"ended with {done.returncode}"
    return found


def _commit() -> str:
    words = ["git", "describe", "--always", "--dirty"]
    done = subprocess.run(words, cwd=ROOT, capture_output=True, text=True, check=False)
    return done.stdout.strip() or "unknown"


def _fuzzed(answer: dict[str, Any]) -> list[dict[str, Any]]:
    """Counts of each target as figures."""
    rows = []
    for row in answer["targets"]:
        way = "guided by coverage" if row.get("guided") else "by chance"
        what = f"{row['what']}: {row['tried']} inputs, {row.get('taken', 0)} of them taken, {way}"
        bad = row.get("defects", 0) + bool(row["stopped"])
        rows.append({"what": f"{what}; defects", "value": bad, "unit": "", "most": 0})
    total = sum(row["tried"] for row in answer["targets"])
    parts = {"targets": len(rows), "seconds": answer["seconds_each"]}
    return [{"what": "inputs tried in all", "value": total, "unit": "", "parts": parts}, *rows]


def page(kept: dict[str, Any]) -> str:
    """Return the page of figures, from the kept results alone."""
    lines = [
        "# Figures",
        "",
        "Made by `python -m tests.bench.run`; nothing here is written by hand. Each bench says "
        "when, on what and with which rights it ran, unless a row names its own; load is the "
        "machine's at its start, so times taken at a load near its number of cores or above are "
        "worse than the program. Budgets are the design's.",
        "",
        *_missed(kept),
    ]
    for name, bench in BENCHES.items():
        lines += ["", f"## {bench.title}", ""]
        if name not in kept:
            lines.append(f"Not measured yet: `python -m tests.bench.run {name}`.")
            continue
        lines += _section(bench, kept[name])
    return "\n".join(lines) + "\n"


def _missed(kept: dict[str, Any]) -> list[str]:
    rows = [
        (BENCHES[name].title, figure)
        for name, found in kept.items()
        for figure in found["figures"]
        if name in BENCHES and _verdict(figure) == "missed"
    ]
    judged = sum(bool(_verdict(f)) for found in kept.values() for f in found["figures"])
    lines = [f"Of {judged} figures with a budget, {judged - len(rows)} keep to it."]
    return lines + [
        f"- missed: {figure['what']} ({title}): {_value(figure)}, budget {_budget(figure)}"
        for title, figure in rows
    ]


def _section(bench: Bench, found: dict[str, Any]) -> list[str]:
    on = found["machine"]
    lines = [
        f"{bench.how}",
        "",
        f"`{found['command']}`, {found['at']}, {found['took_s']:g} s, at {found['commit']}; "
        f"{on['cpu']}, {on['cores']} cores, load {on['load']:g}{_rights(on)}, "
        f"Python {on['python']}, {on['system']}.",
        "",
    ]
    if "failed" in found:
        lines += [f"It did not go well: {found['failed']}.", ""]
    lines += ["| figure | measured | budget | |", "|---|--:|--:|---|"]
    lines += [
        f"| {figure['what']} | {_value(figure)} | {_budget(figure)} | {_verdict(figure)} |"
        for figure in found["figures"]
    ]
    return lines


def _value(figure: dict[str, Any]) -> str:
    value = figure["value"]
    shown = value if isinstance(value, str) else f"{value:,.4g}" if value % 1 else f"{value:,.0f}"
    return f"{shown} {figure['unit']}".strip()


def _budget(figure: dict[str, Any]) -> str:
    if figure.get("most") is not None:
        return f"at most {figure['most']:.4g}"
    return f"at least {figure['least']:.4g}" if figure.get("least") is not None else ""


def _verdict(figure: dict[str, Any]) -> str:
    most, least = figure.get("most"), figure.get("least")
    if most is None and least is None:
        return ""
    value = figure["value"]
    kept = (most is None or value <= most) and (least is None or value >= least)
    return "met" if kept else "missed"


def main() -> int:
    """Run what was asked for, and write the page."""
    parser = argparse.ArgumentParser(description=__doc__.partition("\n")[0])
    parser.add_argument("benches", nargs="*", metavar="BENCH", help=f"of {', '.join(BENCHES)}")
    parser.add_argument("--quick", action="store_true", help="a short try, onto another page")
    parser.add_argument("--page", action="store_true", help="run nothing, write what figures make")
    args = parser.parse_args()
    if unknown := set(args.benches) - set(BENCHES):
        parser.error(f"no such bench: {', '.join(unknown)}; there are {', '.join(BENCHES)}")
    target = Path(tempfile.gettempdir()) / "figures-quick.md" if args.quick else PAGE
    store = target.with_suffix(".json")
    kept = json.loads(store.read_text("utf-8")) if store.exists() else {}
    failed = False
    for name in () if args.page else args.benches or BENCHES:
        if args.quick and BENCHES[name].quick is None:
            continue
        print(f"{name} …", end=" ", flush=True)
        kept[name] = measure(name, args.quick)
        failed |= "failed" in kept[name]
        print(f"{kept[name]['took_s']:g} s", kept[name].get("failed", ""), flush=True)
        store.write_text(json.dumps(kept, indent=1, ensure_ascii=False) + "\n", encoding="utf-8")
        target.write_text(page(kept), encoding="utf-8")
    target.write_text(page(kept), encoding="utf-8")
    for document in () if args.quick else write_documents(kept):
        print(f"Written anew: {document}")
    print(f"The page is {target}.")
    return int(failed)


if __name__ == "__main__":
    sys.exit(main())
