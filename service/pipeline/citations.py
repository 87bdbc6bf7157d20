"""Sentences for people without the marks and sources inside them: these stand beside each reason, as notes."""

from __future__ import annotations

import re
from functools import lru_cache
from typing import Any

from service.rules.thresholds import Thresholds

_PAPER = re.compile(r" \(([^()]*\bdoi 10\.[^()]*)\)")
_KEPT = frozenset({"thresholds", "inputs", "reason", "values"})
"""Parts of a decision in which marks and sources are told by themselves, or nothing is a sentence."""


def uncited(data: Any, thresholds: Thresholds) -> Any:
    """The data of a case with sentences that cite nothing; a reason that named a paper has it in its `notes`."""
    return _walked(data, _marks(tuple(t.cited for t in thresholds.all())))


@lru_cache(maxsize=8)
def _marks(cited: tuple[str, ...]) -> re.Pattern[str]:
    either = "|".join(re.escape(c) for c in sorted(set(cited), key=len, reverse=True))
    return re.compile(rf" \((?:{either})\)|[;,] (?:{either})(?=\))")


def _walked(data: Any, marks: re.Pattern[str]) -> Any:
    if isinstance(data, str):
        return _PAPER.sub("", marks.sub("", data)) if "(" in data else data
    if isinstance(data, list):
        return [_walked(item, marks) for item in data]
    if not isinstance(data, dict):
        return data
    made = {name: value if name in _KEPT else _walked(value, marks) for name, value in data.items()}
    if "standing" in data:
        made["notes"] = _PAPER.findall(str(data.get("sentence", "")))
    if isinstance(data.get("cautions"), list):
        made["caution_sources"] = [paper for caution in data["cautions"] for paper in _PAPER.findall(caution)]
    return made
