"""Test patterns: reader of pattern files, and the nodes that each step lights."""

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
