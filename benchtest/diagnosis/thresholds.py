"""Thresholds of the inference, each with its reason.

A probability is that of the thing named; a `_LOG` is a difference of natural logarithms of
likelihood; a `_SD` counts standard deviations.
"""

from __future__ import annotations

# -- Model ------------------------------------------------------------------------------------

MIN_FAULT_OHM, MAX_FAULT_OHM = 0.03, 30.0
"""Range of a resistive joint. [Ω] Below, it is as good as a healthy joint; above, it is open.
Ours."""


# -- Likelihood -------------------------------------------------------------------------------


# -- Inference --------------------------------------------------------------------------------


# -- Planning and decision --------------------------------------------------------------------


# -- Units of one design ----------------------------------------------------------------------
