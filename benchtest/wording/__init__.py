"""Sentences about findings, suspects and repairs, and the JSON of a finding."""

from benchtest.wording.finding_json import finding_json
from benchtest.wording.reasons import (
    NOT_EXCLUSIVE,
    doubt_texts,
    nearest_text,
    other_suspects_text,
    reason_text,
    split_suspects,
)
from benchtest.wording.repair_advice import fault_repair_text, repair_text, suspect_name

__all__ = [
    "NOT_EXCLUSIVE",
    "doubt_texts",
    "fault_repair_text",
    "finding_json",
    "nearest_text",
    "other_suspects_text",
    "reason_text",
    "repair_text",
    "split_suspects",
    "suspect_name",
]
