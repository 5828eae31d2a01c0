"""The density of readings that share their causes, when any one of them may be a slip."""

from __future__ import annotations

import numpy as np

from benchtest.circuit.wiring import FloatArray

SLIP = 0.005
"""Probability that a reading is a slip: a misread digit, a lead on the wrong pad. Common practice,
no source."""


def log_likelihood(off: FloatArray, covariance: FloatArray, slip_per_v: float = 0.1) -> FloatArray:
    """Logarithm of the density of readings that are `off`, any one of them perhaps a slip.

    Args:
        off: measured less predicted, shape (..., n).
        covariance: shape (..., n, n).
        slip_per_v: density of a reading that is a slip: it may be anything between the supply's
            volts and as many below nothing. [1/V]

    Returns:
        Shape (...,).
    """
    count = off.shape[-1]
    if count == 0:
        return np.zeros(off.shape[:-1])
    precision = np.asarray(np.linalg.inv(covariance))
    _, log_det = np.linalg.slogdet(covariance)
    weighted, own = _leave_one_out(precision, off)
    square = np.einsum("...i,...i->...", weighted, off)
    whole = -0.5 * (square + log_det + count * np.log(2.0 * np.pi))
    # what each reading is worth given all the others (Gaussian conditioning)
    given_rest = -0.5 * (weighted**2 / own - np.log(own) + np.log(2.0 * np.pi))
    slipped = whole[..., None] - given_rest + np.log(slip_per_v * SLIP / (1.0 - SLIP))
    every = np.concatenate([whole[..., None], slipped], axis=-1)
    most = every.max(axis=-1)
    total = most + np.log(np.exp(every - most[..., None]).sum(axis=-1))
    return np.asarray(total + count * np.log(1.0 - SLIP))


def worth_given_rest(off: FloatArray, covariance: FloatArray) -> FloatArray:
    """Logarithm of each reading's density given all the others, shape (n,).

    Args:
        off: measured less predicted, shape (n,).
        covariance: shape (n, n).
    """
    weighted, own = _leave_one_out(np.asarray(np.linalg.inv(covariance)), off)
    return np.asarray(-0.5 * (weighted**2 / own - np.log(own) + np.log(2.0 * np.pi)))


def _leave_one_out(precision: FloatArray, off: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Weighted offs `P·off`, and the precision of each reading given all the others."""
    return np.einsum("...ij,...j->...i", precision, off), np.einsum("...ii->...i", precision)


def slips(off: FloatArray, covariance: FloatArray, far_sd: float) -> FloatArray:
    """Which reading, if any, is so far from what all the others say that it must be a slip.

    Args:
        off: measured less predicted, shape (..., n).
        covariance: shape (n, n).
        far_sd: standard deviations that count as far.

    Returns:
        Place of that reading, or -1, shape (...,).
    """
    weighted, own = _leave_one_out(np.asarray(np.linalg.inv(covariance)), off)
    far = np.abs(weighted) / np.sqrt(own)
    worst = far.argmax(axis=-1)
    return np.where(np.take_along_axis(far, worst[..., None], -1)[..., 0] > far_sd, worst, -1)
