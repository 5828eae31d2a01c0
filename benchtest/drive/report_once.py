"""Messages about a device that may be unplugged, each given once."""

from __future__ import annotations


class ReportOnce:
    """State of a device as already reported, and the next message.

    >>> reports = ReportOnce()
    >>> reports.report_trouble("meter: is unplugged"), reports.report_trouble("meter: no such port")
    ('meter: is unplugged', None)
    >>> reports.report_ready("meter"), reports.report_ready("meter")
    ('meter is back', None)
    """

    def __init__(self) -> None:
        self._trouble: str | None = None
        self._met = False

    def report_trouble(self, words: str) -> str | None:
        """Return the message for an absent device; None if a first one was given already."""
        if self._trouble is not None:
            return None
        self.mark_reported(words)
        return words

    def mark_reported(self, words: str) -> None:
        """Record that the user has been given a message about the absence."""
        self._trouble, self._met = words, True

    def report_ready(self, name: str) -> str | None:
        """Return the message for a working device; None if that is known already."""
        before, self._trouble = self._trouble, None
        first, self._met = not self._met, True
        return f"{name} is back" if before is not None else f"{name} is ready" * first or None
