"""Sessions of a small fan, on a real shelf."""

from __future__ import annotations

from tests.session.conftest import begin, design_text, fan, shelf

__all__ = ["begin", "design_text", "fan", "shelf"]
