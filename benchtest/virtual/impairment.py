"""Seeded packet loss, delay and corruption for the virtual prop."""

from __future__ import annotations

import random
from dataclasses import dataclass, field

from benchtest.errors import InputError

_MAX_DELAY_S = 2.0


@dataclass
class NetworkImpairment:
    """Impairment of a network between sender and prop.

    Delays reorder packets: each has its own, up to the largest.
    """

    loss: float = 0.0
    """Share of packets lost, 0 to 1."""
    corruption: float = 0.0
    """Share of packets with one bit inverted, 0 to 1."""
    delay_s: float = 0.0
    """Largest delay. [s]"""
    seed: int = 0
    _chance: random.Random = field(init=False)

    def __post_init__(self) -> None:
        """Start from the seed.

        Raises:
            InputError: a share or the delay is out of range.
        """
        for word, share in (("lose", self.loss), ("garble", self.corruption)):
            if not 0.0 <= share <= 1.0:
                raise InputError(f"--{word} {share:g}: give a share of the packets, 0 to 1")
        if not 0.0 <= self.delay_s <= _MAX_DELAY_S:
            raise InputError(f"--delay-ms {self.delay_s * 1e3:g}: give 0 to {_MAX_DELAY_S * 1e3:g}")
        self._chance = random.Random(self.seed)

    @property
    def is_perfect(self) -> bool:
        """True if no packet is changed."""
        return self.loss == self.corruption == self.delay_s == 0.0

    def apply(self, octets: bytes) -> tuple[float, bytes] | None:
        """Apply the impairment to one packet.

        Returns:
            Delay [s] and octets; None if the packet is lost.

        >>> NetworkImpairment(loss=1.0).apply(b"frame"), NetworkImpairment().apply(b"frame")
        (None, (0.0, b'frame'))
        """
        lost, hurt, late = (self._chance.random() for _ in range(3))
        if lost < self.loss:
            return None
        if hurt < self.corruption and octets:
            place = self._chance.randrange(8 * len(octets))
            damaged = bytearray(octets)
            damaged[place // 8] ^= 1 << place % 8
            octets = bytes(damaged)
        return late * self.delay_s, octets
