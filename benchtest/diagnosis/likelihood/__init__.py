"""Likelihood of readings and marks under a fault."""
