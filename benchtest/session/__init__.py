"""One test session: log, guidance, workbench, display, report, practice."""

# modules, which are not loaded here: a command loads only what it needs
__all__ = [
    "autopilot",
    "bench_supply",
    "display",
    "guidance",
    "launch_options",
    "log",
    "practice",
    "report",
    "session",
    "temporary_folders",
    "workbench",
]
