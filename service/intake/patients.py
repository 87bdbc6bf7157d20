"""What a patient's record means for the patient's cases: one that is out of use opens none, and closes those there are.

https://hl7.org/fhir/R4/patient.html, the modifiers `active`, `deceased[x]` and `link`; the table `modifier_rows.py`.
"""

from __future__ import annotations

from collections.abc import Sequence
from datetime import date, datetime

from service.deciding.facts_anew import closing_in
from service.deciding.snapshot import Snapshot
from service.errors import Category, Problem, Refused
from service.fhir.build import Resource
from service.fhir.counted import closing_record
from service.fhir.dates import instant_after
from service.fhir.facts.fact import Fact
from service.fhir.json_text import load
from service.fhir.modifiers import ModifierEffect, standing_of
from service.intake.identified import Identified
from service.rows import Case, Stored

_OPENS_NOTHING = {
    "deceased": "The patient's record says that the patient has died: it opens no case.",
    "active": "The record is not in use: it opens no case.",
    "link": "Another record has replaced the patient's: refer the patient by that one.",
}
_FIELDS = {"subject": "patient", "performer": "dental_office"}
"""Fields of a plain referral by the elements of the order made from it."""
_NOT_UNDERSTOOD = "The record holds an element that may change its meaning and is not known here: it opens no case."
_NOT_ACTIVE = "A referral that arrives «{}» opens no case, and none is here that could hold it."


def check_opening(snapshot: Snapshot, case: Case, items: Sequence[Identified], order: Identified) -> None:
    """Refused unless the order is active, and the records of its patient and of the office addressed are in use.

    Whoever changes the patient's record meanwhile waits, or is waited for.
    """
    snapshot.take_turns([case.patient])
    problems: list[Problem] = []
    status = str(order.resource.get("status"))
    if status != "active":
        problems.append(Problem(Category.BUSINESS_RULE, _NOT_ACTIVE.format(status), f"{_path(order)}.status"))
    for reference, element in ((case.patient, "subject"), (case.dental_office or "", "performer")):
        # what a message tells of a record on file, and does not change, is not what the record says
        item = next((i for i in items if i.reference == reference and i.written), None)
        where = f"{order.draft.path}.{element}" if order.draft.path else _FIELDS[element]
        problems.extend(_against(item, _body(snapshot, item, reference), where))
    if problems:
        raise Refused(problems)


def _path(item: Identified) -> str:
    return item.draft.path or item.draft.type


def _body(snapshot: Snapshot, item: Identified | None, reference: str) -> Resource | None:
    if item is not None:
        return item.resource
    stored = snapshot.current(reference) if reference.startswith(("Patient/", "Organization/")) else None
    return load(stored.body) if stored and not stored.deleted else None


def _against(item: Identified | None, body: Resource | None, where: str) -> list[Problem]:
    """Why a record opens no case, at the record itself when the message holds it, else at the order that names it."""
    standing = standing_of(body) if body else None
    if standing is None or standing.effect not in (ModifierEffect.CLOSES, ModifierEffect.REFUSED):
        return []
    if standing.effect is ModifierEffect.REFUSED:
        return [Problem(Category.BUSINESS_RULE, _NOT_UNDERSTOOD, where)]
    path = f"{_path(item)}.{standing.element}" if item else where
    return [Problem(Category.BUSINESS_RULE, _OPENS_NOTHING[standing.element], path)]


def read_from(rows: Sequence[Stored], case: Case) -> dict[str, Fact | None]:
    """What a message tells of the patient of its case, by reference; empty when it does not write the record."""
    return {f"{row.type}/{row.id}": closing_in(row) for row in rows if f"{row.type}/{row.id}" == case.patient}


def others_changed(
    snapshot: Snapshot, items: Sequence[Identified], case: Case | None, now: str
) -> tuple[list[Case], str]:
    """The cases, but `case`, of each patient whose record now closes them, or closes them no more.

    Beside them the instant of the message, `now` or the first one after the last decision of those cases: a replay sees by
    it which decisions knew the record.
    """
    changed = [i.reference for i in items if i.draft.type == "Patient" and i.what == "updated" and _differs(i)]
    snapshot.take_turns(changed)
    numbers = snapshot.cases_of_patients(changed, as_service=True)
    others: list[Case] = []
    for number in numbers:
        if case is not None and number == case.case_number:
            continue
        other = snapshot.locked_case(number, as_service=True)
        if other is not None:
            others.append(other)
            now = instant_after(datetime.fromisoformat(now), other.changed_at)
    return others, now


def _differs(item: Identified) -> bool:
    before = closing_record(load(item.before.body), date.min) if item.before and not item.before.deleted else None
    return before != closing_record(item.resource, date.min)
