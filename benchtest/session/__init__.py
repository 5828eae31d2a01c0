"""One test session: log, guidance, workbench, display, report, practice."""
