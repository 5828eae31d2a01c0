"""Posterior over faults, one or several, before and after repairs."""
