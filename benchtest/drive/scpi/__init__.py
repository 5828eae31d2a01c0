"""SCPI bench meters: protocol and meter."""
