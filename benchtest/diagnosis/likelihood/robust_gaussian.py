"""Gaussian density of correlated readings, robust to one slip and to long-tailed joints."""

from __future__ import annotations

import numpy as np

from benchtest.circuit.netlist import FloatArray

SLIP_PROBABILITY = 0.005
"""Probability that a reading is a slip: a misread digit, a lead on the wrong pad. Common practice,
no source."""


HIGH_JOINT_PROBABILITY = 0.1
"""Probability that a reading across a healthy joint is from the long upper tail of its kind, which
a Gaussian lacks; and the standard deviation of that tail over the joint's mean. For a log-normal
with factor 1.8 the two give the density from half its median to six times as much within a factor
of two."""
HIGH_JOINT_RATIO = 1.6


def log_likelihood(
    off: FloatArray,
    covariance: FloatArray,
    slip_per_v: float = 0.1,
    across_v: FloatArray | None = None,
) -> FloatArray:
    """Return the log density of readings with given residuals, of which any one may be a slip.

    With `N` the Gaussian of all readings, `p` the probability of a slip, `s` its density and `N_i`
    the density of reading `i` given the others, the density is `(1 - p)^n N (1 + Σ_i p s / ((1 - p)
    N_i))`. A reading across a healthy joint adds a term of the same form with the wider variance of
    the joint's upper tail.

    Args:
        off: measured less predicted, shape (..., n). [V]
        covariance: shape (..., n, n). [V²]
        slip_per_v: density of a slip, uniform from minus to plus the supply's voltage. [1/V]
        across_v: expected drop for each reading across one healthy joint, else 0, shape (..., n);
            None if there is no such reading. [V]

    Returns:
        Shape (...,).
    """
    count = off.shape[-1]
    if count == 0:
        return np.zeros(off.shape[:-1])
    precision = np.asarray(np.linalg.inv(covariance))
    _, log_det = np.linalg.slogdet(covariance)
    weighted, own_precision = _leave_one_out(precision, off)
    square = np.einsum("...i,...i->...", weighted, off)
    return _one_may_slip(weighted, own_precision, square, log_det, slip_per_v, across_v)


def shifted_log_likelihood(
    off: FloatArray,
    precision: FloatArray,
    log_det: float,
    shift: FloatArray,
    scale_sd: FloatArray,
    slip_per_v: float = 0.1,
    across_v: FloatArray | None = None,
) -> FloatArray:
    """Return `log_likelihood` for several shifts of the mean, each with a relative uncertainty.

    A shift with a relative uncertainty adds one rank to the covariance, so the inverse follows from
    the one without it.

    Args:
        off: measured less predicted without a shift, shape (n,). [V]
        precision: inverse of the covariance without a shift, shape (n, n).
        log_det: logarithm of that covariance's determinant.
        shift: shape (shifts, n). [V]
        scale_sd: standard deviation of each shift as a share of it, shape (shifts,).
        slip_per_v: see `log_likelihood`. [1/V]
        across_v: see `log_likelihood`, shape (shifts, n). [V]

    Returns:
        Shape (shifts,).

    Source: Sherman and Morrison, Annals of Mathematical Statistics 21(1), 1950.
    """
    residual = off - shift
    weighted_shift = shift @ precision
    square_shift = np.einsum("si,si->s", weighted_shift, shift)
    reduction = scale_sd**2 / (1.0 + scale_sd**2 * square_shift)
    weighted = off @ precision - weighted_shift
    weighted -= (reduction * np.einsum("si,si->s", shift, weighted))[:, None] * weighted_shift
    own_precision = np.diag(precision) - reduction[:, None] * weighted_shift**2
    square = np.einsum("si,si->s", weighted, residual)
    dets = log_det + np.log1p(scale_sd**2 * square_shift)
    return _one_may_slip(weighted, own_precision, square, dets, slip_per_v, across_v)


def _one_may_slip(
    weighted: FloatArray,
    own_precision: FloatArray,
    square: FloatArray,
    log_det: FloatArray,
    slip_per_v: float,
    across_v: FloatArray | None,
) -> FloatArray:
    """Return the density of `log_likelihood` from the results of `_leave_one_out`."""
    count = weighted.shape[-1]
    whole = -0.5 * (square + log_det + count * np.log(2.0 * np.pi))
    # density of each reading given all others (Gaussian conditioning)
    given_rest = -0.5 * (weighted**2 / own_precision - np.log(own_precision) + np.log(2.0 * np.pi))
    slipped = (
        whole[..., None]
        - given_rest
        + np.log(slip_per_v * SLIP_PROBABILITY / (1.0 - SLIP_PROBABILITY))
    )
    terms = [whole[..., None], slipped]
    if across_v is not None:
        # the same reading with the variance of the joint's upper tail
        variance = 1.0 / own_precision + (HIGH_JOINT_RATIO * across_v) ** 2
        high = -0.5 * (
            (weighted / own_precision) ** 2 / variance + np.log(variance) + np.log(2.0 * np.pi)
        )
        tail = (
            whole[..., None]
            - given_rest
            + high
            + np.log(HIGH_JOINT_PROBABILITY / (1.0 - HIGH_JOINT_PROBABILITY))
        )
        terms.append(np.where(across_v == 0.0, -np.inf, tail))
    logs = np.concatenate(terms, axis=-1)
    largest = logs.max(axis=-1)
    total = largest + np.log(np.exp(logs - largest[..., None]).sum(axis=-1))
    if across_v is not None:
        total = total + (across_v != 0.0).sum(axis=-1) * np.log(1.0 - HIGH_JOINT_PROBABILITY)
    return np.asarray(total + count * np.log(1.0 - SLIP_PROBABILITY))


def conditional_log_density(off: FloatArray, covariance: FloatArray) -> FloatArray:
    """Return the log density of each reading given all others, shape (n,).

    Args:
        off: measured less predicted, shape (n,). [V]
        covariance: shape (n, n). [V²]

    Source: Rasmussen and Williams, Gaussian Processes for Machine Learning, 5.4.2.
    """
    weighted, own_precision = _leave_one_out(np.asarray(np.linalg.inv(covariance)), off)
    return np.asarray(
        -0.5 * (weighted**2 / own_precision - np.log(own_precision) + np.log(2.0 * np.pi))
    )


def _leave_one_out(precision: FloatArray, off: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Return weighted residuals `P·r` and the precision of each reading given all others.

    Reading `i` lies `(P·r)_i / P_ii` from its conditional mean, with variance `1 / P_ii`.
    """
    return np.einsum("...ij,...j->...i", precision, off), np.einsum("...ii->...i", precision)


def slips(off: FloatArray, covariance: FloatArray, far_sd: float) -> FloatArray:
    """Return the reading, if any, that is too far from the prediction by all others.

    Args:
        off: measured less predicted, shape (..., n). [V]
        covariance: shape (n, n). [V²]
        far_sd: distance from which a reading is a slip. [SD]

    Returns:
        Index of the worst such reading, or -1, shape (...,).
    """
    weighted, own_precision = _leave_one_out(np.asarray(np.linalg.inv(covariance)), off)
    far = np.abs(weighted) / np.sqrt(own_precision)
    worst = far.argmax(axis=-1)
    return np.where(np.take_along_axis(far, worst[..., None], -1)[..., 0] > far_sd, worst, -1)
