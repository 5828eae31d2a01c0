"""Units, sessions and events on disk; reports, labels, export and import."""
