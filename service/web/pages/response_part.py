"""A response as pages and papers show it: the class or why there is none, what was found and who acts, what to consider.

Whatever stands in one place of it is not said again in another.
"""

from __future__ import annotations

from collections.abc import Iterable
from typing import Any

from service.rules.course import Course
from service.rules.sleep_test import SleepTest
from service.rules.words import number, spoken
from service.web.pages.reasons import amount, counts_of, reasons_shown, thresholds_shown
from service.web.pages.tests_chart import tests_chart

_ASKED = {
    "dentist": "Asked of the dental office",
    "physician": "Asked of the physician",
    "sleep lab": "Asked of the laboratory",
    "patient": "Asked of the patient",
}
_UNTOLD = "–"


def response_shown(response: dict[str, Any], course: Course, questions: Iterable[dict[str, Any]]) -> dict[str, Any]:
    """A response for a page; `questions` are those of the case, which it leaves to their own list."""
    before, after = _tests_of(course)
    certainty, why = response["certainty"], _why_withheld(response)
    asked = {q["sentence"] for q in questions}
    told = [f for f in response["findings"] if f["sentence"] != why and f["sentence"] not in asked]
    said = [f["sentence"] for f in response["findings"]]
    return {
        "outcome": headline(response),
        "why": _continued(why),
        "sentence": _without(response["sentence"], why),
        "as_of": response["as_of"],
        "own_reading": response["own_reading"],
        "findings": [{"sentence": f["sentence"], "who": _who(f), "is_alarm": f["weight"] == "alarm"} for f in told],
        "differences": [r for r in response["remarks"] if r not in said],
        "reasons": reasons_shown(response["criteria"], thresholds_shown(response["thresholds"])),
        "counts": counts_of(response["criteria"]),
        "is_withheld": bool(why),
        "disagreement": response["disagreement"],
        "relapse": response["relapse"],
        "notes": [*certainty["sentences"], *(m["sentence"] for m in response["measures"]), response["wear"]],
        "cautions": response["cautions"],
        "caution_sources": response["cites"],
        "suggestions": suggestions_shown(response),
        "table": _side_by_side(response, before, after),
        "chart": tests_chart(before, after, certainty) if before and after else None,
    }


def headline(response: dict[str, Any]) -> str:
    """The class in words, or that there is none."""
    if response["outcome"] == "withheld":
        return "No class"
    words = spoken(response["outcome"])
    if response["outcome"] != "non-response":
        words += " response"
    return f"At least {words}" if response["at_least"] else words[:1].upper() + words[1:]


def suggestions_shown(response: dict[str, Any]) -> list[dict[str, str]]:
    """What may be considered, who does it and by when, without the findings that stand above it."""
    found: list[dict[str, str]] = []
    for suggested in response["suggestions"]:
        sentence = suggested["sentence"]
        for finding in response["findings"]:
            sentence = sentence.replace(f" {finding['sentence']}", "")
        found.append({"sentence": sentence, "who": _who(suggested)})
    return found


def questions_shown(questions: Iterable[dict[str, Any]]) -> list[tuple[str, list[str]]]:
    """What is asked, by the party it is asked of."""
    by_party: dict[str, list[str]] = {}
    for question in questions:
        by_party.setdefault(_ASKED.get(question["party"], "Asked"), []).append(question["sentence"])
    return list(by_party.items())


def _why_withheld(response: dict[str, Any]) -> str:
    """The sentence of the finding that makes the headline of a withheld class; empty when there is a class."""
    causes = response["withheld_for"]
    return next((f["sentence"] for f in response["findings"] if causes and f["withholds_for"] == causes[0]), "")


def _without(sentence: str, why: str) -> str:
    """The sentence on a test without what its headline says."""
    return sentence.replace(f" {why}", "").removeprefix("No class of response: ") if why else sentence


def _continued(sentence: str) -> str:
    """A sentence that goes on after a colon."""
    return sentence[:1].lower() + sentence[1:] if sentence[1:2].islower() or sentence[1:2] == " " else sentence


def _who(item: dict[str, Any]) -> str:
    """Who acts, and how soon: `physician, within 7 days`; empty when nobody has to."""
    if item["party"] == "nobody":
        return ""
    days = item["within_days"]
    if days is None:
        return str(item["party"])
    soon = "today" if days == 0 else f"within {days} day{'' if days == 1 else 's'}"
    return f"{item['party']}, {soon}"


def _tests_of(course: Course) -> tuple[SleepTest | None, SleepTest | None]:
    """The baseline and the efficacy test that a response speaks of."""
    result = course.result
    return (result.baseline, result.test) if result else (course.baseline, None)


def _side_by_side(
    response: dict[str, Any], before: SleepTest | None, after: SleepTest | None
) -> list[tuple[str, str, str]]:
    """Rows of the tests: what was measured, before, and with the appliance."""
    if after is None:
        return []
    certainty = response["certainty"]
    rows = [
        (
            "Index, with the interval of its count",
            _index(before, certainty["index_before_per_hour"]),
            _index(after, certainty["index_after_per_hour"]),
        ),
        ("Severity", response["severity_before"] or _UNTOLD, response["severity_after"] or _UNTOLD),
        ("Hypopnoea rule", before.hypopnoea_rule.value if before else _UNTOLD, after.hypopnoea_rule.value),
        ("Place", _place(before), _place(after)),
    ]
    rows += [
        (m["title"], amount(m["before"], m["unit"]), amount(m["after"], m["unit"]))
        for m in response["measures"]
        if m["before"] is not None and m["after"] is not None
    ]
    return rows


def _index(test: SleepTest | None, pair: Any) -> str:
    if test is None:
        return "no test on record"
    if test.index_per_hour is None or test.index_name is None:
        return "no index told"
    told = f"{test.index_name} {number(test.index_per_hour)} per hour"
    return f"{told} ({_pair(pair)})" if pair else told


def _place(test: SleepTest | None) -> str:
    return test.place.value if test and test.place else _UNTOLD


def _pair(pair: Any) -> str:
    low, high = pair
    return f"{number(low)} to {number(high)}" if high is not None else f"{number(low)} or more"
