"""Advice: the next step, and open points of a unit."""
