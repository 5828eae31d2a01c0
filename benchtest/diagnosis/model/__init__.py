"""Faults of the model and the circuit's response to them."""
