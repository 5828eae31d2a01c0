"""Suspects from evidence, and the next reading worth taking."""

from benchtest.diagnosis.engine import Engine, diagnose
from benchtest.diagnosis.expected_readings import (
    ExpectedReading,
    expected_reading,
    has_outlier,
    healthy_volts,
    judged_healthy,
    next_reading_s,
    possible_volts,
)
from benchtest.diagnosis.finding import (
    Finding,
    JointBand,
    JudgedReading,
    NextReading,
    Suspect,
)
from benchtest.diagnosis.inference.posterior import Ohms
from benchtest.diagnosis.inference.pre_repair import PreRepairEvidence
from benchtest.diagnosis.repair_scope import still_valid, strands_to_retest
from benchtest.diagnosis.voltage_profile import VoltageProfile, voltage_profile

__all__ = [
    "Engine",
    "ExpectedReading",
    "Finding",
    "JointBand",
    "JudgedReading",
    "NextReading",
    "Ohms",
    "PreRepairEvidence",
    "Suspect",
    "VoltageProfile",
    "diagnose",
    "expected_reading",
    "has_outlier",
    "healthy_volts",
    "judged_healthy",
    "next_reading_s",
    "possible_volts",
    "still_valid",
    "strands_to_retest",
    "voltage_profile",
]
