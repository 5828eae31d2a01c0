"""Screen models: maps, sketches, charts and texts."""
