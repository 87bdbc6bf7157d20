"""What a message may not say of its case: facts of the future, beyond the appliance, outside scope."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from datetime import date, datetime
from typing import Any, TypeVar

from service.errors import Category, Problem, Refused
from service.fhir.build import SHARED, Resource
from service.fhir.dates import is_future, moment_of
from service.fhir.read_facts import StoredFact, assemble, read
from service.fhir.reading import Small
from service.pipeline.identify import Identified
from service.rules.arrival import (
    outside_scope,
    setting_remarks,
    why_closure_refused,
    why_setting_refused,
    why_start_refused,
)
from service.rules.facts import CaseFacts
from service.rules.thresholds import Thresholds

_EFFECTIVE = {
    "Observation": "effectiveDateTime",
    "DiagnosticReport": "effectiveDateTime",
    "QuestionnaireResponse": "authored",
    "ServiceRequest": "authoredOn",
}
_OTHER_DAYS = ("visited_on", "onset", "ended_on", "resolved_on", "delivered_on", "asked_on", "answered_on")


_Told = TypeVar("_Told", bound=Any)


def read_all(items: Sequence[Identified], plain: bool, today: date, now: datetime) -> dict[str, Small | None]:
    """The facts of every resource to be written, by reference. Refused with every problem found."""
    problems: list[Problem] = []
    found: dict[str, Small | None] = {}
    for item in items:
        if not item.written or item.draft.type in SHARED:
            continue
        small, wrong = read(item.resource, item.draft.path or item.draft.type)
        if plain:
            wrong = [Problem(p.category, p.message, item.draft.path) for p in wrong]
        problems.extend(wrong)
        if item.draft.parent is None:
            problems.extend(_of_the_future(item, small, today, now))
        found[item.reference] = small
    if problems:
        raise Refused(list(dict.fromkeys(problems)))
    return found


def _of_the_future(item: Identified, small: Small | None, today: date, now: datetime) -> list[Problem]:
    element = _EFFECTIVE.get(item.draft.type)
    texts: list[Any] = [item.resource.get(element)] if element else []
    texts += [small.get(key) for key in _OTHER_DAYS] if small else []
    for text in texts:
        try:
            if text and is_future(str(text), today, now):
                sentence = f"{text} lies in the future (today is {today.isoformat()})."
                return [Problem(Category.BUSINESS_RULE, sentence, item.draft.date_path or item.draft.path)]
        except ValueError:
            continue
    return []


def check_day(text: str, path: str, today: date, now: datetime) -> None:
    """Refused when a day or time lies in the future."""
    if is_future(text, today, now):
        sentence = f"{text} lies in the future (today is {today.isoformat()})."
        raise Refused(Problem(Category.BUSINESS_RULE, sentence, path))


def check_case(
    items: Sequence[Identified], before: Sequence[StoredFact], after: Sequence[StoredFact], thresholds: Thresholds
) -> tuple[CaseFacts, list[str]]:
    """The facts of the case with this message in it, and what is remarked on. Refused for what cannot be true of it."""
    facts = assemble(after)
    known = {f.source for f in before}
    paths = {i.reference: i.draft.path for i in items}
    problems: list[Problem] = []
    remarks: list[str] = []

    def new(told: Iterable[_Told]) -> list[_Told]:
        return [f for f in told if f.source not in known and f.source.reference in paths]

    def refused(fact: Any, why: str | None) -> None:
        if why:
            problems.append(Problem(Category.BUSINESS_RULE, why, paths[fact.source.reference]))

    for setting in new(facts.settings):
        refused(setting, why_setting_refused(facts, setting, thresholds))
        remarks.extend(setting_remarks(facts, setting, thresholds))
    for measured in (*new(facts.appliances), *new(facts.assessments)):
        refused(measured, why_start_refused(facts, measured, thresholds))
    for closed in (*new(facts.red_flags), *new(facts.red_flag_closures)):
        refused(closed, why_closure_refused(closed))
    if problems:
        raise Refused(list(dict.fromkeys(problems)))
    return facts, remarks


def check_age(patient: Resource, referral: Resource, path: str, thresholds: Thresholds) -> str:
    """The patient's birth date, empty when it is not told to the day. Refused unless an adult when referred."""
    try:
        born, referred = moment_of(patient.get("birthDate")).day, moment_of(referral.get("authoredOn")).day
    except ValueError:
        return ""
    why = outside_scope(born, referred, thresholds)
    if why:
        raise Refused(Problem(Category.BUSINESS_RULE, why, path))
    return born.isoformat()
