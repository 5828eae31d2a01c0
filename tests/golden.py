"""Findings of the kept records, rewritten by `python -m tests.golden`.

The records themselves (tests/session/golden/batch.jsonl, four Willow fans tested at virtual props)
are never written again. After an intended change of the diagnosis, write the findings and review
the difference before the commit.
"""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

from benchtest.session.report.export_tables import SessionEvidence, exported_evidence
from benchtest.wording import finding_json

FOLDER = Path(__file__).parent / "session" / "golden"
RECORDS = FOLDER / "batch.jsonl"
FINDINGS = FOLDER / "findings.json"
TAGS = ("WF-01", "WF-02", "WF-03", "WF-04")


def evidence_of(tag: str) -> SessionEvidence:
    """Return the evidence of a unit in the kept records."""
    return exported_evidence(RECORDS.read_text("utf-8").split("\n"), RECORDS.name, tag)


def finding_of(evidence: SessionEvidence) -> dict[str, Any]:
    """Return the finding as `benchtest diagnose --json` prints it."""
    return finding_json(evidence.diagnose(), evidence.design)


def as_kept(now: Any, kept: Any) -> Any:
    """Return the present finding without the keys that the kept one lacks."""
    if isinstance(now, dict) and isinstance(kept, dict):
        return {key: as_kept(value, kept[key]) for key, value in now.items() if key in kept}
    if isinstance(now, list) and isinstance(kept, list) and len(now) == len(kept):
        return [as_kept(value, before) for value, before in zip(now, kept, strict=True)]
    return now


def main() -> None:
    """Write the findings."""
    found = {tag: finding_of(evidence_of(tag)) for tag in TAGS}
    FINDINGS.write_text(json.dumps(found, indent=1, ensure_ascii=False) + "\n", "utf-8")


if __name__ == "__main__":
    main()
