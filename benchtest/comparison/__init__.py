"""Tests of one unit, or units of one design, compared joint by joint."""

# modules, which are not loaded here: a command loads only what it needs
__all__ = [
    "batch_report",
    "gather",
    "report",
    "unit_report",
]
