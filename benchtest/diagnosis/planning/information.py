"""Mutual information between the value of a reading and the fault.

The posterior is represented by samples, and a reading is Gaussian around its value under each.
"""

from __future__ import annotations

from collections.abc import Iterator
from typing import Protocol

import numpy as np
from numpy.typing import NDArray

from benchtest.circuit.netlist import FloatArray, IndexArray
from benchtest.diagnosis.planning.fault_samples import FaultSamples

BLOCK_ROWS = 64
"""Samples whose distances to all others are computed in one block."""


class SamplePredictions(Protocol):
    """Readings of all probes under each fault sample, in standard deviations of the probe."""

    def blocks(self) -> Iterator[tuple[slice, FloatArray]]:
        """Yield ranges of samples with all probes under them, shape (range, probes)."""
        ...

    def under(self, some: NDArray[np.intp], probes: IndexArray | slice = ...) -> FloatArray:
        """Return the given probes under the given samples, shape (some, probes)."""
        ...


class CandidateScreen:
    """Fast score of candidate readings: separation of the two likeliest faults from all others.

    The score of a probe is the sum over both faults and all samples of other faults of
    `w_fault * w_sample * d² / 4`, with d the distance in standard deviations and `d² / 4` limited
    to `-ln w_sample`: more distance cannot remove more weight. It only orders candidates.
    """

    def __init__(self, samples: FaultSamples) -> None:
        weights: dict[int, float] = {}
        for fault, weight in zip(samples.fault_id.tolist(), samples.weight.tolist(), strict=True):
            weights[fault] = weights.get(fault, 0.0) + weight
        likeliest = sorted(weights, key=lambda fault: (-weights[fault], fault))[:2]
        self._rows: list[tuple[int, FloatArray, FloatArray]] = []
        for fault in likeliest:
            own = np.flatnonzero(samples.fault_id == fault)
            center = int(own[np.argmax(samples.weight[own])])
            others = np.where(samples.fault_id == fault, 0.0, samples.weight)
            share = others * weights[fault] / 4.0
            self._rows.append((center, share, -4.0 * np.log(samples.weight)))

    def scores(self, predictions: SamplePredictions) -> FloatArray:
        """Return the score of each probe, shape (probes,).

        Scores are rounded, so that equal probes stay in their order.
        """
        centers = predictions.under(np.array([center for center, _, _ in self._rows]))
        total = np.zeros(centers.shape[1])
        for some, off_sd in predictions.blocks():
            for (_, share, limit), center in zip(self._rows, centers, strict=True):
                distance = off_sd - center
                distance *= distance
                np.minimum(distance, limit[some, None], out=distance)
                total += share[some] @ distance
        return np.round(total, 9)


def information_bits(off_sd: FloatArray, samples: FaultSamples) -> float:
    """Return the information of one candidate about the fault, at any resistance. [bit]

    Args:
        off_sd: predicted reading under each sample, in standard deviations, shape (samples,).
        samples: the fault samples.

    Source: entropy of a Gaussian mixture by pairwise distances, Kolchinsky and Tracey, Entropy
    19(7), 2017; the distance is half way between its bounds (`d²/4` between `d²/8` and `d²/2`).
    """
    one, other = samples.same_fault_pairs
    near = np.exp(-((off_sd[one] - off_sd[other]) ** 2) / 4.0)
    own = np.bincount(one, near * samples.weight[other], len(off_sd)) / samples.fault_weight
    return float(samples.weight @ np.log2(own / _density(off_sd, samples.weight)))


def _density(off_sd: FloatArray, weight: FloatArray) -> FloatArray:
    """Return the sum of `weight * exp(-d²/4)` over all samples, at each, shape (samples,).

    Distances are symmetric, so that only half of them are computed.
    """
    total = np.zeros(len(off_sd))
    for start in range(0, len(off_sd), BLOCK_ROWS):
        stop = min(start + BLOCK_ROWS, len(off_sd))
        near = off_sd[start:stop, None] - off_sd[start:]
        near *= near
        near *= -0.25
        np.exp(near, out=near)
        total[start:stop] += near @ weight[start:]
        total[stop:] += weight[start:stop] @ near[:, stop - start :]
    return total
