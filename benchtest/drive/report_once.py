"""News of something that may be unplugged: each thing is said once."""

from __future__ import annotations


class ReportOnce:
    """What was said of a device, and what is new.

    >>> news = ReportOnce()
    >>> news.report_trouble("meter: is unplugged"), news.report_trouble("meter: no such port")
    ('meter: is unplugged', None)
    >>> news.report_ready("meter"), news.report_ready("meter")
    ('meter is there again', None)
    """

    def __init__(self) -> None:
        self._trouble: str | None = None
        self._met = False

    def report_trouble(self, words: str) -> str | None:
        """It is not there; what to say. What it was first said to be stays: the rest follows."""
        if self._trouble is not None:
            return None
        self.mark_reported(words)
        return words

    def mark_reported(self, words: str) -> None:
        """It is not there, and somebody has said so."""
        self._trouble, self._met = words, True

    def report_ready(self, name: str) -> str | None:
        """It works; what to say."""
        before, self._trouble = self._trouble, None
        first, self._met = not self._met, True
        return (
            f"{name} is there again" if before is not None else f"{name} is ready" * first or None
        )
