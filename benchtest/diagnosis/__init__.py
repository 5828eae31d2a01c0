"""Suspects from evidence, and the next reading worth taking."""

from benchtest.diagnosis.engine import Engine, diagnose
from benchtest.diagnosis.finding import (
    Finding,
    JointBand,
    JudgedReading,
    NextReading,
    Ohms,
    Suspect,
)
from benchtest.diagnosis.healthy_comparison import has_outlier, healthy_volts, judged_healthy
from benchtest.diagnosis.inference.pre_repair import Before
from benchtest.diagnosis.outlook import Outlook, outlook
from benchtest.diagnosis.possible_range import possible_volts
from benchtest.diagnosis.repair_scope import still_valid, touched_by
from benchtest.diagnosis.voltage_profile import Profile, profile

__all__ = [
    "Before",
    "Engine",
    "Finding",
    "JointBand",
    "JudgedReading",
    "NextReading",
    "Ohms",
    "Outlook",
    "Profile",
    "Suspect",
    "diagnose",
    "has_outlier",
    "healthy_volts",
    "judged_healthy",
    "outlook",
    "possible_volts",
    "profile",
    "still_valid",
    "touched_by",
]
