"""Test patterns: reads pattern files and lights nodes step by step, as arrays."""
