"""USB serial bridge: its protocol as octets, its driver and its analog inputs.

Specification: `hw_notes/bridge.md`.
"""
