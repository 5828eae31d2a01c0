"""The JSON object of a finding, as fixed for `diagnose --json`."""

from __future__ import annotations

from typing import Any

from benchtest.diagnosis.expected_readings import next_reading_s
from benchtest.diagnosis.finding import Finding, JudgedReading, NearFault, Suspect
from benchtest.evidence.marks import Mark
from benchtest.prop.design import Design
from benchtest.wording.reasons import reason_text
from benchtest.wording.repair_advice import repair_text


def finding_json(finding: Finding, design: Design) -> dict[str, Any]:
    """Return the finding as a JSON object; resistances in ohms, readings in volts or amperes."""
    return {
        "healthy": _round(finding.healthy),
        "suspects": [_suspect(suspect, design) for suspect in finding.suspects],
        "alike": [list(names) for names in finding.alike],
        "next": _next_reading(finding, design),
        "look": _look(finding, design),
        "readings": [_reading(row, design) for row in finding.readings],
        "cleared_ohm": _round_or_none(finding.cleared_ohm),
        "fits_nothing": finding.strange,
        "marks_fit_nothing": [_mark(mark, design) for mark in finding.unexplained],
        "explained": finding.explained,
        "nearest": [_near_fault(fault) for fault in finding.nearest],
        "rounded_v": _round_or_none(finding.rounded_v),
    }


def _look(finding: Finding, design: Design) -> dict[str, Any] | None:
    look = finding.look
    if look is None:
        return None
    return {
        "lit": look.lit.text(design),
        "colour": look.lit.colour,
        "level": look.lit.level,
        "expect_bits": _round(look.expect_bits),
    }


def _next_reading(finding: Finding, design: Design) -> dict[str, Any]:
    ask, seconds = finding.next, next_reading_s(finding, design)
    return {
        "lit": None if ask.lit is None else ask.lit.text(design),
        "probe": None if ask.probe is None else str(ask.probe),
        "expect_bits": _round(ask.expect_bits),
        "expect_s": None if seconds is None else round(seconds, 2),
        "settled": ask.settled,
    }


def _suspect(suspect: Suspect, design: Design) -> dict[str, Any]:
    ohms, after = suspect.ohms, suspect.after
    return {
        "where": suspect.where,
        "fault": suspect.fault,
        "probability": _round(suspect.probability),
        "ohms": None
        if ohms is None
        else {"low": _round(ohms.low), "best": _round(ohms.best), "high": _round(ohms.high)},
        "repair": repair_text(suspect, design),
        "reason": reason_text(suspect, design),
        "after_repair": None
        if after is None
        else {
            "lit": after.lit.text(design),
            "probe": str(after.probe),
            "volts": round(after.volts, 6),
            "sd": round(after.sd, 6),
        },
        "intermittent": suspect.intermittent,
        "growing": suspect.growing,
    }


def _near_fault(fault: NearFault) -> dict[str, Any]:
    return {"where": fault.where, "fault": fault.fault, "ohm": _round_or_none(fault.ohm)}


def _mark(mark: Mark, design: Design) -> dict[str, Any]:
    shown = {"lit": mark.lit.text(design), "colour": mark.lit.colour, "strand": mark.strand}
    return {**shown, "nodes": mark.nodes, "seen": mark.seen}


def _reading(row: JudgedReading, design: Design) -> dict[str, Any]:
    reading = row.reading
    found: dict[str, Any] = {"lit": reading.lit.text(design), "probe": str(reading.probe)}
    found["volts"] = reading.volts
    if reading.volts is None:
        found["amps"] = reading.amps
    found |= {"expected": round(row.expected, 6), "sd": round(row.sd, 6), "z": round(row.z, 2)}
    return found


def _round(number: float) -> float:
    """Return four significant digits: more would suggest a precision that is not there."""
    return float(f"{number:.4g}")


def _round_or_none(number: float | None) -> float | None:
    return None if number is None else _round(number)
