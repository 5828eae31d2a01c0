"""Choice of the next reading or look."""
