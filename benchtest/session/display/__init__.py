"""Screen models: bench, map, sketch, chart and texts."""

# modules, which are not loaded here: a command loads only what it needs
__all__ = [
    "bench_model",
    "event_text",
    "finding_details",
    "map_model",
    "probe_sketch",
    "text_chart",
]
