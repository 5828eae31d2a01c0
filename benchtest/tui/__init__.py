"""Screens and widgets of the terminal program; no arithmetic."""

# modules, which are not loaded here: a command loads only what it needs
__all__ = [
    "actions",
    "app",
    "bench_screen",
    "bench_view",
    "browser",
    "close_once",
    "compare_screen",
    "dialogs",
    "evidence_panels",
    "glyphs",
    "launch",
    "literal_text",
    "panel",
    "prompt_panel",
    "prop_map",
    "readings_menu",
    "shelf_screen",
    "terminal_driver",
    "wide_table",
]
