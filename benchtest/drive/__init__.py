"""Drivers of a prop, the frame clock, and sources of readings on serial ports."""
