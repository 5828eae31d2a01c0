"""Guidance: the next step, and the work that keeps a unit indoors."""

# modules, which are not loaded here: a command loads only what it needs
__all__ = [
    "next_step",
    "overrides",
    "parade",
    "pointing",
    "release",
    "steps",
    "supply_doubt",
]
