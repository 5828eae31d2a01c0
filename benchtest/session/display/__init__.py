"""Screen models: bench, map, sketch, chart and texts."""
