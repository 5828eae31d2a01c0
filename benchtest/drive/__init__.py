"""Frames onto a wire: clock, E1.31, serial bridge."""
