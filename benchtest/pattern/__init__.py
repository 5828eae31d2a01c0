"""Test patterns: reads pattern files and lights nodes step by step, as arrays."""

from benchtest.pattern.pattern import Layer, Pattern, Rule, Step, Steps, frame_of
from benchtest.pattern.reader import load_patterns, parse_pattern

__all__ = [
    "Layer",
    "Pattern",
    "Rule",
    "Step",
    "Steps",
    "frame_of",
    "load_patterns",
    "parse_pattern",
]
