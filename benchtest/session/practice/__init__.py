"""Practice rounds with hidden faults."""
