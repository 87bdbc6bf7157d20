"""Whether a code is a unit of UCUM, case sensitive (https://ucum.org/ucum, the grammar of terms)."""

from __future__ import annotations

import json
import re
from functools import cache, lru_cache
from pathlib import Path

_PIECE = re.compile(
    r"(?P<open>\()|(?P<close>\))|(?P<sign>[./])|(?P<unit>(?:\[[^\]]*\]|[^\s./(){}\[\]])+)?(?P<note>\{[!-z|~ ]*\})?"
)
_EXPONENT = re.compile(r"(.*?[^\d+-])[+-]?\d+")


@cache
def _atoms() -> tuple[frozenset[str], frozenset[str], tuple[str, ...]]:
    held = json.loads((Path(__file__).parent / "ucum.json").read_text(encoding="utf-8"))
    return frozenset(held["metric"]), frozenset(held["others"]), tuple(held["prefixes"])


@lru_cache(maxsize=1024)
def is_unit(code: str) -> bool:
    """Whether a code is a UCUM term: unit atoms with prefixes and exponents, multiplied or divided."""
    depth, at, needs_unit = 0, 0, True
    while at < len(code):
        piece = _PIECE.match(code, at)
        if not piece or piece.end() == at:
            return False
        at = piece.end()
        if piece["open"]:
            if not needs_unit:
                return False
            depth += 1
        elif piece["close"]:
            depth -= 1
            if needs_unit or depth < 0:
                return False
        elif piece["sign"]:
            if needs_unit and not (piece["sign"] == "/" and at == 1):
                return False
            needs_unit = True
        elif not needs_unit or (piece["unit"] and not _is_simple(piece["unit"])):
            return False
        else:
            needs_unit = False
    return depth == 0 and not needs_unit


def _is_simple(unit: str) -> bool:
    """A number, or an atom with a prefix and an exponent."""
    if unit.isascii() and unit.isdigit():
        return True
    if _is_atom(unit):
        return True
    raised = _EXPONENT.fullmatch(unit)
    return raised is not None and _is_atom(raised[1])


def _is_atom(unit: str) -> bool:
    metric, others, prefixes = _atoms()
    if unit in metric or unit in others:
        return True
    return any(unit.startswith(p) and unit[len(p) :] in metric for p in prefixes)
