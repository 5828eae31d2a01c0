"""Evidence about a unit: readings, marks and meters."""

# modules, which are not loaded here: a command loads only what it needs
__all__ = [
    "contact",
    "csv_table",
    "marks",
    "meter",
    "reading_source",
    "readings",
    "rounding",
]
