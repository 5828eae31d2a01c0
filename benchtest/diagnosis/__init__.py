"""Suspects from evidence, and the next reading worth taking."""

from benchtest.diagnosis.before import Before
from benchtest.diagnosis.drops import own_drop, with_drop_next
from benchtest.diagnosis.engine import Engine, diagnose
from benchtest.diagnosis.finding import (
    Finding,
    JointBand,
    JudgedReading,
    NextReading,
    Ohms,
    Suspect,
)
from benchtest.diagnosis.judge import has_outlier, judged_healthy
from benchtest.diagnosis.outlook import Outlook, outlook
from benchtest.diagnosis.possible import possible_volts
from benchtest.diagnosis.profile import Profile, profile
from benchtest.diagnosis.retest import still_valid, touched_by

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
    "judged_healthy",
    "outlook",
    "own_drop",
    "possible_volts",
    "profile",
    "still_valid",
    "touched_by",
    "with_drop_next",
]
