"""Thresholds of the inference, each with its reason.

A probability is that of the thing named; a `_LOG` is a difference of natural logarithms of
likelihood; a `_SD` counts standard deviations.
"""

from __future__ import annotations

# -- Model ------------------------------------------------------------------------------------


# -- Likelihood -------------------------------------------------------------------------------


# -- Inference --------------------------------------------------------------------------------


# -- Planning and decision --------------------------------------------------------------------


# -- Units of one design ----------------------------------------------------------------------
