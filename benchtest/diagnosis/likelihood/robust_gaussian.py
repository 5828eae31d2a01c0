"""The density of readings that share their causes, when any one of them may be a slip."""

from __future__ import annotations

import numpy as np

from benchtest.circuit.netlist import FloatArray

SLIP = 0.005
"""Probability that a reading is a slip: a misread digit, a lead on the wrong pad. Common practice,
no source."""


HIGH = 0.1
"""Chance that a reading across a healthy joint is of one in the long upper tail of its kind, which
a Gaussian does not have; and, as `HIGH_TIMES`, how far that tail goes, over the joint's mean. Of a
log-normal with factor 1.8 the two give the density from half its median to six times as much
within a factor of two."""
HIGH_TIMES = 1.6


def log_likelihood(
    off: FloatArray,
    covariance: FloatArray,
    slip_per_v: float = 0.1,
    across_v: FloatArray | None = None,
) -> FloatArray:
    """Logarithm of the density of readings that are `off`, any one of them perhaps a slip.

    Args:
        off: measured less predicted, shape (..., n).
        covariance: shape (..., n, n).
        slip_per_v: density of a reading that is a slip: it may be anything between the supply's
            volts and as many below nothing. [1/V]
        across_v: what is expected of each reading that is taken across one healthy joint, else 0,
            shape (..., n); None where there is none. [V]

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
    return _one_may_slip(weighted, own, square, log_det, slip_per_v, across_v)


def shifted_log_likelihood(
    off: FloatArray,
    precision: FloatArray,
    log_det: float,
    shift: FloatArray,
    scale_sd: FloatArray,
    slip_per_v: float = 0.1,
    across_v: FloatArray | None = None,
) -> FloatArray:
    """Return `log_likelihood` under shifts of the readings, each known to a share of itself.

    A shift that is known to a share adds one rank to the covariance, so that its inverse follows
    from the one without it (Sherman and Morrison).

    Args:
        off: measured less predicted without a shift, shape (n,).
        precision: inverse of the covariance without a shift, shape (n, n).
        log_det: logarithm of that covariance's determinant.
        shift: shape (shifts, n).
        scale_sd: standard deviation of each shift as a share of it, shape (shifts,).
        slip_per_v: see `log_likelihood`.
        across_v: likewise, shape (shifts, n).

    Returns:
        Shape (shifts,).
    """
    left = off - shift
    pressed = shift @ precision
    stiff = np.einsum("si,si->s", pressed, shift)
    less = scale_sd**2 / (1.0 + scale_sd**2 * stiff)
    weighted = off @ precision - pressed
    weighted -= (less * np.einsum("si,si->s", shift, weighted))[:, None] * pressed
    own = np.diag(precision) - less[:, None] * pressed**2
    square = np.einsum("si,si->s", weighted, left)
    dets = log_det + np.log1p(scale_sd**2 * stiff)
    return _one_may_slip(weighted, own, square, dets, slip_per_v, across_v)


def _one_may_slip(
    weighted: FloatArray,
    own: FloatArray,
    square: FloatArray,
    log_det: FloatArray,
    slip_per_v: float,
    across_v: FloatArray | None,
) -> FloatArray:
    """Return the density from what `_leave_one_out` gives, see `log_likelihood`."""
    count = weighted.shape[-1]
    whole = -0.5 * (square + log_det + count * np.log(2.0 * np.pi))
    # what each reading is worth given all the others (Gaussian conditioning)
    given_rest = -0.5 * (weighted**2 / own - np.log(own) + np.log(2.0 * np.pi))
    slipped = whole[..., None] - given_rest + np.log(slip_per_v * SLIP / (1.0 - SLIP))
    parts = [whole[..., None], slipped]
    if across_v is not None:
        # the same reading with the joint's long tail for its own part
        variance = 1.0 / own + (HIGH_TIMES * across_v) ** 2
        high = -0.5 * ((weighted / own) ** 2 / variance + np.log(variance) + np.log(2.0 * np.pi))
        tail = whole[..., None] - given_rest + high + np.log(HIGH / (1.0 - HIGH))
        parts.append(np.where(across_v == 0.0, -np.inf, tail))
    every = np.concatenate(parts, axis=-1)
    most = every.max(axis=-1)
    total = most + np.log(np.exp(every - most[..., None]).sum(axis=-1))
    if across_v is not None:
        total = total + (across_v != 0.0).sum(axis=-1) * np.log(1.0 - HIGH)
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
