"""Content of reports and exported tables."""

# modules, which are not loaded here: a command loads only what it needs
__all__ = [
    "export_tables",
    "report_content",
    "strand_profile",
    "unit_history",
]
