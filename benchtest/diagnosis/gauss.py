"""The density of readings that share their causes, when any one of them may be a slip."""

from __future__ import annotations

import numpy as np

from benchtest.circuit.wiring import FloatArray

SLIP = 0.01
"""Probability that a reading is a slip: a misread digit, a lead on the wrong pad."""
SLIP_PER_V = 0.2
"""Density of such a reading. [1/V]"""


def log_likelihood(off: FloatArray, covariance: FloatArray) -> FloatArray:
    """Logarithm of the density of readings that are `off`, any one of them perhaps a slip.

    Args:
        off: measured less predicted, shape (..., n).
        covariance: shape (..., n, n).

    Returns:
        Shape (...,).
    """
    count = off.shape[-1]
    if count == 0:
        return np.zeros(off.shape[:-1])
    precision = np.linalg.inv(covariance)
    _, log_det = np.linalg.slogdet(covariance)
    weighted = np.einsum("...ij,...j->...i", precision, off)
    square = np.einsum("...i,...i->...", weighted, off)
    whole = -0.5 * (square + log_det + count * np.log(2.0 * np.pi))
    # what each reading is worth given all the others (Gaussian conditioning)
    own = np.einsum("...ii->...i", precision)
    given_rest = -0.5 * (weighted**2 / own - np.log(own) + np.log(2.0 * np.pi))
    slipped = whole[..., None] - given_rest + np.log(SLIP_PER_V * SLIP / (1.0 - SLIP))
    every = np.concatenate([whole[..., None], slipped], axis=-1)
    most = every.max(axis=-1)
    total = most + np.log(np.exp(every - most[..., None]).sum(axis=-1))
    return np.asarray(total + count * np.log(1.0 - SLIP))
