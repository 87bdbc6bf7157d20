"""What a resource reports of days that have not come: facts are of the past, plans are not."""

from __future__ import annotations

from datetime import date, datetime

from service.fhir.build import Resource
from service.fhir.dates import is_future
from service.fhir.facts.fact import Fact, Unread
from service.fhir.facts.referral import CancellationFact, EvaluationFact
from service.fhir.facts.treatment import ApplianceUseFact, RedFlagFact, SideEffectFact, VisitFact
from service.fhir.read_facts import reported_by

_EFFECTIVE = {
    "Observation": "effectiveDateTime",
    "DiagnosticReport": "effectiveDateTime",
    "QuestionnaireResponse": "authored",
    "ServiceRequest": "authoredOn",
}


def future_day_in(resource: Resource, fact: Fact | None, today: date, now: datetime) -> str:
    """The first day or time in the future that a resource reports as a fact; empty when there is none.

    `fact` is the fact in it, None when it could not be read.
    """
    texts = [resource.get(_EFFECTIVE.get(resource["resourceType"], ""))]
    texts += [day.isoformat() for day in (_other_days(fact) if fact else _days_of_unread(resource)) if day]
    for text in texts:
        try:
            if text and is_future(str(text), today, now):
                return str(text)
        except ValueError:
            continue
    return ""


def _days_of_unread(resource: Resource) -> tuple[date, ...]:
    reported = reported_by(resource)
    return reported.days if isinstance(reported, Unread) else ()


def _other_days(fact: Fact) -> tuple[date | None, ...]:
    """The days of a fact beside that of its resource; what is planned is not among them."""
    match fact:
        case VisitFact() | EvaluationFact():
            return (fact.visited_on,)
        case SideEffectFact():
            return (fact.onset, fact.ended_on)
        case RedFlagFact():
            return (fact.resolved_on,)
        case ApplianceUseFact():
            return (fact.ended_on, fact.delivered_on)
        case CancellationFact():
            return (fact.asked_on, fact.answered_on)
        case _:
            return ()


def lies_in_the_future(text: str, today: date) -> str:
    """Why a fact of that day or time is refused."""
    return f"{text} lies in the future (today is {today.isoformat()})."
