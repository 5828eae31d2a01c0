"""One target in its own process for a given time; counts go to a file as it runs.

    python -m tests.fuzz.worker TARGET SECONDS FOLDER

Coverage-guided by atheris if installed, else random. Results are in FOLDER: `counts.json`, and each
input that showed a defect with its message next to it.
"""

from __future__ import annotations

import contextlib
import hashlib
import json
import random
import resource
import sys
import time
from pathlib import Path
from typing import Any

try:
    import atheris
except ImportError:
    atheris = None

MEMORY = 2 << 30
"""Address space of a target, with libraries and the fuzzer's own tables."""
MOST_DEFECTS = 50
SEED = 11


class Run:
    """A run of inputs at one target that counts and keeps those with a defect."""

    def __init__(self, name: str, folder: Path) -> None:
        guided = (
            contextlib.nullcontext()
            if atheris is None
            else atheris.instrument_imports(include=["benchtest", "tomllib", "csv", "json"])
        )
        with guided:
            from tests.fuzz import attempt, targets
        from tests.fuzz.mutate import mutated

        self._attempt, self._mutated = attempt, mutated
        self.target = targets.TARGETS[name]
        self.tried = self.taken = 0
        self.defects: list[str] = []
        self.folder = folder
        self.began_s = self._told_s = time.monotonic()
        self.slowest_s = 0.0

    def one(self, octets: bytes) -> None:
        start_s = time.process_time()
        try:
            self.taken += self._attempt.attempt(self.target, octets)
        except self._attempt.Defect as defect:
            self._keep(octets, str(defect))
        except MemoryError:
            self._keep(octets, "more memory than it may take")
        self.tried += 1
        self.slowest_s = max(self.slowest_s, time.process_time() - start_s)
        if time.monotonic() - self._told_s > 0.5:
            self.tell()

    def _keep(self, octets: bytes, words: str) -> None:
        self.defects.append(words[:300])
        name = hashlib.sha256(octets).hexdigest()[:12]
        if len(self.defects) <= MOST_DEFECTS:
            (self.folder / f"defect-{name}").write_bytes(octets)
            (self.folder / f"defect-{name}.txt").write_text(words, encoding="utf-8")

    def tell(self) -> None:
        """Write the counts, so that they survive a stopped process."""
        self._told_s = time.monotonic()
        counts: dict[str, Any] = {
            "tried": self.tried,
            "taken": self.taken,
            "defects": len(self.defects),
            "seconds": round(self._told_s - self.began_s, 1),
            "slowest_s": round(self.slowest_s, 3),
            "peak_mib": resource.getrusage(resource.RUSAGE_SELF).ru_maxrss // 1024,
            "guided": atheris is not None,
        }
        fresh = self.folder / "counts.new"
        fresh.write_text(json.dumps(counts), encoding="utf-8")
        fresh.replace(self.folder / "counts.json")

    def change(self, octets: bytes, most: int, seed: int) -> bytes:
        """Mutate inputs in turn by the fuzzer's own means and with the target's texts."""
        if seed % 2:
            return bytes(atheris.Mutate(octets, most))
        return self._mutated(octets, self.target.words, random.Random(seed))[:most]

    def by_chance(self, seconds: float, start: list[bytes]) -> None:
        chance = random.Random(SEED)
        while time.monotonic() - self.began_s < seconds:
            self.one(self._mutated(chance.choice(start), self.target.words, chance))


def main() -> None:
    name, seconds, folder = sys.argv[1], float(sys.argv[2]), Path(sys.argv[3])
    run = Run(name, folder)
    start = run.target.begin()
    for octets in start:
        run.one(octets)
    if name != "firmware":  # its child process needs the sanitizer's large address space
        resource.setrlimit(resource.RLIMIT_AS, (MEMORY, MEMORY))
    run.began_s = time.monotonic()
    if atheris is None:
        run.by_chance(seconds, start)
        run.tell()
        return
    corpus = folder / "corpus"
    corpus.mkdir(exist_ok=True)
    for number, octets in enumerate(start):
        (corpus / f"start-{number}").write_bytes(octets)
    options = [f"-max_total_time={int(seconds)}", "-max_len=8192", "-timeout=20", f"-seed={SEED}"]
    options += ["-rss_limit_mb=1500", "-print_final_stats=0", "-verbosity=0", "-len_control=0"]
    options += [f"-artifact_prefix={folder}/stopped-", str(corpus)]
    atheris.Setup([sys.argv[0], *options], run.one, custom_mutator=run.change)
    run.tell()
    atheris.Fuzz()  # does not return


if __name__ == "__main__":
    main()
