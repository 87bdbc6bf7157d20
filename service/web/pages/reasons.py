"""Decisions and responses as a page shows them: each reason with its value, threshold, mark, source and inputs."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable
from decimal import Decimal
from typing import Any

from service.fhir.build import unit_words
from service.rules.course import Course
from service.rules.kinds import TestPurpose
from service.rules.sleep_test import SleepTest
from service.rules.words import number, percent, rounded
from service.web.pages.tests_chart import tests_chart

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
        "counts": _counts(decision["criteria"]),
    }


def decision_shown(decision: dict[str, Any]) -> dict[str, Any]:
    """The same with its reasons: first what is not met, then what is not known, then what is met."""
    known = {t["name"]: _threshold(t) for t in decision["thresholds"]}
    return {**outcome_shown(decision), "reasons": reasons_shown(decision["criteria"], known)}


def _counts(criteria: Iterable[dict[str, Any]]) -> str:
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
            "observed": ", ".join(_amount(m["value"], m["unit"]) for m in c["observed"]),
            "thresholds": [known[name] for name in c["thresholds"] if name in known],
            "inputs": c["inputs"],
            "earliest": c["earliest"],
            "needs": c["needs"],
        }
        for c in sorted(criteria, key=lambda c: _FIRST[c["status"]])
    ]


def _threshold(held: dict[str, Any]) -> dict[str, str]:
    source: str = "" if held["source"] in _NO_SOURCE else held["source"]
    by_default = held["set_by_site"] and held["default"] is not None
    return {
        "meaning": held["meaning"],
        "value": _amount(held["value"], held["unit"]),
        "mark": "set by this site" if held["set_by_site"] else _MARKS.get(str(held["mark"]), ""),
        "source": source,
        "default": _amount(held["default"], held["unit"]) if by_default else "",
    }


def cited(threshold: dict[str, str]) -> str:
    """A threshold's mark and source in one line."""
    source = f": {threshold['source']}" if threshold["source"] else ""
    default = f"; by default {threshold['default']}" if threshold["default"] else ""
    return f"{threshold['mark']}{source}{default}"


def _amount(value: Any, unit: str) -> str:
    """A value as measured, to two decimals at most, and its unit; a share of 1 as per cent."""
    if unit == "1" and 0 < value < 1:
        return percent(Decimal(value))
    words = unit_words(unit).strip("{}")
    return f"{number(rounded(Decimal(value), '0.01'))} {words}".strip()


def response_shown(response: dict[str, Any], course: Course) -> dict[str, Any]:
    """A response: the tests side by side, the three published criteria, what is uncertain, what to consider."""
    known = {t["name"]: _threshold(t) for t in response["thresholds"]}
    before, after = _tests_of(course)
    certainty = response["certainty"]
    notes = [*response["remarks"], *certainty["sentences"], *(m["sentence"] for m in response["measures"])]
    return {
        "outcome": response["outcome"],
        "sentence": response["sentence"],
        "as_of": response["as_of"],
        "severity": (response["severity_before"], response["severity_after"]),
        "reasons": reasons_shown(response["criteria"], known),
        "counts": _counts(response["criteria"]),
        "disagreement": response["disagreement"],
        "relapse": response["relapse"],
        "wear": response["wear"],
        "notes": notes,
        "cautions": response["cautions"],
        "suggestions": [s["sentence"] for s in response["suggestions"]],
        "table": _side_by_side(response, course),
        "chart": tests_chart(before, after, certainty) if before and after else None,
    }


def _tests_of(course: Course) -> tuple[SleepTest | None, SleepTest | None]:
    """The baseline and the efficacy test that a response speaks of."""
    result = course.result
    return (result.baseline, result.test) if result else (course.baseline, None)


def _side_by_side(response: dict[str, Any], course: Course) -> list[tuple[str, str, str]]:
    """Rows of the tests: what was measured, before, and with the appliance."""
    before, after = _tests_of(course)
    if before is None or after is None:
        return []
    certainty = response["certainty"]

    def index(test: Any, pair: Any) -> str:
        told = f"{test.index_name} {number(test.index_per_hour)} per hour"
        return f"{told} ({_pair(pair)})" if pair else told

    rows = [
        ("Test", TestPurpose.BASELINE.value, TestPurpose.EFFICACY.value),
        (
            "Index, with the interval of its count",
            index(before, certainty["index_before_per_hour"]),
            index(after, certainty["index_after_per_hour"]),
        ),
        ("Severity", response["severity_before"], response["severity_after"]),
        ("Hypopnoea rule", before.hypopnoea_rule.value, after.hypopnoea_rule.value),
        ("Place", before.place.value if before.place else "not told", after.place.value if after.place else "not told"),
    ]
    rows += [
        (m["title"], _amount(m["before"], m["unit"]), _amount(m["after"], m["unit"]))
        for m in response["measures"]
        if m["before"] is not None and m["after"] is not None
    ]
    return rows


def _pair(pair: Any) -> str:
    low, high = pair
    return f"{number(low)} to {number(high)}" if high is not None else f"{number(low)} or more"
