"""What counts as a reason for emergency access. The three words are our own policy; no standard gives a number."""

from __future__ import annotations

import pytest

from service.access.emergency import in_words


@pytest.mark.parametrize(
    ("given", "kept"),
    [
        ("  found   unconscious at home ", "found unconscious at home"),
        ("Airway emergency, no letter", "Airway emergency, no letter"),
        ("Sin conocimiento, sin carta", "Sin conocimiento, sin carta"),
    ],
)
def test_a_reason_is_words(given: str, kept: str) -> None:
    assert in_words(given) == kept


@pytest.mark.parametrize(
    "reason",
    [
        *("", "urgent", "a        b", "aaaaaaaaaa", "aaaa bbbb cccc dddd", "urgent urgent URGENT", "found unconscious"),
        *("x y z " * 5, "1234 5678 9012", "found un\x00conscious at home", "word " * 100 + "other third"),
    ],
)
def test_what_says_nothing_is_no_reason(reason: str) -> None:
    with pytest.raises(ValueError, match="in words"):
        in_words(reason)
