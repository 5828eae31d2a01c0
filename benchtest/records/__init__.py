"""Units, sessions and events on disk; reports, labels, export and import."""

# modules, which are not loaded here: a command loads only what it needs
__all__ = [
    "backup",
    "database",
    "folder_check",
    "integrity",
    "json_lines",
    "label",
    "models",
    "outline_paper",
    "prop_map_svg",
    "record_limits",
    "report",
    "restore",
    "shelf",
    "strand_plot",
    "svg_plot",
]
