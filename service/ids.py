"""The form of identifiers that the service gives: time-ordered ids for resources, speakable numbers for cases."""

from __future__ import annotations

import uuid

_ALPHABET = "0123456789ABCDEFGHJKMNPQRSTVWXYZ"
_PRIMITIVE = 0b100101  # x^5 + x^2 + 1: the powers of x differ for up to 31 letters
RANDOM_BITS = 74


def id_of(milliseconds: int, drawn: int) -> str:
    """A time-ordered id (UUID version 7, RFC 9562) of a Unix time and 74 random bits: new rows land together in every index."""
    value = (milliseconds & ((1 << 48) - 1)) << 80 | 0x7 << 76 | (drawn >> 62 & 0xFFF) << 64
    value |= 0b10 << 62 | drawn & ((1 << 62) - 1)
    return str(uuid.UUID(int=value))


def case_number_of(drawn: int) -> str:
    """A case number of 45 random bits, to be read over the phone, e.g. `AR-7K3MQ-2XD5B`.

    It has no I, L, O or U, and its last letter is a check letter.
    """
    letters = [drawn >> 5 * place & 31 for place in range(9)]
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
