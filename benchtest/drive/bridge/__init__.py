"""The USB serial bridge: our protocol as bytes, and the driver that speaks it.

Written up in `hw_notes/bridge.md`.
"""
