"""Prop files that tests of several rooms share."""

from __future__ import annotations

SMALL_FAN = """\
format = 1
name = "Small fan"
[node]
kind = "ws2811-5v"
[[strand]]
count = 4
nodes = 10
pitch_mm = 30.0
lead_mm = [60.0, 60.0]
wire = "22 AWG"
[data]
path = "zigzag"
[[bus]]
name = "foot"
joins = "A"
copper = { weight_oz = 2.0, width_mm = 8.0 }
spacing_mm = 40.0
[[bus]]
name = "crown"
joins = "B"
copper = { weight_oz = 2.0, width_mm = 8.0 }
spacing_mm = 40.0
[[feed]]
name = "main"
at = "foot:1"
volts = 5.0
wire = "16 AWG"
length_mm = 1500.0
fuse_a = 1.0
supply_a = 10.0
"""
"""4 strands of 10 nodes, buses at both ends, data in zigzag; its fuse does not carry all of it."""
