"""Whether two streams hold the same keys, each as often, in memory of a fixed size."""

from __future__ import annotations

import hashlib

_BUCKETS = 1 << 16
_MODULUS = 1 << 128


class Tally:
    """Sums of the hashes of keys, in buckets: all sums are zero when what was added is what was taken away.

    That two different streams come out alike is as unlikely as a collision of 128 bits.
    """

    def __init__(self) -> None:
        self._sums = [0] * _BUCKETS

    def add(self, key: str) -> None:
        """A key of the first stream."""
        bucket, value = _place_of(key)
        self._sums[bucket] = (self._sums[bucket] + value) % _MODULUS

    def take(self, key: str) -> None:
        """A key of the second stream."""
        bucket, value = _place_of(key)
        self._sums[bucket] = (self._sums[bucket] - value) % _MODULUS

    @property
    def is_even(self) -> bool:
        """Whether both streams held the same."""
        return not any(self._sums)

    def is_doubtful(self, key: str) -> bool:
        """Whether a key may be one that the streams do not share."""
        return bool(self._sums[_place_of(key)[0]])


class Marks:
    """A set of keys that may say of a few others that they are in it: of one in a thousand when it holds 16,000."""

    def __init__(self) -> None:
        self._bits = bytearray(1 << 21)

    def add(self, key: str) -> None:
        """Put a key in."""
        byte, bit = self._place_of(key)
        self._bits[byte] |= bit

    def __contains__(self, key: str) -> bool:
        byte, bit = self._place_of(key)
        return bool(self._bits[byte] & bit)

    def _place_of(self, key: str) -> tuple[int, int]:
        number = _place_of(key)[1] % (len(self._bits) * 8)
        return number // 8, 1 << number % 8


def _place_of(key: str) -> tuple[int, int]:
    digest = hashlib.blake2b(key.encode(), digest_size=18).digest()
    return int.from_bytes(digest[:2], "big"), int.from_bytes(digest[2:], "big")
