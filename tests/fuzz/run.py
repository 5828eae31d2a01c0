"""Runs every target for a while, each in its own process, and prints the results.

    python -m tests.fuzz.run [--seconds 30] [--json] [--keep FOLDER] [TARGET …]

Exit code 1 if a defect was found; its inputs are kept in FOLDER.
"""

from __future__ import annotations

import argparse
import json
import os
import subprocess
import sys
import tempfile
from pathlib import Path
from typing import Any

from tests.fuzz.scratch import SCRATCH, in_memory
from tests.fuzz.targets import TARGETS

GRACE_S = 90.0
"""Extra time for starting and for the last input. [s]"""


def fuzz(name: str, seconds: float, folder: Path) -> dict[str, Any]:
    """Run one target and return its counts."""
    folder.mkdir(parents=True, exist_ok=True)
    env = os.environ | {"OMP_NUM_THREADS": "1", "OPENBLAS_NUM_THREADS": "1"}
    words = [sys.executable, "-m", "tests.fuzz.worker", name, str(seconds), str(folder)]
    with (
        tempfile.TemporaryDirectory(prefix="fuzz-", dir=in_memory()) as scratch,
        (folder / "log").open("wb") as log,
    ):
        env[SCRATCH] = scratch  # a fuzzer ends its process without notice
        try:
            code = subprocess.run(
                words, stdout=log, stderr=log, timeout=seconds + GRACE_S, env=env, check=False
            ).returncode
        except subprocess.TimeoutExpired:
            code = -1
    told = folder / "counts.json"
    counts: dict[str, Any] = json.loads(told.read_text("utf-8")) if told.exists() else {"tried": 0}
    stopped = [path.name for path in folder.glob("stopped-*")]
    ended = f"ended with {code}; see {folder / 'log'}" if code or stopped else ""
    return {"target": name, "what": TARGETS[name].what, **counts, "stopped": ended}


def main() -> int:
    parser = argparse.ArgumentParser(description=__doc__.partition("\n")[0])
    parser.add_argument("targets", nargs="*", metavar="TARGET", help="default: all")
    parser.add_argument("--seconds", type=float, default=30.0, help="for each (default: 30)")
    parser.add_argument("--json", action="store_true", help="one JSON object")
    parser.add_argument("--keep", type=Path, metavar="FOLDER", help="default: a temporary one")
    args = parser.parse_args()
    if unknown := set(args.targets) - set(TARGETS):
        parser.error(f"no such target: {', '.join(unknown)}; there are {', '.join(TARGETS)}")
    folder = args.keep or Path(tempfile.mkdtemp(prefix="fuzz-"))
    found = []
    for name in args.targets or TARGETS:
        counts = fuzz(name, args.seconds, folder / name)
        found.append(counts)
        if not args.json:
            _show(counts)
    bad = any(row.get("defects") or row["stopped"] for row in found)
    if args.json:
        print(json.dumps({"seconds_each": args.seconds, "targets": found}))
    elif bad:
        print(f"What was found is in {folder}.")
    return int(bad)


def _show(row: dict[str, Any]) -> None:
    print(
        f"{row['target']:10} {row['tried']:9} tried, {row.get('taken', 0):8} taken, "
        f"{row.get('defects', 0)} defects; slowest {row.get('slowest_s', 0):.2f} s, "
        f"{row.get('peak_mib', 0)} MiB{' (by chance)' if not row.get('guided') else ''} "
        f"{row['stopped']}",
        flush=True,
    )


if __name__ == "__main__":
    sys.exit(main())
