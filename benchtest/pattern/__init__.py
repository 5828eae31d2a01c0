"""Test patterns: reads pattern files and lights nodes step by step, as arrays."""

from benchtest.pattern.pattern import Pattern, Step, Steps, frame_from_duty
from benchtest.pattern.reader import load_patterns, parse_pattern

__all__ = [
    "Pattern",
    "Step",
    "Steps",
    "frame_from_duty",
    "load_patterns",
    "parse_pattern",
]
