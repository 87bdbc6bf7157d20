"""For each invariant that is not a mere bound or date: a right resource made to break it, and little else."""

from __future__ import annotations

import copy
from collections.abc import Callable
from typing import Any

from service.fhir.build import Resource
from service.fhir.check_in import CHOICES
from tests.reference.definitions.value_sets import MEASURES

_Break = Callable[[Resource], Any]


def broken(key: str, right: list[Resource]) -> Resource | None:
    """A copy of the first right resource that can be made to break the invariant; None when none can."""
    change = _BREAKS.get(key)
    if change is None:
        return None
    for resource in right:
        copied = copy.deepcopy(resource)
        try:
            change(copied)
        except (KeyError, StopIteration, IndexError):
            continue
        return copied
    return None


def _part(resource: Resource, code: str) -> Resource:
    return next(p for p in resource["component"] if p["code"]["coding"][0]["code"] == code)


def _item(resource: Resource, link: str) -> Resource:
    return next(i for i in resource["item"] if i["linkId"] == link)


def _drop_item(resource: Resource, link: str) -> None:
    resource["item"].remove(_item(resource, link))


def _purposes_twice(resource: Resource) -> None:
    held = resource["category"][0]
    other = "efficacy-test" if held["coding"][0]["code"] == "baseline-test" else "baseline-test"
    resource["category"].append({"coding": [{**held["coding"][0], "code": other, "display": other}]})


def _measure(code: str) -> _Break:
    def change(resource: Resource) -> None:
        if resource["code"]["coding"][0]["code"] != code:
            raise KeyError(code)
        wrong = "mm" if resource["valueQuantity"]["code"] == "kg" else "kg"
        resource["valueQuantity"] |= {"code": wrong, "unit": wrong}

    return change


def _early_end(part_code: str, before: str) -> _Break:
    def change(resource: Resource) -> None:
        _part(resource, part_code)["valueDateTime"] = before

    return change


def _early_use_end(resource: Resource) -> None:
    resource["timingPeriod"] = {**resource["timingPeriod"], "end": "2001-01-01"}


def _unversioned(resource: Resource) -> None:
    held = resource["derivedFrom"][0]
    held["reference"] = held["reference"].split("/_history/")[0]


def _unversioned_target(resource: Resource) -> None:
    held = resource["target"][0]
    held["reference"] = held["reference"].split("/_history/")[0]


def _without_first_goal_words(resource: Resource) -> None:
    resource["contained"][0]["description"] = {"coding": [{"system": "https://elsewhere.example", "code": "goal"}]}


def _without_decision(resource: Resource) -> None:
    held = [r for r in resource["supportingInfo"] if not r["reference"].endswith("-readiness")]
    resource["supportingInfo"] = [*held, held[0]]


def _another_word(link: str) -> _Break:
    def change(resource: Resource) -> None:
        _item(resource, link)["answer"][0].update(valueString="neighbour")

    return change


def _too_long(code: str) -> _Break:
    def change(resource: Resource) -> None:
        _part(resource, code).update(valueString="a" * 501)

    return change


_WORDED = ("setting-reason", "no-further-reason", "closed-by", "action-taken")
_LONG_AGO = "2001-01-01T00:00:00Z"
_BREAKS: dict[str, _Break] = {
    "patient-name": lambda r: r.update(name=[{"text": "nobody"}]),
    "task-times": lambda r: r.update(lastModified=_LONG_AGO),
    "task-reason": lambda r: (r.pop("statusReason"), r.update(status="on-hold")),
    "task-output": lambda r: r.pop("output"),
    "cancellation-reason": lambda r: (r.pop("statusReason"), r.update(status="rejected")),
    "documentation-told": lambda r: r.pop("component"),
    "proposal-never-ordered": lambda r: r.update(status="active"),
    "test-purpose": _purposes_twice,
    "test-results": lambda r: (r.pop("result"), r.update(status="final")),
    **{f"measure-{code}": _measure(code) for code in MEASURES},
    "range-above-zero": lambda r: _part(r, "protrusive-range")["valueQuantity"].update(value=0),
    "use-start-day": lambda r: r["timingPeriod"].update(start="2026-03"),
    "use-ends-after": _early_use_end,
    "check-in-questionnaire": lambda r: r.update(questionnaire="https://elsewhere.example/Questionnaire/check-in"),
    "check-in-answers": lambda r: r.update(item=[_item(r, "reported-by")]),
    "check-in-nights": lambda r: _drop_item(r, "nights-reported"),
    "check-in-nights-worn": lambda r: _item(r, "nights-worn")["answer"][0].update(valueInteger=31),
    "check-in-hours": lambda r: (
        _item(r, "hours-per-night"),
        _drop_item(r, "nights-worn"),
        _drop_item(r, "nights-reported"),
    ),
    **{f"answer-{link}": _another_word(link) for link in CHOICES},
    "check-in-changes": lambda r: _item(r, "health-changes").update(answer=_item(r, "health-changes")["answer"] * 2),
    **{f"{code}-text": _too_long(code) for code in _WORDED},
    "wear-nights": lambda r: _part(r, "nights-worn").update(valueInteger=31),
    "side-effect-kind": lambda r: r.update(
        valueCodeableConcept={"coding": [{"system": "https://elsewhere.example", "code": "pain"}]}
    ),
    "side-effect-ends-after": _early_end("end", "2001-01-01"),
    "red-flag-ends-after": _early_end("end", "2001-01-01"),
    "inputs-versioned": _unversioned,
    "plan-goals": _without_first_goal_words,
    "plan-decision": _without_decision,
    "run-module": lambda r: r.update(moduleUri="https://elsewhere.example/rule"),
    "run-data-required": lambda r: r.pop("dataRequirement"),
    "run-status": lambda r: r.update(status="in-progress"),
    "provenance-versioned": _unversioned_target,
    "audit-query": lambda r: r["entity"][0].update(query="YQ=="),
    "audit-emergency": lambda r: r.update(purposeOfEvent=[{"coding": [{"code": "BTG"}]}]),
}
