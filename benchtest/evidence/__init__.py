"""What was seen: readings, marks, verdicts, meters."""
