"""Content of reports and exported tables."""
