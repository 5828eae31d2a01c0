"""The bench's shelf: units, sessions and events on disk; report and export."""
