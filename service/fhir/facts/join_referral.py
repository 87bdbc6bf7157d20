"""The referral of the rules, joined from its order, its Task and what it carries along."""

from __future__ import annotations

from collections.abc import Iterable
from datetime import date
from operator import itemgetter

from service.fhir.facts.grouped import Found, Grouped
from service.fhir.facts.referral import (
    ConditionFact,
    DiagnosisFact,
    DocumentationFact,
    EvaluationFact,
    PapHistoryFact,
    ReferralFact,
    TaskFact,
)
from service.fhir.facts.words import Undelivered
from service.rules.kinds import ReferralState
from service.rules.referral_order import Referral
from service.rules.source import Moment, Source


def referral_of(facts: Grouped) -> Referral | None:
    """The referral of the case: the earliest order, its Task's state and what the referral carries along."""
    orders = sorted(facts.of(ReferralFact), key=lambda found: (found[1].day, found[0]))
    if not orders:
        return None
    source, order = orders[0]
    task_source, task = max(facts.of(TaskFact), key=itemgetter(0), default=(None, None))
    pap_source, pap = max(
        facts.of(PapHistoryFact), key=lambda found: (found[1].moment, found[1].text, found[0]), default=(None, None)
    )
    documented = facts.of(DocumentationFact)
    reported_in = {("pap_history", pap_source)} if pap_source else set[tuple[str, Source]]()
    reported_in |= {("state", task_source)} if task_source else set()
    reported_in |= {("diagnosis_codes", s) for s, _ in facts.of(DiagnosisFact)}
    reported_in |= {("conditions", s) for s, _ in facts.of(ConditionFact)}
    reported_in |= {("face_to_face_on", s) for s, _ in facts.of(EvaluationFact)}
    reported_in |= _documented_in(documented)
    return Referral(
        source=source,
        day=order.day,
        state=task.state if task else ReferralState.REQUESTED,
        state_since=task.moves if task else (),
        birth_date=None,
        prescriber=order.prescriber,
        dental_office=order.dental_office,
        diagnosis_codes=tuple(sorted({code for _, fact in facts.of(DiagnosisFact) for code in fact.codes})),
        pap_history=pap.text if pap else None,
        conditions=tuple(sorted({fact.condition for _, fact in facts.of(ConditionFact)})),
        face_to_face_on=_first_day(fact.visited_on for _, fact in facts.of(EvaluationFact)),
        ordered_by_treating_practitioner=_last((f.moment, f.ordered_by_treating_practitioner) for _, f in documented),
        pap_contraindicated=True if pap and pap.text == "contraindicated" else None,
        dentist_licensed=_last((f.moment, f.dentist_licensed) for _, f in documented),
        told_in=tuple(sorted(reported_in)),
        undelivered_since=task.undelivered_since if task else None,
        sent_by_laboratory=task is not None and task.undelivered is Undelivered.BY_LABORATORY,
    )


def _documented_in(documented: list[Found[DocumentationFact]]) -> set[tuple[str, Source]]:
    """Which resource versions document a field of the referral."""
    found = {
        ("ordered_by_treating_practitioner", source)
        for source, fact in documented
        if fact.ordered_by_treating_practitioner is not None
    }
    return found | {("dentist_licensed", source) for source, fact in documented if fact.dentist_licensed is not None}


def _first_day(days: Iterable[date]) -> date | None:
    return min(days, default=None)


def _last(answers: Iterable[tuple[Moment, bool | None]]) -> bool | None:
    """The last answer; of two of one moment that differ, the one that denies."""
    given = [(moment, not answer, answer) for moment, answer in answers if answer is not None]
    return max(given)[2] if given else None
