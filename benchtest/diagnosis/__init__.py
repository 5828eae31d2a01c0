"""Suspects from evidence, and the next reading worth taking."""

from benchtest.diagnosis.engine import Engine, diagnose
from benchtest.diagnosis.finding import Finding, JudgedReading, NextReading, Ohms, Suspect
from benchtest.diagnosis.halves import LightEnd, light_end
from benchtest.diagnosis.retest import still_valid, touched_by

__all__ = [
    "Engine",
    "Finding",
    "JudgedReading",
    "LightEnd",
    "NextReading",
    "Ohms",
    "Suspect",
    "diagnose",
    "light_end",
    "still_valid",
    "touched_by",
]
