"""The note behind a reason: what it compares with, how well that is supported, and by what source."""

from __future__ import annotations

from service.rules.threshold import Threshold
from service.rules.words import number


def threshold_note(threshold: Threshold) -> str:
    """One threshold in words: meaning, value, mark and source; a value of the site's is called so."""
    value = f"{number(threshold.value)} {threshold.unit}".removesuffix(" 1")
    support = threshold.cited if threshold.set_by_site else f"{threshold.mark.value}; {threshold.source}"
    return f"{threshold.meaning}: {value} ({support})"
