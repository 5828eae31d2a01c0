"""Test patterns: reader of pattern files, and the nodes that each step lights."""

from benchtest.pattern.pattern import Pattern, Step, Steps, frame_from_duty
from benchtest.pattern.picture import (
    alike_strands,
    alternating_colours,
    alternating_duty,
    has_picture,
    picture_duty,
    strand_colour,
    tip_nodes,
    turn_count,
)
from benchtest.pattern.reader import load_patterns, parse_pattern

__all__ = [
    "Pattern",
    "Step",
    "Steps",
    "alike_strands",
    "alternating_colours",
    "alternating_duty",
    "frame_from_duty",
    "has_picture",
    "load_patterns",
    "parse_pattern",
    "picture_duty",
    "strand_colour",
    "tip_nodes",
    "turn_count",
]
