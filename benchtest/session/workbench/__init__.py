"""The bench in operation: light, walks, entry of readings, diagnosis, timers."""
