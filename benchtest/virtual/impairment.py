"""A bad network for a virtual prop: packets that are lost, late or garbled, as a seed has it."""

from __future__ import annotations

import random
from dataclasses import dataclass, field

from benchtest.errors import InputError

_MAX_DELAY_S = 2.0


@dataclass
class NetworkImpairment:
    """What a network does to packets between sender and prop.

    Late ones overtake each other: each has a delay of its own, up to the most.
    """

    loss: float = 0.0
    """Share that never comes, 0 to 1."""
    corruption: float = 0.0
    """Share with one bit turned over, 0 to 1."""
    delay_s: float = 0.0
    """Most that one is late. [s]"""
    seed: int = 0
    _chance: random.Random = field(init=False)

    def __post_init__(self) -> None:
        """Begin with the seed.

        Raises:
            InputError: a share or a delay that is none.
        """
        for word, share in (("lose", self.loss), ("garble", self.corruption)):
            if not 0.0 <= share <= 1.0:
                raise InputError(f"--{word} {share:g}: give a share of the packets, 0 to 1")
        if not 0.0 <= self.delay_s <= _MAX_DELAY_S:
            raise InputError(f"--delay-ms {self.delay_s * 1e3:g}: give 0 to {_MAX_DELAY_S * 1e3:g}")
        self._chance = random.Random(self.seed)

    @property
    def is_perfect(self) -> bool:
        """True where nothing is done to any packet."""
        return self.loss == self.corruption == self.delay_s == 0.0

    def apply(self, octets: bytes) -> tuple[float, bytes] | None:
        """What becomes of a packet.

        Returns:
            How late it comes [s], and its octets; None where it is lost.

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
