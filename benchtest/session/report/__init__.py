"""Contents of reports and exported tables."""
