"""Words typed in a shell."""
