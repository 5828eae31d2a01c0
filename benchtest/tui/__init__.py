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
    "map_panel",
    "menus",
    "panel",
    "prompt_panel",
    "shelf_screen",
    "terminal_driver",
    "wide_table",
]
