"""Identifiers the store hands out: time-ordered ids for resources, speakable numbers for cases."""

from __future__ import annotations

import secrets
import time
import uuid

_ALPHABET = "0123456789ABCDEFGHJKMNPQRSTVWXYZ"
_PRIMITIVE = 0b100101  # x^5 + x^2 + 1: the powers of x differ for up to 31 letters


def new_id() -> str:
    """A time-ordered id (UUID version 7, RFC 9562): new rows land together in every index."""
    milliseconds = time.time_ns() // 1_000_000
    value = (milliseconds & ((1 << 48) - 1)) << 80 | 0x7 << 76 | secrets.randbits(12) << 64
    value |= 0b10 << 62 | secrets.randbits(62)
    return str(uuid.UUID(int=value))


def new_case_number() -> str:
    """A case number to be read over the phone, e.g. `AR-7K3MQ-2XD5B`: no I, L, O or U, the last a check letter."""
    letters = [secrets.randbelow(32) for _ in range(9)]
    text = "".join(_ALPHABET[n] for n in [*letters, check_letter(letters)])
    return f"AR-{text[:5]}-{text[5:]}"


def check_letter(letters: list[int]) -> int:
    """Check value over the letters' values: catches one wrong letter, and any two letters swapped.

    A sum in the field of 32 elements, each place with another power of x; no weights modulo 32 do both.
    """
    value = 0
    for letter in letters:
        value = (value ^ letter) << 1
        if value > 31:
            value ^= _PRIMITIVE
    return value
