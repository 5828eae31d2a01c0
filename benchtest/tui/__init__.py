"""Screens and widgets of the terminal program; no arithmetic."""
