"""Suspects from evidence, and the next reading worth taking."""
