"""What a message may not say of its case: facts of the future, beyond the appliance, outside scope."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import date, datetime

from service.errors import Category, Problem, Refused
from service.fhir.build import SHARED, Draft, Resource
from service.fhir.dates import is_future, moment_of
from service.fhir.facts.assemble import assemble
from service.fhir.facts.fact import Fact, StoredFact
from service.fhir.future import future_day_in, lies_in_the_future
from service.fhir.json_text import load
from service.fhir.read_facts import read, red_flag_in, reported_by
from service.intake.identified import Identified
from service.rules.arrival import Told, outside_scope, refusals, setting_remarks, why_kind_refused
from service.rules.facts import CaseFacts
from service.rules.source import Source
from service.rules.thresholds import Thresholds


def read_all(items: Sequence[Identified], plain: bool, today: date, now: datetime) -> dict[str, Fact | None]:
    """The facts of every resource to be written, by reference. Refused with every problem found."""
    problems: list[Problem] = []
    found: dict[str, Fact | None] = {}
    for item in items:
        if not item.written or item.draft.type in SHARED:
            continue
        fact, wrong = read(item.resource, item.draft.path or item.draft.type)
        if plain:
            wrong = [Problem(p.category, p.message, item.draft.path) for p in wrong]
        problems.extend(wrong)
        problems.extend(_of_another_kind(item))
        if item.draft.parent is None:
            problems.extend(_of_the_future(item, fact, today, now))
        found[item.reference] = fact
    if problems:
        raise Refused(list(dict.fromkeys(problems)))
    return found


def _of_the_future(item: Identified, fact: Fact | None, today: date, now: datetime) -> list[Problem]:
    text = future_day_in(item.resource, fact, today, now)
    path = item.draft.date_path or item.draft.path
    return [Problem(Category.BUSINESS_RULE, lies_in_the_future(text, today), path)] if text else []


def check_day(text: str, path: str, today: date, now: datetime) -> None:
    """Refused when a day or time lies in the future."""
    if is_future(text, today, now):
        raise Refused(Problem(Category.BUSINESS_RULE, lies_in_the_future(text, today), path))


def check_case(
    items: Sequence[Identified], before: Sequence[StoredFact], after: Sequence[StoredFact], thresholds: Thresholds
) -> tuple[CaseFacts, list[str]]:
    """The facts of the case with this message in it, and what is remarked on. Refused for what cannot be true of it."""
    facts = assemble(after)
    known = {f.source for f in before}
    drafts = {i.reference: i.draft for i in items}

    def is_new(source: Source) -> bool:
        return source not in known and source.reference in drafts

    problems = [
        Problem(Category.BUSINESS_RULE, why, _place(drafts[source.reference], about))
        for source, why, about in refusals(facts, is_new, thresholds)
    ]
    if problems:
        raise Refused(list(dict.fromkeys(problems)))
    new = [s for s in facts.settings if is_new(s.source)]
    remarks: list[str] = [remark for setting in new for remark in setting_remarks(facts, setting, thresholds)]
    return facts, remarks


def _place(draft: Draft, about: Told) -> str:
    """Where a refusal is reported: at the field that it is about, else at the entry."""
    return draft.date_path or draft.path if about is Told.DAY else draft.field_paths.get(about, draft.path)


def _of_another_kind(item: Identified) -> list[Problem]:
    """A correction that would make a red flag another one, or none, and so take it from the office it is for."""
    if item.before is None or item.before.deleted:
        return []
    before, after = red_flag_in(reported_by(load(item.before.body))), red_flag_in(reported_by(item.resource))
    if before is None or after is before:
        return []
    why = why_kind_refused(before, after)
    return [Problem(Category.BUSINESS_RULE, why, item.draft.field_paths.get(Told.KIND, item.draft.path))]


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
