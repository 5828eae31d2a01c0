"""The running bench: light, entry of readings, timers."""
