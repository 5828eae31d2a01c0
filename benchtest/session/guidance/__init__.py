"""Guidance: the next step, and the work that keeps a unit indoors."""
