"""Ids sort by time; case numbers are speakable and catch a slip of the ear or the hand."""

from __future__ import annotations

import re
import secrets
import time
import uuid
from itertools import combinations

from service.ids import case_number_of, check_letter
from service.new_id import new_id

_ALPHABET = "0123456789ABCDEFGHJKMNPQRSTVWXYZ"


def _holds(letters: list[int]) -> bool:
    return check_letter(letters[:-1]) == letters[-1]


def _numbers(count: int) -> list[list[int]]:
    made = [[secrets.randbelow(32) for _ in range(9)] for _ in range(count)]
    return [[*letters, check_letter(letters)] for letters in made]


def test_ids_are_uuids_of_version_7_that_carry_the_time():
    before = time.time_ns() // 1_000_000
    made = [uuid.UUID(new_id()) for _ in range(200)]
    after = time.time_ns() // 1_000_000
    assert {(u.version, u.variant) for u in made} == {(7, uuid.RFC_4122)}
    assert all(before <= u.int >> 80 <= after for u in made)
    assert len(set(made)) == 200


def test_ids_of_later_milliseconds_sort_later():
    made: list[str] = []
    for _ in range(20):
        made.append(new_id())
        millisecond = time.time_ns() // 1_000_000
        while time.time_ns() // 1_000_000 == millisecond:
            pass
    assert made == sorted(made)


def test_case_numbers_use_letters_that_are_not_mistaken_and_end_in_a_check_letter():
    for _ in range(500):
        number = case_number_of(secrets.randbits(45))
        assert re.fullmatch(r"AR-[0-9A-HJKMNP-TV-Z]{5}-[0-9A-HJKMNP-TV-Z]{5}", number)
        assert _holds([_ALPHABET.index(letter) for letter in number[3:].replace("-", "")])


def test_the_check_letter_catches_every_single_wrong_letter():
    for letters in _numbers(50):
        for place in range(10):
            for wrong in set(range(32)) - {letters[place]}:
                assert not _holds([*letters[:place], wrong, *letters[place + 1 :]])


def test_the_check_letter_catches_any_two_different_letters_swapped():
    for letters in _numbers(500):
        for one, other in combinations(range(10), 2):
            if letters[one] != letters[other]:
                swapped = list(letters)
                swapped[one], swapped[other] = letters[other], letters[one]
                assert not _holds(swapped)


def test_every_pair_of_neighbouring_values_is_told_apart():
    for place in range(8):
        for left in range(32):
            for right in range(left):
                letters = [0] * 9
                letters[place], letters[place + 1] = left, right
                swapped = [0] * 9
                swapped[place], swapped[place + 1] = right, left
                assert check_letter(letters) != check_letter(swapped)
