"""The command line: one module per command, and the entry point in `main`."""
