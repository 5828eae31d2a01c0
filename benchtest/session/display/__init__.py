"""Screen models: bench, map, chart and texts."""

# modules, which are not loaded here: a command loads only what it needs
__all__ = [
    "bench_model",
    "characters",
    "event_text",
    "finding_details",
    "map_model",
    "text_chart",
]
