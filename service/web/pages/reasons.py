"""Decisions as a page shows them: each reason with its value, threshold, mark, source and inputs."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable
from decimal import Decimal
from typing import Any

from service.fhir.build import unit_words
from service.rules.words import number, percent, rounded

_MARKS = {
    "published": "published",
    "quoted": "read in a page quoting the source",
    "from memory": "from memory, not verified",
    "policy": "our default, no published value found",
    "common practice": "common practice, no source",
}
_FIRST = {"unmet": 0, "attention": 0, "unknown": 1, "met": 2}
_NO_SOURCE = ("none", "none found", "none verified")


def outcome_shown(decision: dict[str, Any]) -> dict[str, Any]:
    """What a decision came to, and how many of its reasons came out how."""
    return {
        "outcome": decision["outcome"],
        "sentence": decision["sentence"],
        "as_of": decision["as_of"],
        "counts": counts_of(decision["criteria"]),
    }


def decision_shown(decision: dict[str, Any]) -> dict[str, Any]:
    """The same with its reasons: first what is not met, then what is not known, then what is met."""
    known = thresholds_shown(decision["thresholds"])
    return {**outcome_shown(decision), "reasons": reasons_shown(decision["criteria"], known)}


def counts_of(criteria: Iterable[dict[str, Any]]) -> str:
    """How many reasons came out how: `1 not met, 2 not known, 6 met`."""
    ordered = sorted(criteria, key=lambda c: _FIRST[c["status"]])
    return ", ".join(f"{amount} {words}" for words, amount in Counter(c["standing"] for c in ordered).items())


def reasons_shown(criteria: Iterable[dict[str, Any]], known: dict[str, dict[str, str]]) -> list[dict[str, Any]]:
    """Each criterion with what it was compared with, those first that keep the decision from being another."""
    return [
        {
            "title": c["title"],
            "status": c["status"],
            "standing": c["standing"],
            "sentence": c["sentence"],
            "notes": [c["cites"]] if c["cites"] else [],
            "observed": ", ".join(amount(m["value"], m["unit"]) for m in c["observed"]),
            "thresholds": [known[name] for name in c["thresholds"] if name in known],
            "inputs": c["inputs"],
            "earliest": c["earliest"],
            "needs": c["needs"],
        }
        for c in sorted(criteria, key=lambda c: _FIRST[c["status"]])
    ]


def thresholds_shown(held: Iterable[dict[str, Any]]) -> dict[str, dict[str, str]]:
    """Thresholds by name, each with its value, its meaning and how well it is supported."""
    return {t["name"]: _threshold(t) for t in held}


def _threshold(held: dict[str, Any]) -> dict[str, str]:
    source: str = "" if held["source"] in _NO_SOURCE else held["source"]
    by_default = held["set_by_site"] and held["default"] is not None
    return {
        "meaning": held["meaning"],
        "value": amount(held["value"], held["unit"]),
        "mark": "set by this site" if held["set_by_site"] else _MARKS.get(str(held["mark"]), ""),
        "source": source,
        "default": amount(held["default"], held["unit"]) if by_default else "",
    }


def cited(threshold: dict[str, str]) -> str:
    """A threshold's mark and source in one line."""
    source = f": {threshold['source']}" if threshold["source"] else ""
    default = f"; by default {threshold['default']}" if threshold["default"] else ""
    return f"{threshold['mark']}{source}{default}"


def amount(value: Any, unit: str) -> str:
    """A value as measured, to two decimals at most, and its unit; a share of 1 as per cent."""
    if unit == "1" and 0 < value < 1:
        return percent(Decimal(value))
    words = unit_words(unit).strip("{}")
    return f"{number(rounded(Decimal(value), '0.01'))} {words}".strip()
